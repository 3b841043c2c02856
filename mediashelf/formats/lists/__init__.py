"""Checksum lists as text, lines in, digests and names out; lists of names that tell of packages."""
