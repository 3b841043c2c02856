"""Cabinet files: their records, their data blocks, and sets of several files as one."""
