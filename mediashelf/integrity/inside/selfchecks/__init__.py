"""Checks of files with checksums of their own: one module for each family of formats.

A check takes the file as a view and a tally, reads what it needs in small pieces,
and yields faults with offsets in the file. It never raises for damage, never
writes, and what it reads and expands has a bound that follows from the file's size.
"""
