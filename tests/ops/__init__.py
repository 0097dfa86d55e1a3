"""What it takes to run the service for real: the files of deploy/, the start of the demo, backups."""
