"""Run a check of a self-checking format over bytes in memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from byte_views import BytesView
from mediashelf.formats.fields import View
from mediashelf.integrity.inside.selfchecks.faults import Fault, Tally

Check = Callable[[View, Tally], Iterator[Fault]]


def faults(check: Check, data: bytes) -> list[Fault]:
    """What the check finds, all of it within the file."""
    found = list(check(BytesView(data), Tally()))
    for fault in found:
        assert fault.offset >= 0
        assert fault.size >= 0
        assert fault.message
        assert fault.source
    return found


def rules(check: Check, data: bytes) -> set[str]:
    return {fault.rule for fault in faults(check, data)}


def tally(check: Check, data: bytes) -> Tally:
    """What the check verified in an undamaged file."""
    counted = Tally()
    assert list(check(BytesView(data), counted)) == []
    return counted
