"""Checks of `drainledger convert` and `check`: what goes in and out, and that nothing in between is lost."""
