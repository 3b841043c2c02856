"""Processes that do a part of this one's work, so that several processors are at it."""
