"""The HTTP service: `/v1`, who may use it, and what operating it needs (DESIGN 6, 10)."""
