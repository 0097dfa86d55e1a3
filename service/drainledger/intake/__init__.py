"""From raw records to committed versions: map, validate, append, fold, diff, emit, commit (DESIGN 9)."""
