"""The file flags of a record (ECMA-119 9.1.6): which it may not have, put into words."""

from __future__ import annotations

from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import (
    FLAG_ASSOCIATED,
    FLAG_DIRECTORY,
    FLAG_MULTI_EXTENT,
    FLAG_PROTECTION,
    FLAG_RECORD,
)

_RESERVED = 0x60
_OF_ATTRIBUTES = FLAG_RECORD | FLAG_PROTECTION  # of an extended attribute record
_OF_FILES = FLAG_ASSOCIATED | FLAG_RECORD | FLAG_MULTI_EXTENT  # never of a directory

ODD_FLAGS = _RESERVED | _OF_ATTRIBUTES | FLAG_ASSOCIATED
"""What few records have, and some must not; sections are judged one with another."""


def log_record_flags(
    flags: int,
    where: str,
    offset: int,
    log: ProblemLog,
    *,
    judged: int = ODD_FLAGS,
    has_attributes: bool = False,
    subject: str = "the record",
) -> None:
    """Log those of the ``judged`` flags that the record at byte ``offset`` may not have.

    ``has_attributes`` tells that it has an extended attribute record.
    """
    wrong = []
    if flags & judged & _RESERVED:
        wrong.append(("has reserved file flags set", "bits 5 and 6 zero"))
    if flags & FLAG_DIRECTORY and flags & judged & _OF_FILES:
        words = "is of a directory, and has flags set that only files may have"
        wrong.append((words, "bits 2, 3 and 7 zero"))
    elif flags & judged & _OF_ATTRIBUTES and not has_attributes:
        words = "refers to an extended attribute record, and has none"
        wrong.append((words, "bits 3 and 4 zero"))
    for words, expected in wrong:
        message, found = f"{subject} {words}", f"{flags:#04x}"
        log.add("record-flags", where, message, offset=offset + 25, found=found, expected=expected)
