"""Reading the tables of a recipe: each value with its type, each mistake with its place."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

from mediashelf.errors import RecipeError
from mediashelf.text import did_you_mean


class RecipeTable:
    """One table of a recipe; ``place`` (``"folder 2: "``) stands before what is wrong with it.

    Every method raises :class:`RecipeError` for a value that is not what it must be.
    """

    def __init__(self, values: Mapping[str, Any], known: Collection[str], place: str = "") -> None:
        """Refuse keys that are not ``known``, with the nearest one that is."""
        self._values = values
        self._place = place
        for key in values:
            if key not in known:
                hint = did_you_mean(key, known) or f"; known: {', '.join(sorted(known))}"
                raise self.error(f"unknown key {key!r}{hint}")

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def error(self, reason: str) -> RecipeError:
        """Return the error for something that is wrong in this table."""
        return RecipeError(f"{self._place}{reason}")

    def text(self, key: str) -> str:
        """Return a text, empty when the key is not there."""
        value = self._values.get(key, "")
        if not isinstance(value, str):
            raise self.error(f"{key!r} must be text, found {value!r}")
        return value

    def texts(self, key: str, what: str) -> tuple[str, ...]:
        """Return a list of texts; ``what`` names them in the error."""
        value = self._values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(one, str) and one for one in value):
            raise self.error(f"{key!r} must be a list of {what}, found {value!r}")
        return tuple(value)

    def flag(self, key: str, default: bool) -> bool:
        """Return true or false."""
        value = self._values.get(key, default)
        if not isinstance(value, bool):
            raise self.error(f"{key!r} must be true or false, found {value!r}")
        return value

    def number(self, key: str, least: int, most: int, default: int | None) -> int | None:
        """Return a whole number within limits."""
        value = self._values.get(key, default)
        if value is not default and (type(value) is not int or not least <= value <= most):
            raise self.error(f"{key!r} must be from {least} to {most}, found {value!r}")
        number: int | None = value
        return number

    def path(self, key: str, base: Path) -> Path | None:
        """Return a path that counts from the folder ``base``, None when the key is not there."""
        text = self.text(key)
        if "\0" in text:
            raise self.error(f"{text!r} is no path")
        return base / text if text else None

    def tables(self, key: str, known: Collection[str]) -> Iterator[RecipeTable]:
        """Yield the tables of an array such as ``[[folder]]``."""
        entries = self._values.get(key, [])
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            raise self.error(f"{key!r} must be written as [[{key}]]")
        for number, entry in enumerate(entries, start=1):
            yield RecipeTable(entry, known, f"{key} {number}: ")

    def value(self, key: str) -> object:
        """Return the value as it stands, None when the key is not there."""
        return self._values.get(key)
