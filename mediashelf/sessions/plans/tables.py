"""Reading tables of a TOML file whose keys people mistype."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from mediashelf.errors import SessionPlanError
from mediashelf.text import did_you_mean, parse_size

TOP = "at the top"
"""The place of the table that is the whole file."""


class Table:
    """One table of a plan: every value asked for by type, every key accounted for.

    Each method raises :class:`SessionPlanError` that names the place, the key
    and what was expected. :meth:`finish` must be called last; it refuses keys
    that nobody asked for.
    """

    def __init__(self, values: dict[str, Any], place: str = TOP) -> None:
        self.place = place
        self._values = values
        self._known: list[str] = []

    def has(self, key: str) -> bool:
        """Return whether the key is there, whatever its value."""
        self._note(key)
        return key in self._values

    def holds_table(self, key: str) -> bool:
        """Return whether the value of ``key`` is a table."""
        return isinstance(self._values.get(key), dict)

    def text(self, key: str, *, required: bool = False) -> str:
        """Return a text, or an empty one when the key is absent."""
        value = self._value(key)
        if value is None and not required:
            return ""
        if not isinstance(value, str) or (required and not value.strip()):
            raise self._wrong(key, value, "a text")
        return value.strip()

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of texts without repeats; a single text is a list of one."""
        value = self._value(key)
        if value is None:
            return ()
        items = value if isinstance(value, list) else [value]
        if not all(isinstance(item, str) and item.strip() for item in items):
            raise self._wrong(key, value, "a text or a list of texts")
        return tuple(dict.fromkeys(item.strip() for item in items))

    def choice(self, key: str, words: Iterable[str]) -> str:
        """Return one of ``words``, or an empty text when the key is absent."""
        known = list(words)
        value = self.text(key).lower()
        if value and value not in known:
            hint = did_you_mean(value, known)
            raise SessionPlanError(
                f"{self.place}: {key} is {value!r}, expected one of {', '.join(known)}{hint}"
            )
        return value

    def truth(self, key: str) -> bool | None:
        """Return true or false, or None when the key is absent."""
        value = self._value(key)
        if value is not None and not isinstance(value, bool):
            raise self._wrong(key, value, "true or false")
        return value

    def count(self, key: str) -> int | None:
        """Return a whole number from 1 on, or None when the key is absent."""
        value = self._value(key)
        if value is None:
            return None
        if not isinstance(value, int) or isinstance(value, bool) or value < 1:
            raise self._wrong(key, value, "a number such as 1")
        return value

    def size(self, key: str, *, binary: bool = False) -> int | None:
        """Return a size in bytes, or None when the key is absent.

        ``binary`` reads ``MB`` as 1024 x 1024 bytes, as memory is sold.
        """
        value = self._value(key)
        if value is None:
            return None
        if isinstance(value, int) and not isinstance(value, bool) and value > 0:
            return value
        if isinstance(value, str):
            text = value.strip()
            if binary and text[-2:-1].isalpha() and text[-2:-1] not in "iI":
                text = f"{text[:-1]}iB"
            try:
                size = parse_size(text)
            except ValueError:
                size = 0
            if size > 0:
                return size
        raise self._wrong(key, value, "a size such as 4GB, 512MiB or a number of bytes")

    def table(self, key: str) -> Table:
        """Return the table under ``key``; an absent one is empty."""
        value = self._value(key)
        if value is None:
            value = {}
        if not isinstance(value, dict):
            raise self._wrong(key, value, f"a table, [{key}]")
        return Table(value, f"[{key}]")

    def tables(self, key: str) -> list[Table]:
        """Return the list of tables under ``key``; an absent one is empty."""
        value = self._value(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self._wrong(key, value, f"a list of tables, [[{key}]]")
        inside = "" if self.place == TOP else f"{self.place}, "
        return [
            Table(item, f"{inside}{key} {number}") for number, item in enumerate(value, start=1)
        ]

    def finish(self) -> None:
        """Refuse keys that nobody asked for."""
        for key in self._values:
            if key not in self._known:
                known = ", ".join(self._known)
                hint = did_you_mean(key, self._known) or f"; known here: {known}"
                raise SessionPlanError(f"{self.place}: unknown key {key!r}{hint}")

    def _value(self, key: str) -> Any:
        self._note(key)
        return self._values.get(key)

    def _note(self, key: str) -> None:
        if key not in self._known:
            self._known.append(key)

    def _wrong(self, key: str, value: object, expected: str) -> SessionPlanError:
        found = "absent" if value is None else repr(value)
        if len(found) > 80:
            found = f"{found[:77]}…"
        return SessionPlanError(f"{self.place}: {key} is {found}, expected {expected}")
