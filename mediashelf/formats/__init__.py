"""Bytes of disc formats in, frozen values out: no paths, no clock, no database."""
