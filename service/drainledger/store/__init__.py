"""The durable part, on SQLite or PostgreSQL (DESIGN 9): journal, resource versions, held records, outbox, keys,
audit."""
