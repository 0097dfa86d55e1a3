"""A process that is killed under load: what it had answered must be there, once, and the ledger must be right."""
