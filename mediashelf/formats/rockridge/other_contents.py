"""Files whose recorded bytes are not what Rock Ridge says that they hold.

A symbolic link (RRIP 1.12, 4.1.3) has no bytes of its own; a file with ZF is compressed,
and the Linux kernel 6.12 unpacks it as it is read (fs/isofs/rock.c, compress.c). Neither
is done here, nor by systems that know nothing of these entries.
"""

from __future__ import annotations

from mediashelf.formats.problem_log import ProblemLog
from mediashelf.text import count_text

LINKS_RULE, COMPRESSED_RULE = "rockridge-links", "rockridge-compressed"
_COMPRESSED = b"pz"  # the one method that the kernel knows, at the start of ZF


def rule_for(signature: bytes, body: bytes) -> str | None:
    """Return the rule that an entry of a file falls under, if any."""
    if signature == b"SL":
        return LINKS_RULE
    return COMPRESSED_RULE if signature == b"ZF" and body[:2] == _COMPRESSED else None


class OtherContents:
    """Counts such files, for one finding a rule."""

    def __init__(self) -> None:
        self._counts: dict[str, int] = {}
        self._first: dict[str, tuple[str, int]] = {}

    def count(self, rule: str, where: str, offset: int) -> None:
        """Count one file; the place of the first is kept."""
        self._counts[rule] = self._counts.get(rule, 0) + 1
        self._first.setdefault(rule, (where, offset))

    def log_all(self, log: ProblemLog) -> None:
        """Log how many there were, at the place of the first."""
        for rule, count in self._counts.items():
            where, offset = self._first[rule]
            if rule == LINKS_RULE:
                what = count_text(count, "symbolic link")
                form = "as an empty file" if count == 1 else "as empty files"
                found, expected = "SL", "a file with bytes of its own"
            else:
                what = f"{count_text(count, 'file')} compressed with zisofs"
                form = "without unpacking"
                found, expected = "ZF", "a file that is not compressed"
            message = f"{what}, read {form}"
            log.add(rule, where, message, offset=offset, found=found, expected=expected)
