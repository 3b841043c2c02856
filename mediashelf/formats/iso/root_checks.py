"""What is checked about the root directory's record in a volume descriptor (ECMA-119 8.4.18)."""

from __future__ import annotations

from mediashelf.formats.iso.directories.directory_records import (
    FILE_FLAGS,
    RESERVED_FLAGS,
    SELF_IDENTIFIER,
)
from mediashelf.formats.iso.volume_descriptor import VolumeDescriptor
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import FLAG_DIRECTORY, parse_record_date

_AT = 156  # byte of the descriptor at which the record begins

_NEVER_OF_ROOT = (
    (RESERVED_FLAGS, "reserved file flags set", "bits 5 and 6 zero"),
    (FILE_FLAGS, "flags set that only files may have", "bits 2, 3 and 7 zero"),
)


def log_root_problems(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    """Log what is wrong with the record; what its numbers say is checked with those around it."""
    _log_form(descriptor, log)
    _log_flags(descriptor, log)
    _log_date(descriptor, log)


def _log_form(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    root = descriptor.root
    wrong = []
    if root.length != 34:
        wrong.append(f"length {root.length}")
    if root.identifier != SELF_IDENTIFIER or descriptor.data[_AT + 32] != 1:
        wrong.append(f"identifier {root.identifier.hex() or 'empty'}")
    if not root.flags & FLAG_DIRECTORY:
        wrong.append(f"file flags {root.flags:#04x}")
    if not root.size.value:
        wrong.append("data length 0")
    if any(descriptor.data[_AT + 26 : _AT + 28]):
        wrong.append("interleaved")
    if wrong:
        log.add(
            "root-record",
            descriptor.name,
            "the root directory's record is not valid",
            offset=descriptor.offset + _AT,
            length=34,
            found=", ".join(wrong),
            expected="length 34, identifier 00, a directory with records",
        )


def _log_flags(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    flags = descriptor.root.flags
    for bits, words, expected in _NEVER_OF_ROOT:
        if flags & bits:
            log.add(
                "record-flags",
                descriptor.name,
                f"the root directory's record has {words}",
                offset=descriptor.offset + _AT + 25,
                found=f"{flags:#04x}",
                expected=expected,
            )
            return


def _log_date(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    date = descriptor.data[_AT + 18 : _AT + 25]
    if any(date) and parse_record_date(date) is None:
        log.add(
            "record-date",
            descriptor.name,
            "the date of the root directory's record is not valid",
            offset=descriptor.offset + _AT + 18,
            length=7,
            found=date.hex(" "),
            expected="year, month, day, hour, minute, second, UTC offset",
        )
