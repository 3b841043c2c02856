"""Cabinets in several files: the parts beside the first are joined into one in a spool.

Which part follows is what each says itself; the number of the set and the count of its parts
tell whether it is the right one. The layout is that of
:mod:`mediashelf.formats.packed.cabinets.joined`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from typing import NamedTuple, NoReturn

from mediashelf.errors import FormatError, InputError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.cabinets.joined import JoinedCabinet, LostFile
from mediashelf.formats.packed.cabinets.records import (
    CabinetHeader,
    Compression,
    compressions,
    read_cabinet_header,
)
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


class Gap(NamedTuple):
    """What is not known of a set, and what to do."""

    fact: str
    remedy: str


class WholeCabinet(NamedTuple):
    """The bytes of a plain cabinet, files that are not in it, and what else is not known."""

    view: View
    lost: tuple[LostFile, ...] = ()
    gaps: tuple[Gap, ...] = ()


class _Fault(NamedTuple):
    """A part that is damaged, or with no reason not beside the others."""

    name: str
    why: str = ""
    unlisted: str = "; files that only it or a later part holds are not listed"

    @property
    def state(self) -> str:
        return "is damaged" if self.why else "is not beside the archive"

    @property
    def gap(self) -> Gap:
        part = f"{self.name} of this cabinet in several files is"
        if self.why:
            return Gap(f"{part} damaged: {self.why}{self.unlisted}", "get it again")
        fact = f"{part} not beside it, and files that only it holds are not listed"
        return Gap(fact, "put all parts into one folder")


def whole_cabinet(where: str, view: View, beside: Beside) -> WholeCabinet:
    """Return a cabinet with all that can be had: ``view`` itself, or parts joined in a spool.

    Raises :class:`LaterPartError` for a part that is opened with an earlier one, and
    :class:`InputError` where a part is of another set, or no file is whole.
    """
    try:
        header = read_cabinet_header(view)
        methods = compressions(view, header)
    except FormatError:
        return WholeCabinet(view)  # the library says what is wrong
    before = _refuse_later(where, header, view.size, beside) if header.previous else None
    if not (header.previous or header.following) and (
        Compression.QUANTUM not in methods or len(methods) == 1
    ):
        return WholeCabinet(view)
    joined = JoinedCabinet(
        f"it begins before this part, and {before.name} {before.state}" if before else ""
    )
    faults = [before] if before else []
    number, name, after = 1, name_in(where), ""
    with closing(Spool()) as data:
        faults += _add(name, joined, data, view)
        while header.following and not after:
            number, name = number + 1, header.following
            if number > MOST_CABINETS:
                raise InputError(
                    f"{where}: is a cabinet in more than {MOST_CABINETS} files, and no longer "
                    "ones are opened; unpack it, and use the folder"
                )
            following = _next_part(where, number, name, header, beside)
            if isinstance(following, _Fault):
                faults.append(following)
                after = f"it goes on in {name}, which {following.state}"
            else:
                header, part = following
                with closing(part):
                    faults += _add(name, joined, data, part)
        if joined.goes_on and not after:
            faults.append(_Fault(name, "its last file goes on, and it names no part after it", ""))
            after = f"it goes on in another part, which {name} does not name"
        try:
            head = joined.head(after)
        except FormatError as error:
            raise InputError(f"{where}: the cabinet cannot be joined: {error}") from error
        if joined.is_empty:
            _refuse_empty(where, faults, before, number)
        gaps = tuple(fault.gap for fault in faults)
        return WholeCabinet(Spool().extend([head]).copy(data), joined.lost, gaps)


def _add(name: str, joined: JoinedCabinet, data: Spool, part: View) -> Iterator[_Fault]:
    """Add a part as far as it is sound, and yield what is wrong with it."""
    size = read_cabinet_header(part).size
    why = ""
    try:
        data.extend(joined.add(part, name))
    except FormatError as error:
        why = str(error)
    if size > part.size:
        why = f"it has {part.size:,} bytes, its header says {size:,}: it is cut short"
    if why:
        is_listed = joined.knows_files
        yield _Fault(name, why, "" if is_listed else "; files that only it holds are not listed")


def _next_part(
    where: str, number: int, name: str, before: CabinetHeader, beside: Beside
) -> tuple[CabinetHeader, ClosableView] | _Fault:
    """Return the part that follows with its header; raises :class:`InputError` for another."""
    part = _find(name, beside)
    if part is None:
        return _Fault(name)
    try:
        header = read_cabinet_header(part)
        _refuse_other(f"{where}: part {number:,} ({name})", before, header)
    except FormatError as error:
        part.close()
        return _Fault(name, str(error))
    except BaseException:
        part.close()
        raise
    return header, part


def _refuse_other(part: str, before: CabinetHeader, header: CabinetHeader) -> None:
    remedy = "put the parts of one set into a folder of their own"
    if header.set_id != before.set_id:
        raise InputError(
            f"{part} is of another set of cabinets: its set number is "
            f"{header.set_id:,}, expected {before.set_id:,}; {remedy}"
        )
    if header.index != before.index + 1:
        raise InputError(
            f"{part} is not the one that follows in the set: it is number "
            f"{header.index:,}, expected {before.index + 1:,}; {remedy}"
        )


def _refuse_empty(where: str, faults: list[_Fault], before: _Fault | None, number: int) -> NoReturn:
    damaged = next((fault for fault in faults if fault.why), None)
    if damaged is not None:
        raise InputError(
            f"{where}: {damaged.name} of the cabinet is damaged: {damaged.why}; get it again"
        )
    if before is not None:
        raise LaterPartError(
            f"{where}: is a later part of a cabinet in several files; "
            f"put {before.name} and all others beside it",
            "",
        )
    if faults:
        raise missing_part(where, _WHAT, number, faults[-1].name)
    raise InputError(f"{where}: is a cabinet compressed by Quantum, which cannot be opened here")


def _refuse_later(where: str, own: CabinetHeader, size: int, beside: Beside) -> _Fault:
    """Go back to the first part that is here, and refuse a later one than that.

    For the first one itself, whose files can be had, return why the part before it cannot.

    Where a file spans many, a part names not the one before it, but that in which the file begins.
    """
    header, last = own, ""
    for _ in range(MOST_CABINETS):
        name = header.previous
        found = _header_of(name, beside)
        if isinstance(found, _Fault):
            if header is own:
                return found
            _refuse_cut(where, "a later part", own, size)
            refuse_later(where, _WHAT, "a later part", last, beside)
        if found.set_id != own.set_id or found.index >= header.index:
            raise LaterPartError(
                f"{where}: is a later part of a cabinet in several files, and {name} beside it "
                "is not of the same set; put the parts of one set into a folder of their own",
                "",
            )
        header, last = found, name
        if not header.previous:
            part = f"part {own.index - header.index + 1:,}"
            _refuse_cut(where, part, own, size)
            refuse_later(where, _WHAT, part, name, beside)
    raise LaterPartError(
        f"{where}: is a later part of a cabinet in several files; "
        f"put {header.previous} and all others beside it",
        "",
    )


def _refuse_cut(where: str, part: str, own: CabinetHeader, size: int) -> None:
    if own.size > size:
        raise InputError(
            f"{where}: is {part} of a set of cabinets, and cut short: it has {size:,} bytes, its "
            f"header says {own.size:,}; get it again"
        )


def _header_of(name: str, beside: Beside) -> CabinetHeader | _Fault:
    part = _find(name, beside)
    if part is None:
        return _Fault(name)
    with closing(part):
        try:
            return read_cabinet_header(part)
        except FormatError as error:
            words = "; files that only it or an earlier part holds are not listed"
            return _Fault(name, str(error), words)


def _find(name: str, beside: Beside) -> ClosableView | None:
    """Return the file of this name; a name that is a path is that of none."""
    return beside(name) if name_in(name) == name and name not in (".", "..") else None
