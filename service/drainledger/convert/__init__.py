"""Records in, resources or the ledger out, with no database: `drainledger convert` and `check` (DESIGN 6)."""
