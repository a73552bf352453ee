"""Commands, one per file."""
