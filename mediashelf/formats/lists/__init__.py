"""Checksum lists as text: lines in, digests and names out."""
