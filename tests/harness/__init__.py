"""Independent validation of what Drainledger emits: node.py (R4, npm libraries), models.py (R4B and R5 models)."""
