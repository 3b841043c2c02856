"""What is checked about the root directory's record in a volume descriptor (ECMA-119 8.4.18)."""

from __future__ import annotations

from mediashelf.formats.iso.directories.directory_records import SELF_IDENTIFIER
from mediashelf.formats.iso.directories.record_flags import log_record_flags
from mediashelf.formats.iso.volume_descriptor import VolumeDescriptor
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import FLAG_DIRECTORY, parse_record_date

_AT = 156  # byte of the descriptor at which the record begins


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
    log_record_flags(
        descriptor.root.flags,
        descriptor.name,
        descriptor.offset + _AT,
        log,
        judged=0xFF,
        has_attributes=descriptor.data[_AT + 1] > 0,
        subject="the root directory's record",
    )


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
