"""Catalogue, check, build and stage disc images for emulated optical drives."""

__version__ = "0.1.0"
