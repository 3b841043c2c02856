"""Archives in several files, read as one."""
