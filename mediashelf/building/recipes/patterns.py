"""Which files of a source a recipe takes: the patterns of ``only`` and ``skip``.

A pattern is compared with the path below the source folder, parts joined by ``/``:

``*``, ``?``     any characters, one character of one part
``[abc]``        one of these characters; ``[!abc]`` any other
``**``           as a whole part: any number of parts, also none

A pattern with a ``/`` in it (in front or between parts) counts from the source's own
top; one without is compared with every name at any depth. A ``/`` at the end makes
it a pattern for folders only. A folder that a pattern fits brings all that is in it.
``skip`` goes before ``only``. Case does not matter, because no system that reads the
disc tells names apart by it; and composed letters equal decomposed ones.
"""

from __future__ import annotations

import fnmatch
import re
import unicodedata
from collections.abc import Iterable

from mediashelf.errors import RecipeError

Parts = tuple[str, ...]


class Pattern:
    """One pattern; ``was_used`` tells whether anything ever fitted."""

    def __init__(self, text: str) -> None:
        """Raise :class:`RecipeError` for a text that can never fit anything."""
        self.text = text
        self.was_used = False
        body = text.removesuffix("/")
        self._is_for_folders = body != text
        self._is_rooted = "/" in body
        parts = body.removeprefix("/").split("/")
        if any(part in ("", ".", "..") or "\\" in part for part in parts):
            raise RecipeError(
                f"{text!r} is not a pattern; write it like '*.inf', 'docs/' or '/video/**/*.sys'"
            )
        # None stands for any number of parts.
        self._parts = [None if part == "**" else _compiled(part) for part in parts]

    def fits(self, parts: Parts, *, is_folder: bool) -> bool:
        """Return whether the pattern fits this path itself (not a folder above it)."""
        if self._is_for_folders and not is_folder:
            return False
        if not _fit(self._parts, parts if self._is_rooted else parts[-1:]):
            return False
        self.was_used = True
        return True


class Selection:
    """What one source takes; without patterns that is everything."""

    def __init__(self, only: Iterable[str] = (), skip: Iterable[str] = ()) -> None:
        self._only = [Pattern(text) for text in only]
        self._skip = [Pattern(text) for text in skip]
        self._folders: dict[Parts, tuple[bool, bool]] = {(): (False, not self._only)}

    @property
    def is_everything(self) -> bool:
        """Whether there are no patterns at all."""
        return not (self._only or self._skip)

    def takes_file(self, parts: Parts) -> bool:
        """Return whether the file at this path goes on the disc."""
        is_skipped, is_wanted = self._folder(parts[:-1])
        if is_skipped or _any_fits(self._skip, parts, is_folder=False):
            return False
        # Asked in any case, so that every pattern knows that it was used.
        return _any_fits(self._only, parts, is_folder=False) or is_wanted

    def skips_folder(self, parts: Parts) -> bool:
        """Return whether nothing of this folder goes on the disc, whatever is in it."""
        return self._folder(parts)[0]

    def takes_folder(self, parts: Parts) -> bool:
        """Return whether the folder goes on the disc even when it is empty."""
        is_skipped, is_wanted = self._folder(parts)
        return is_wanted and not is_skipped

    def unused(self) -> list[str]:
        """Return the patterns that have fitted nothing so far."""
        return [p.text for p in (*self._only, *self._skip) if not p.was_used]

    def _folder(self, parts: Parts) -> tuple[bool, bool]:
        """Return whether a folder is skipped, and whether it is wanted whole."""
        known = self._folders.get(parts)
        if known is None:
            is_skipped, is_wanted = self._folder(parts[:-1])
            is_skipped = is_skipped or _any_fits(self._skip, parts, is_folder=True)
            is_wanted = _any_fits(self._only, parts, is_folder=True) or is_wanted
            known = self._folders[parts] = is_skipped, is_wanted
        return known


def _any_fits(patterns: list[Pattern], parts: Parts, *, is_folder: bool) -> bool:
    # Every one is asked, so that each knows whether it was used.
    fitting = [pattern for pattern in patterns if pattern.fits(parts, is_folder=is_folder)]
    return bool(fitting)


def _folded(text: str) -> str:
    if text.isascii():
        return text.lower()
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def _compiled(part: str) -> re.Pattern[str]:
    return re.compile(fnmatch.translate(_folded(part)))


def _fit(pattern: list[re.Pattern[str] | None], parts: Parts) -> bool:
    """Return whether the whole path fits, in a time that grows with both lengths only."""
    # Which beginnings of the path the pattern's beginning fits so far, by their length.
    reached = [True] + [False] * len(parts)
    for expression in pattern:
        if expression is None:
            for length in range(1, len(reached)):
                reached[length] = reached[length] or reached[length - 1]
            continue
        reached = [False] + [
            reached[length] and expression.match(_folded(part)) is not None
            for length, part in enumerate(parts)
        ]
    return reached[-1]
