"""What a card that was pulled in the middle of work may be like, where that is dangerous.

FAT keeps no journal. When the card goes at the moment of a renaming, both names can
be on it and share their clusters: removing either spoils the other
(seen on Linux 6.1). What prepare needs then is the file system's own checker.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from mediashelf.files import is_partial, is_partial_of
from mediashelf.findings import Finding, Severity
from mediashelf.sessions.card_space import CardFacts, fat_check
from mediashelf.sessions.cards.records import CardRecords
from mediashelf.sessions.reading_back import digest_or_none

TWO_NAMES_RULE = "card-has-one-name-for-a-file"
"""An error of this rule cannot be overridden: going on would lose data."""

_SOURCE = "seen on Linux 6.1: FAT keeps no journal, and a card was pulled during a renaming"


def check_pulled_card(folder: Path, card: CardFacts, records: CardRecords) -> Iterator[Finding]:
    """Yield what must be known of a FAT card on which a run did not come to its end."""
    if not card.is_fat:
        return
    remedy = f"{fat_check(card.device)}; then run again"
    doubled = list(_doubled(folder))
    for one, other in doubled:
        yield Finding(
            TWO_NAMES_RULE,
            Severity.ERROR,
            one,
            f"{other} has the same bytes: the card was pulled out during a renaming, both "
            "names may "
            "share the same clusters, and removing one would destroy the other",
            remedy,
            _SOURCE,
        )
    if records.was_stopped and not doubled:
        yield Finding(
            "card-was-let-go",
            Severity.NOTE,
            "the card",
            "the last run of prepare on this card was stopped; if the card was pulled out, "
            "it may have lost space",
            remedy,
            _SOURCE,
        )


def _doubled(folder: Path) -> Iterator[tuple[str, str]]:
    """Yield pairs of names, one of them of a half-done file, that may be one file."""
    names = sorted(path.name for path in folder.iterdir() if path.is_file())
    for partial in filter(is_partial, names):
        for name in names:
            is_other = name != partial and is_partial_of(partial, name)
            if is_other and _are_alike(folder / partial, folder / name):
                yield partial, name


def _are_alike(one: Path, other: Path) -> bool:
    size = one.stat().st_size
    if not size or size != other.stat().st_size:
        return False
    return digest_or_none(one) == digest_or_none(other)
