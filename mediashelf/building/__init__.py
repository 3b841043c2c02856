"""Folders in, one ISO 9660 + Joliet disc out."""
