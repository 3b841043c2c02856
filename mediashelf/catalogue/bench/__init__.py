"""Bench sessions and their notes, as the catalogue keeps them."""
