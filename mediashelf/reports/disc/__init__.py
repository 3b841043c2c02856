"""A disc's own page."""
