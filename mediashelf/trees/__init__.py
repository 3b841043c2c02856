"""Folders, images and archives as trees of files, whatever they are wrapped in."""
