"""Who is told while an older catalogue is brought up to date: nobody, until somebody asks to be."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext

LABEL = "bringing the catalogue up to date"

Telling = Callable[[str], AbstractContextManager[object]]

_telling: Telling = nullcontext


def tell_upgrades(telling: Telling) -> None:
    """Have ``telling`` opened, with a label, around each upgrade: it can take minutes."""
    global _telling
    _telling = telling


def upgrading() -> AbstractContextManager[object]:
    """Return what to open around an upgrade."""
    return _telling(LABEL)
