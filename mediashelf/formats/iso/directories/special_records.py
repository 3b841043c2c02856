"""What is checked about the first two records of a directory: itself, and its parent (6.8.2.2)."""

from __future__ import annotations

from mediashelf.formats.iso.directories.record_columns import DirectoryRecord
from mediashelf.formats.iso.directories.record_flags import log_record_flags
from mediashelf.formats.iso.naming import Directory
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import FLAG_DIRECTORY, FLAG_MULTI_EXTENT, SECTOR_SIZE


def log_self_record(directory: Directory, record: DirectoryRecord | None, log: ProblemLog) -> None:
    """Log what is wrong with the record that describes the directory itself."""
    _log_special("self-record", directory, directory, record, log)


def log_parent_record(
    directory: Directory, parent: Directory, record: DirectoryRecord | None, log: ProblemLog
) -> None:
    """Log what is wrong with the record that describes the parent.

    One that is there and wrong keeps nobody from anything below the root; that of the root, which
    is its own parent, tells a root from other directories.
    """
    is_needed = record is None or parent is directory
    rule = "parent-record" if is_needed else "parent-record-agrees"
    _log_special(rule, directory, parent, record, log)


def _log_special(
    rule: str,
    directory: Directory,
    described: Directory,
    record: DirectoryRecord | None,
    log: ProblemLog,
) -> None:
    name = rule.partition("-")[0]
    if record is None:
        log.add(
            rule,
            directory.where,
            f"the directory has no {name} record at its place",
            offset=directory.offset,
            expected="identifier 00 first, then identifier 01",
        )
        return
    offset = directory.offset + record.at
    if record.lba != described.lba or not _size_is_right(directory, described, record):
        log.add(
            rule,
            directory.where,
            f"the {name} record does not match the directory's extent",
            offset=offset,
            found=f"LBA {record.lba}, {record.size:,} bytes",
            expected=f"LBA {described.lba}, {described.size:,} bytes",
        )
    elif not record.flags & FLAG_DIRECTORY:
        log.add(
            rule,
            directory.where,
            f"the {name} record is not marked as a directory",
            offset=offset + 25,
            found=f"{record.flags:#04x}",
            expected="bit 1 set",
        )
    elif record.flags & FLAG_MULTI_EXTENT:
        log_record_flags(record.flags, directory.where, offset, log, judged=FLAG_MULTI_EXTENT)


def _size_is_right(directory: Directory, described: Directory, record: DirectoryRecord) -> bool:
    """Whether a self or parent record's data length is acceptable.

    Common practice: some writers leave in parent records the length that the
    parent had when they added the directory, and readers use only the location.
    """
    is_older = 0 < record.size < described.size and record.size % SECTOR_SIZE == 0
    return record.size == described.size or (directory is not described and is_older)
