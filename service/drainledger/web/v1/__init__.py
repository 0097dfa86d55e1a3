"""`/v1`: records in, views out (DESIGN 6)."""
