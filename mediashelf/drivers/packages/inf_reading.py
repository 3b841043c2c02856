"""The INFs of trees as parsed texts: each is read and parsed once, whoever shows it."""

from __future__ import annotations

import hashlib
from collections.abc import Hashable
from weakref import WeakValueDictionary, ref

from mediashelf.drivers.packages.tree import PackageTree, TreeFile
from mediashelf.errors import InputError, MediashelfError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.document import Inf, parse_inf
from mediashelf.formats.inf.text.encoding import decode_inf
from mediashelf.formats.inf.text.lines import plain_ends

MAX_INF = 16 << 20
"""Bytes of an INF that are read; real ones stay below a few MiB."""


def read_inf(
    tree: PackageTree, file: TreeFile, code_page: str, findings: list[Finding]
) -> tuple[Inf, bytes] | None:
    """Return the text, at hand where it is new, and the digest of its bytes.

    Sources, disc and every target show the same texts; each is parsed once and kept only
    while some package has it.
    """
    place = tree.lasting(file)
    known = _BY_PLACE.get((place, code_page)) if place is not None else None
    if known is not None and isinstance(known.again, _Again):
        known.again.add(tree, file)
        return known, known.again.digest
    data = _read(tree, file, findings)
    if data is None:
        return None
    digest = hashlib.sha256(data).digest()
    key = (digest, code_page, place is not None)
    inf = _PARSED.get(key)
    if inf is None:
        again = _Again(digest, code_page) if place is not None else None
        inf = _PARSED[key] = parse_inf(data, code_page=code_page, again=again)
    if place is not None and isinstance(inf.again, _Again):
        _BY_PLACE[place, code_page] = inf
        inf.again.add(tree, file)
    return inf, digest


def _read(tree: PackageTree, file: TreeFile, findings: list[Finding]) -> bytes | None:
    if file.size > MAX_INF:
        findings.append(
            Finding(
                "inf-too-large",
                Severity.WARNING,
                tree.prefix + file.shown_path,
                f"The INF has {file.size:,} bytes and was not read",
                "look at it by hand; no driver text is that long",
            )
        )
        return None
    try:
        return tree.read(file, MAX_INF)
    except (OSError, MediashelfError) as error:
        findings.append(
            Finding(
                "inf-unreadable",
                Severity.ERROR,
                tree.prefix + file.shown_path,
                f"The INF cannot be read: {error}",
                "audit the image or the folder first",
            )
        )
        return None


class _Again:
    """Reads a text once more from one of the places that have it.

    Whoever has a package has its tree; what is asked last must not keep whole trees.
    """

    __slots__ = ("_code_page", "_places", "digest")

    def __init__(self, digest: bytes, code_page: str) -> None:
        self.digest = digest
        self._code_page = code_page
        self._places: tuple[tuple[ref[PackageTree], TreeFile], ...] = ()

    def add(self, tree: PackageTree, file: TreeFile) -> None:
        """Add a place, and forget those whose trees nobody has any more."""
        there = (place for place in self._places if place[0]() is not None)
        self._places = (*there, (ref(tree), file))

    def __call__(self) -> str:
        error: Exception = InputError("the text of an INF is not at hand any more")
        for get, file in self._places:
            tree = get()
            if tree is None:
                continue
            try:
                data = tree.read(file, MAX_INF)
            except (OSError, MediashelfError) as failure:
                error = failure
                continue
            if hashlib.sha256(data).digest() == self.digest:
                return plain_ends(decode_inf(data, code_page=self._code_page).text)
            place = tree.prefix + file.shown_path
            error = InputError(f"{place}: changed while it was looked at")
        raise error


_PARSED: WeakValueDictionary[tuple[bytes, str, bool], Inf] = WeakValueDictionary()
_BY_PLACE: WeakValueDictionary[tuple[Hashable, str], Inf] = WeakValueDictionary()
