"""Checks of the house itself: packaging, locks, scripts, notices and what the repository may not contain."""
