"""What the service says of itself, gathered over a whole run of the tests and searched for patients' identifiers."""
