"""One table of a TOML file: every value asked for by type, every key accounted for."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path
from typing import Any

from mediashelf.amounts import parse_size
from mediashelf.errors import MediashelfError
from mediashelf.text import did_you_mean

MOST_SHOWN = 80
"""Characters of a wrong value that a message shows."""

_KEYS_SHOWN = 16


class Table:
    """A table and its place in the file, such as ``[folder] 2``; empty for the whole file.

    Every method raises the error that it was made with; the message has the place, the
    key, what was found and what was expected.
    """

    def __init__(
        self,
        values: dict[str, Any],
        known: Collection[str],
        error: type[MediashelfError],
        place: str = "",
        above: Collection[str] = (),
    ) -> None:
        """Refuse keys that are not ``known``, with the nearest one that is.

        ``above`` are keys of the file's top: what follows a table belongs to that table,
        which is easily forgotten.
        """
        self.place = place
        self._above = above or known
        self._values = values
        self._error = error
        for key in values:
            if key not in known:
                shown = sorted(known)
                more = ", …" if len(shown) > _KEYS_SHOWN else ""
                hint = did_you_mean(key, known)
                if key in above:
                    hint = "; it belongs at the top of the file, before every [table]"
                hint = hint or f"; known here: {', '.join(shown[:_KEYS_SHOWN])}{more}"
                raise self.error(f"unknown key {_shown(key)}{hint}")

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def error(self, reason: str) -> MediashelfError:
        """Return the error for something that is wrong in this table."""
        return self._error(f"{self.place}: {reason}" if self.place else reason)

    def wrong(self, key: str, expected: str) -> MediashelfError:
        """Return the error for a value that is not what was expected."""
        return self.error(f"{key} is {_shown(self._values[key])}, expected {expected}")

    def value(self, key: str) -> Any:
        """Return the value as it is, None when the key is absent."""
        return self._values.get(key)

    def text(self, key: str, *, needed: str = "") -> str:
        """Return a text, empty when the key is absent.

        A text that is ``needed`` must be there and not blank; the words say what for.
        """
        value = self._values.get(key)
        if value is None:
            if needed:
                raise self.error(f"{key} is missing; {needed}")
            return ""
        if not isinstance(value, str):
            raise self.wrong(key, "text between quotes")
        if needed and not value.strip():
            raise self.error(f"{key} is empty; {needed}")
        return value

    def texts(self, key: str, what: str) -> tuple[str, ...]:
        """Return a list of texts, each once; ``what`` names them in the error.

        A single text is a list of one.
        """
        value = self._values.get(key, [])
        items = value if isinstance(value, list) else [value]
        if not all(isinstance(item, str) and item.strip() for item in items):
            raise self.wrong(key, f"a list of {what}")
        return tuple(dict.fromkeys(items))

    def choice(self, key: str, words: Iterable[str]) -> str:
        """Return one of ``words``, in small letters, or an empty text when the key is absent."""
        known = list(words)
        value = self.text(key).strip().lower()
        if (value or key in self) and value not in known:
            raise self.wrong(key, f"one of {', '.join(known)}{did_you_mean(value, known)}")
        return value

    def flag(self, key: str) -> bool | None:
        """Return true or false, None when the key is absent."""
        value = self._values.get(key)
        if value is not None and not isinstance(value, bool):
            raise self.wrong(key, "true or false")
        return value

    def number(self, key: str, least: int, most: int) -> int | None:
        """Return a whole number within limits, None when the key is absent."""
        value = self._values.get(key)
        if value is not None and (type(value) is not int or not least <= value <= most):
            raise self.wrong(key, f"a whole number from {least} to {most}")
        number: int | None = value
        return number

    def size(self, key: str, *, binary: bool = False) -> int | None:
        """Return a size in bytes, None when the key is absent.

        ``binary`` reads ``MB`` as 1024 x 1024 bytes, as memory is sold.
        """
        value = self._values.get(key)
        if value is None:
            return None
        size = 0
        if type(value) is int:
            size = value
        elif isinstance(value, str):
            text = value.strip()
            if binary and text[-2:-1].isalpha() and text[-2:-1] not in "iI":
                text = f"{text[:-1]}iB"
            try:
                size = parse_size(text)
            except ValueError:
                size = 0
        if size <= 0:
            raise self.wrong(key, "a size such as 4GB, 512MiB or a number of bytes")
        return size

    def path_text(self, key: str, base: Path, *, needed: str = "") -> str:
        r"""Return a path as written; it counts from the folder ``base``.

        What TOML made of a ``\`` between double quotes, and a ``\`` where the system takes
        it for a letter, are errors unless there is a file of that name.
        """
        text = self.text(key, needed=needed)
        is_escaped = any(letter < " " for letter in text)
        is_foreign = "\\" in text and os.sep == "/"
        if not (is_escaped or is_foreign) or os.path.lexists(base / text):
            return text
        if is_escaped:
            hint = "; put texts with \\ between single quotes"
            raise self.wrong(key, f"a path without control characters{hint}")
        better = _shown(text.replace("\\", "/"))
        raise self.wrong(key, f"a path with / between folders, such as {better}")

    def path(self, key: str, base: Path, *, needed: str = "") -> Path | None:
        """Return a path that counts from the folder ``base``, None when the key is absent."""
        text = self.path_text(key, base, needed=needed)
        return base / text if text else None

    def paths(self, key: str, base: Path) -> tuple[Path, ...]:
        """Return the paths under ``key``, where one or a list of them may be."""
        values = self._values.get(key)
        if not isinstance(values, list):
            values = [values] if values is not None else []
        each = [Table({key: value}, (key,), self._error, self.place) for value in values]
        return tuple(path for one in each if (path := one.path(key, base)) is not None)

    def table(self, key: str, known: Collection[str]) -> Table:
        """Return the table under ``key``; an absent one is empty."""
        value = self._values.get(key, {})
        name = f"{self.place[1:-1]}.{key}" if self.place.endswith("]") else key
        if not isinstance(value, dict):
            raise self.wrong(key, f"a table, [{name}]")
        inside = self.place.endswith("]") or not self.place
        place = f"[{name}]" if inside else f"{self.place}, [{key}]"
        return Table(value, known, self._error, place, self._above)

    def tables(self, key: str, known: Collection[str]) -> list[Table]:
        """Return the tables under ``key``, such as all of ``[[folder]]``."""
        value = self._values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.wrong(key, f"a list of tables, [[{key}]]")
        inside = f"{self.place}, " if self.place else ""
        return [
            Table(item, known, self._error, f"{inside}[{key}] {number}", self._above)
            for number, item in enumerate(value, start=1)
        ]


def _shown(value: object) -> str:
    """Return a value as it is written in TOML or nearly so, cut where it is long."""
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= MOST_SHOWN else f"{text[: MOST_SHOWN - 1]}…"
