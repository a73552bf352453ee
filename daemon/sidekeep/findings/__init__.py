"""What is noticed about a transfer: one kind of finding, one file, one pure function."""
