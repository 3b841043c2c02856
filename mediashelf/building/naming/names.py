"""Names for both trees of a disc, from any name a host can hold.

Short names go into the ISO 9660 tree (interchange level 1), long names into the
Joliet tree. Both are decided folder by folder, and depend only on the set of
names in the folder: the order in which a host lists them never matters.

Short names
    d-characters only, at most 8 and 3 of them (ECMA-119 10.1). Letters outside
    ASCII are transliterated; spaces are dropped; everything else becomes ``_``.
    Directories have at most 8 characters and no extension. ``~`` is never used.
Long names
    Normalisation form C. Characters that Joliet forbids, characters that Win32
    forbids, control characters, bytes that were not text and characters beyond
    the Basic Multilingual Plane (Joliet is UCS-2) become ``_``. At most 64
    characters; the extension survives cutting. No dots or spaces at the end.

In both, device names (``CON``, ``LPT1.TXT`` …) get a ``_``, and names that would be
equal without regard to case are numbered ``_2``, ``_3`` … The plainest name keeps
its form: first those that need no change, then those that only change case, then
the rest in code point order.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Collection, Iterable
from typing import NamedTuple

from mediashelf.building.naming.characters import (
    NOT_D_CHARACTER,
    NOT_JOLIET,
    ascii_text,
    capitals,
    composed,
)

SHORT_BASE = 8  # ECMA-119 10.1: file name and directory identifier
SHORT_EXTENSION = 3
LONG_NAME = 64  # Joliet: 128 bytes of UCS-2
ISO_LABEL = 32  # ECMA-119 8.4.6
LONG_LABEL = 16  # the same 32 bytes in UCS-2

# DOS: Microsoft KB Q74496. Win32: "Naming Files, Paths, and Namespaces".
DEVICES = frozenset(
    ["CON", "PRN", "AUX", "NUL", "CLOCK$"]
    + [f"{port}{number}" for port in ("COM", "LPT") for number in "123456789¹²³"]
)
_PLAIN = re.compile(r"[0-9A-Za-z_](?:[0-9A-Za-z_. -]{0,62}[0-9A-Za-z_])?")  # taken as they are


class HostName(NamedTuple):
    """A name as the host gives it; bytes that are not UTF-8 are lone surrogates.

    ``tie`` tells two equal names of one folder apart (folders that were moved
    there from different places); it has no influence but on their order.
    """

    name: str
    is_folder: bool = False
    tie: str = ""


class _Candidate(NamedTuple):
    """The form that one name wants, before the others have their say."""

    base: str
    extension: str
    rank: int  # 0: as it is on the host, 1: only the case differs, 2: changed


def assign_short_names(
    names: Iterable[HostName], *, taken: Collection[str] = ()
) -> dict[HostName, str]:
    """Give every name of one folder its own level 1 name, such as ``SETUP.EXE`` or ``DRIVERS``.

    The results carry no version and no dot without an extension; none is equal
    to another or to one in ``taken``.
    """
    return _assign(names, _short_candidate, _cut_short, str, taken)


def assign_long_names(
    names: Iterable[HostName], *, taken: Collection[str] = ()
) -> dict[HostName, str]:
    """Give every name of one folder its own Joliet name, distinct without regard to case."""
    names = list(names)
    texts = [name.name for name in names]
    if not taken and all(map(_stays, texts)) and len(set(map(capitals, texts))) == len(texts):
        # So it is mostly: every name stays as it is, and none is in the way of another.
        return dict(zip(names, texts, strict=True))
    return _assign(names, _long_candidate, _cut_long, capitals, taken)


def _assign(
    names: Iterable[HostName],
    candidate_for: Callable[[HostName], _Candidate],
    cut: Callable[[str, str, str], str],
    fold: Callable[[str], str],
    taken: Collection[str],
) -> dict[HostName, str]:
    wanted = [(candidate_for(name), name) for name in names]
    in_order = sorted([(one.rank, composed(name.name), name, one) for one, name in wanted])
    used = {fold(name) for name in taken}
    next_numbers: dict[tuple[str, int], int] = {}
    assigned: dict[HostName, str] = {}
    for _, _, name, candidate in in_order:
        chosen = _join(candidate.base, candidate.extension)
        compared = fold(chosen)
        if compared in used:
            chosen = _numbered(candidate, cut, fold, used, next_numbers)
            compared = fold(chosen)
        used.add(compared)
        assigned[name] = name.name if chosen == name.name else chosen  # one text is enough
    return assigned


def _numbered(
    candidate: _Candidate,
    cut: Callable[[str, str, str], str],
    fold: Callable[[str], str],
    used: set[str],
    next_numbers: dict[tuple[str, int], int],
) -> str:
    """Return the candidate with the first free number.

    Names that share a stem share a counter for each count of digits, so that a
    folder full of clashes stays linear.
    """
    exhausted = (fold(f"{candidate.base}\0{candidate.extension}"), 0)
    digits = next_numbers.get(exhausted, 1)  # fewer are all taken
    while True:
        counter = (fold(cut(candidate.base, "_" + "0" * digits, candidate.extension)), digits)
        start = next_numbers.get(counter, 2 if digits == 1 else 10 ** (digits - 1))
        for number in range(start, 10**digits):
            name = cut(candidate.base, f"_{number}", candidate.extension)
            if fold(name) not in used:
                next_numbers[counter] = number + 1
                return name
        next_numbers[counter] = 10**digits
        digits += 1
        next_numbers[exhausted] = digits


def _short_candidate(host: HostName) -> _Candidate:
    plain = ascii_text(host.name).upper().strip(" .")
    base, extension = (plain, "") if host.is_folder else _split(plain)
    base = _short_part(base)[:SHORT_BASE] or "_"
    extension = _short_part(extension)[:SHORT_EXTENSION]
    if base in DEVICES:
        base += "_"
    whole = _join(base, extension)
    rank = 0 if whole == host.name else 1 if whole == capitals(host.name) else 2
    return _Candidate(base, extension, rank)


def _short_part(text: str) -> str:
    text = text.replace(" ", "")
    return text if text.isalnum() else NOT_D_CHARACTER.sub("_", text)


def _cut_short(base: str, suffix: str, extension: str) -> str:
    stem = base[: SHORT_BASE - len(suffix)].rstrip("_")
    return _join(stem + suffix, extension)


def _long_candidate(host: HostName) -> _Candidate:
    if (
        _PLAIN.fullmatch(host.name)
        and host.name.partition(".")[0].upper().rstrip(" ") not in DEVICES
    ):
        return _Candidate(*_long_parts(host.name, host.is_folder), 0)
    name = NOT_JOLIET.sub("_", composed(host.name)).rstrip(" .") or "_"
    base, extension = _long_parts(name, host.is_folder)
    device, _, rest = _cut_long(base, "", extension).partition(".")
    if capitals(device).rstrip(" ") in DEVICES:
        base, extension = _long_parts(_join(device + "_", rest), host.is_folder)
    whole = _cut_long(base, "", extension)
    # What was cut off stays off, so that the parts make up exactly this name.
    base = whole[: len(whole) - len(extension) - 1] if extension else whole
    return _Candidate(base, extension, 0 if whole == host.name else 2)


def _stays(name: str) -> bool:
    """Whether a name that no other is in the way of becomes itself as a Joliet name."""
    return (
        len(name) <= LONG_NAME
        and NOT_JOLIET.search(name) is None
        and name[-1:] not in ("", " ", ".")
        and (name.isascii() or unicodedata.is_normalized("NFC", name))
        and capitals(name.partition(".")[0]).rstrip(" ") not in DEVICES
    )


def _long_parts(name: str, is_folder: bool) -> tuple[str, str]:
    base, extension = (name, "") if is_folder else _split(name)
    # A sentence with a dot in it has no extension.
    return (base, extension) if len(extension) <= LONG_NAME // 2 else (name, "")


def _cut_long(base: str, suffix: str, extension: str) -> str:
    room = LONG_NAME - len(suffix) - (len(extension) + 1 if extension else 0)
    stem = base[:room]
    if suffix or not extension:
        stem = stem.rstrip(" .")
    return _join(stem + suffix, extension) or "_"


def _split(name: str) -> tuple[str, str]:
    """Split at the last dot; leading dots belong to the name and not to an extension."""
    body = name.lstrip(".")
    base, dot, extension = body.rpartition(".")
    lead = name[: len(name) - len(body)]
    return (lead + base, extension) if dot else (name, "")


def _join(base: str, extension: str) -> str:
    return f"{base}.{extension}" if extension else base


class Label(NamedTuple):
    """The volume identifier of both trees."""

    short: str
    long: str


def disc_label(text: str, number: int = 0) -> Label:
    """Return both volume identifiers for a label; a number above 0 is put at their ends."""
    if not number:
        return Label(iso_label(text), long_label(text))
    short_end, long_end = f"_{number}", f" {number}"
    return Label(
        iso_label(text)[: ISO_LABEL - len(short_end)] + short_end,
        long_label(text)[: LONG_LABEL - len(long_end)].rstrip() + long_end,
    )


def iso_label(text: str) -> str:
    """Return a volume identifier of d-characters, at most 32 of them (ECMA-119 8.4.6)."""
    return NOT_D_CHARACTER.sub("_", ascii_text(text).upper().strip())[:ISO_LABEL] or "DISC"


def long_label(text: str) -> str:
    """Return a Joliet volume identifier: at most 16 characters of the label."""
    label = NOT_JOLIET.sub("_", composed(text)).strip()
    return label[:LONG_LABEL].rstrip() or "DISC"
