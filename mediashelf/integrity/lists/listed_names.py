"""Names from checksum lists: refused when they lead out of the folder, found in other spellings."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator


def is_inside(name: str) -> bool:
    """Tell whether a name from a list stays below the folder it is joined to.

    Both separators count, and so do drive letters, whatever the platform: lists
    travel between systems.
    """
    if not name or "\0" in name:
        return False
    parts = name.replace("\\", "/").split("/")
    has_drive = len(parts[0]) == 2 and parts[0][1] == ":" and parts[0][0].isalpha()
    return parts[0] != "" and not has_drive and ".." not in parts


class NameLookup:
    """Finds the file that a listed name means among the files that are there.

    The exact spelling wins. Then backslashes count as separators and a leading
    ``./`` as nothing. Then case and Unicode composition are set aside, but only
    where one single file fits: lists written on systems that ignore case often
    disagree with the files in it.
    """

    def __init__(self, names: Iterable[str]) -> None:
        self._names = set(names)
        self._loose: dict[str, str] | None = None

    def find(self, name: str) -> str:
        """Return the file's own name, or an empty text when no single file fits."""
        for spelling in _iter_spellings(name):
            if spelling in self._names:
                return spelling
        if self._loose is None:
            self._loose = {}
            for known in self._names:
                key = loose_key(known)
                self._loose[key] = "" if key in self._loose else known
        for spelling in _iter_spellings(name):
            found = self._loose.get(loose_key(spelling))
            if found:
                return found
        return ""


def without_dots(name: str) -> str:
    """Return a listed name without the ``./`` that means nothing: ``./a/./b`` is ``a/b``."""
    return "/".join(part for part in name.split("/") if part not in ("", "."))


def _iter_spellings(name: str) -> Iterator[str]:
    yield name
    plain = without_dots(name.replace("\\", "/"))
    if plain != name:
        yield plain


def loose_key(name: str) -> str:
    """Return what names have in common that differ in letter case or Unicode form alone."""
    return unicodedata.normalize("NFC", name).casefold()
