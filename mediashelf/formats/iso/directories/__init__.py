"""Directories of ISO 9660 (ECMA-119 6.8 and 9): records, what is checked of them, the walk."""
