"""Archives that libraries open: tar, compressed single files, and what libarchive reads."""
