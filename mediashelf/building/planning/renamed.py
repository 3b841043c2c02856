"""The files of a plan whose short names say something else than their long ones."""

from __future__ import annotations

from collections.abc import Iterable
from heapq import nsmallest
from itertools import count
from operator import attrgetter

from mediashelf.building.tree import DiscFile


def first_renamed(files: Iterable[DiscFile], most: int) -> tuple[list[DiscFile], int]:
    """Return the first of these by their long paths, and how many they are; case does not count."""
    found = (file for file in files if file.short_name != file.long_name.upper())
    counter = count()
    counted = (file for file, _ in zip(found, counter, strict=False))
    return nsmallest(most, counted, key=attrgetter("long_path")), next(counter)
