"""Cabinets in several files: the parts beside the first are joined into one in a spool.

Which part follows is what each says itself; the number of the set and the count of its parts
tell whether it is the right one. The layout is that of
:mod:`mediashelf.formats.packed.cabinet_sets`.
"""

from __future__ import annotations

from contextlib import closing
from typing import NamedTuple, NoReturn

from mediashelf.errors import FormatError, InputError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.cabinet import (
    MAX_HEADER_SIZE,
    CabinetHeader,
    Compression,
    compressions,
    parse_cabinet_header,
)
from mediashelf.formats.packed.cabinet_sets import JoinedCabinet, LostFile
from mediashelf.image import ClosableView
from mediashelf.trees.bytes import Spool
from mediashelf.trees.joined.parts import (
    Beside,
    LaterPartError,
    missing_part,
    name_in,
    refuse_later,
)

MOST_CABINETS = 256
"""Parts of a set that are joined (own choice)."""

_WHAT = "cabinet"


class WholeCabinet(NamedTuple):
    """The bytes of a plain cabinet, files that are not in it, and what else is not known."""

    view: View
    lost: tuple[LostFile, ...] = ()
    gap: str = ""


def whole_cabinet(where: str, view: View, beside: Beside) -> WholeCabinet:
    """Return a cabinet with all that can be had: ``view`` itself, or parts joined in a spool.

    Raises :class:`LaterPartError` for a part that is opened with an earlier one, and
    :class:`InputError` where a part is of another set or damaged, or no file is whole.
    """
    try:
        header = _read_header(view)
        methods = compressions(view, header)
    except FormatError:
        return WholeCabinet(view)  # the library says what is wrong
    if header.previous:
        _refuse_later(where, header, beside)
    if not (header.previous or header.following) and (
        Compression.QUANTUM not in methods or len(set(methods)) == 1
    ):
        return WholeCabinet(view)
    joined = JoinedCabinet(header.previous)
    number, missing = 1, ""
    with closing(Spool()) as data:
        _add(where, _part(where, header), joined, data, view)
        while header.following:
            number, name = number + 1, header.following
            if number > MOST_CABINETS:
                raise InputError(
                    f"{where}: is a cabinet in more than {MOST_CABINETS} files, and no longer "
                    "ones are opened; unpack it, and use the folder"
                )
            part = _find(name, beside)
            if part is None:
                missing = name
                break
            with closing(part):
                words = f"part {number:,} ({name})"
                header = _next_header(where, words, header, part)
                _add(where, words, joined, data, part)
        try:
            head = joined.head(missing)
        except FormatError as error:
            raise _damaged(where, "the last part", error) from error
        if joined.is_empty:
            _refuse_empty(where, view, number, missing)
        return WholeCabinet(
            Spool().extend([head]).copy(data), joined.lost, _gap(view, number, missing)
        )


def _part(where: str, header: CabinetHeader) -> str:
    return f"part {'1' if not header.previous else header.index + 1} ({name_in(where)})"


def _gap(view: View, number: int, missing: str) -> str:
    """Return what is not known of a set whose first or last parts are not there."""
    gaps = [_read_header(view).previous, missing]
    words = " and ".join(name for name in gaps if name)
    return (
        f"{words} of this cabinet in several files is not beside it, and files that only it holds "
        "are not listed"
        if words
        else ""
    )


def _refuse_empty(where: str, view: View, number: int, missing: str) -> NoReturn:
    before = _read_header(view).previous
    if before:
        raise LaterPartError(
            f"{where}: is a later part of a cabinet in several files; "
            f"put {before} and all others beside it",
            "",
        )
    if missing:
        raise missing_part(where, _WHAT, number, missing)
    raise InputError(f"{where}: is a cabinet compressed by Quantum, which cannot be opened here")


def _add(where: str, words: str, joined: JoinedCabinet, data: Spool, part: View) -> None:
    try:
        size = _read_header(part).size
        if size > part.size:
            raise InputError(
                f"{where}: {words} of the cabinet is cut short: it has {part.size:,} bytes, its "
                f"header says {size:,}; get it again"
            )
        data.extend(joined.add(part))
    except FormatError as error:
        raise _damaged(where, words, error) from error


def _next_header(where: str, words: str, before: CabinetHeader, part: View) -> CabinetHeader:
    """Return the header of a part, which must be the one that follows."""
    try:
        header = _read_header(part)
    except FormatError as error:
        raise _damaged(where, words, error) from error
    remedy = "put the parts of one set into a folder of their own"
    if header.set_id != before.set_id:
        raise InputError(
            f"{where}: {words} is of another set of cabinets: its set number is "
            f"{header.set_id:,}, expected {before.set_id:,}; {remedy}"
        )
    if header.index != before.index + 1:
        raise InputError(
            f"{where}: {words} is not the one that follows in the set: it is number "
            f"{header.index:,}, expected {before.index + 1:,}; {remedy}"
        )
    return header


def _refuse_later(where: str, own: CabinetHeader, beside: Beside) -> None:
    """Go back to the first part that is here, and refuse a later one than that.

    Where a file spans many, a part names not the one before it, but that in which the file begins.
    """
    header, last = own, ""
    for _ in range(MOST_CABINETS):
        name = header.previous
        other = _find(name, beside)
        if other is None:
            if header is own:
                return  # the first that is here: files that begin in it can be had
            refuse_later(where, _WHAT, "a later part", last, beside)
        with closing(other):
            try:
                found = _read_header(other)
            except FormatError:
                break
        if found.set_id != own.set_id or found.index >= header.index:
            raise LaterPartError(
                f"{where}: is a later part of a cabinet in several files, and {name} beside it "
                "is not of the same set; put the parts of one set into a folder of their own",
                "",
            )
        header, last = found, name
        if not header.previous:
            refuse_later(where, _WHAT, f"part {own.index - header.index + 1:,}", name, beside)
    raise LaterPartError(
        f"{where}: is a later part of a cabinet in several files; "
        f"put {header.previous} and all others beside it",
        "",
    )


def _find(name: str, beside: Beside) -> ClosableView | None:
    """Return the file of this name; a name that is a path is that of none."""
    return beside(name) if name_in(name) == name and name not in (".", "..") else None


def _read_header(view: View) -> CabinetHeader:
    return parse_cabinet_header(view.read(0, MAX_HEADER_SIZE))


def _damaged(where: str, words: str, error: FormatError) -> InputError:
    return InputError(f"{where}: {words} of the cabinet is damaged: {error}; get it again")
