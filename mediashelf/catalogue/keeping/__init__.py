"""Keeping a library for years: names, the keeper's words, published digests, backups."""
