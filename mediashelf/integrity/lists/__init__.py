"""A folder against checksum lists, and lists written of a folder."""
