"""What each system use entry must look like: lengths, versions, flags and numbers.

Clauses are those of SUSP 1.12 (section 5) and RRIP 1.12 (section 4.1).
"""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Callable

from mediashelf.formats.fields import parse_descriptor_date
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import parse_record_date
from mediashelf.text import count_text

HEADER_SIZE = 4
_LINKS = (b"CE", b"CL", b"PL")  # numbers in them lead to other places

# How long an entry of each kind may be, with its header; None where its contents decide.
_LENGTHS: dict[bytes, tuple[int, ...] | None] = {
    b"CE": (28,),  # SUSP 5.1
    b"PD": None,  # SUSP 5.2: padding
    b"SP": (7,),  # SUSP 5.3
    b"ST": (4,),  # SUSP 5.4
    b"ER": None,  # SUSP 5.5
    b"ES": (5,),  # SUSP 5.6
    b"PX": (36, 44),  # RRIP 4.1.1; 36 before 1.12
    b"PN": (20,),  # RRIP 4.1.2
    b"SL": None,  # RRIP 4.1.3
    b"NM": None,  # RRIP 4.1.4
    b"CL": (12,),  # RRIP 4.1.5.1
    b"PL": (12,),  # RRIP 4.1.5.2
    b"RE": (4,),  # RRIP 4.1.5.3
    b"TF": None,  # RRIP 4.1.6
    b"RR": (5,),  # of the edition before RRIP 1.12, from memory
}
_PAIRS = {b"PX": 4, b"PN": 2, b"CL": 1, b"PL": 1, b"CE": 3}  # numbers in both byte orders
_LITTLE, _BIG = struct.Struct("<I4x"), struct.Struct(">4xI")
_LINK_GOES_ON = 0x01  # flag of SL
_NAME_FLAGS = range(8)  # of NM: the name goes on, is that of the directory itself, of its parent
_LONG_DATES = 0x80  # flag of TF: 17 bytes a date instead of 7

# What writers put into each record or into none: 35 of 35 images by several programs, measured.
_IN_EACH = (b"PX", b"TF", b"RR")
_KIND_BITS = 0o170000  # of a mode, as in POSIX; what else a file of a kind has:
_NEEDED = {0o120000: b"SL", 0o020000: b"PN", 0o060000: b"PN"}

# What the byte of RR promises, by signature.
_PROMISES = {b"PX": 1, b"PN": 2, b"SL": 4, b"NM": 8, b"CL": 16, b"PL": 32, b"RE": 64, b"TF": 128}


class EntryChecks:
    """Judges entries one by one; remembers what it has found good, as most entries repeat."""

    def __init__(self, log: ProblemLog) -> None:
        self._log = log
        self.good: set[bytes] = set()
        # Of those in each record: how many have it, how many lack it, the first that does.
        self._having: Counter[bytes] = Counter()
        self._lacking: Counter[bytes] = Counter()
        self._first_lacking: dict[bytes, tuple[str, int]] = {}

    def judge(self, entry: bytes, where: str, offset: int) -> None:
        """Log what is wrong with one whole entry."""
        if entry in self.good:
            return
        signature, size, version = entry[:2], entry[2], entry[3]
        if signature == b"NM" and version == 1 and entry[HEADER_SIZE:] and entry[4] in _NAME_FLAGS:
            return  # whatever is left is the name; hardly two are equal, so none is remembered
        is_good = True

        def add(rule: str, message: str, found: object, expected: object) -> None:
            nonlocal is_good
            is_good = False
            name = signature.decode("latin-1") if _is_name(signature) else signature.hex(" ")
            self._log.add(
                rule,
                where,
                f"the system use entry {name} {message}",
                offset=offset,
                found=found,
                expected=expected,
            )

        if not _is_name(signature):
            expected = "two letters; what was recorded under this name is not read"
            add("rockridge-entry", "has a signature that cannot be one", repr(signature), expected)
        elif signature in _LENGTHS:
            if version != 1:
                add("rockridge-field", "has the wrong version", version, 1)
            lengths = _LENGTHS[signature] or _length_of(entry)
            if size not in lengths:
                expected = " or ".join(map(str, lengths)) or "a longer entry"
                add("rockridge-entry", "has the wrong length", f"{size:,} bytes", expected)
            else:
                _judge_pairs(entry, add)
                _judge_contents(entry, add)
        if is_good and len(self.good) < 100_000:
            self.good.add(entry)

    def judge_record(
        self, present: set[bytes], promised: int | None, mode: int, where: str, offset: int
    ) -> None:
        """Log entries that RR or the mode in PX promises for a record, and that it lacks."""
        for signature in _IN_EACH if present else ():
            if signature in present:
                self._having[signature] += 1
            else:
                self._lacking[signature] += 1
                self._first_lacking.setdefault(signature, (where, offset))
        needed = _NEEDED.get(mode & _KIND_BITS)
        if needed is not None and needed not in present:
            self._log.add(
                "rockridge-entry",
                where,
                f"a record lacks the system use entry {needed.decode()} that its mode asks for",
                offset=offset,
                found=f"mode {mode:o}, no {needed.decode()}",
                expected="where a symbolic link leads, or the number of a device",
            )
            return
        if promised is None:
            return
        missing = [
            signature.decode()
            for signature, bit in _PROMISES.items()
            if promised & bit and signature not in present
        ]
        if missing:
            self._log.add(
                "rockridge-entry",
                where,
                "a record lacks system use entries that its RR entry names",
                offset=offset,
                found=f"no {', no '.join(missing)}",
                expected=f"RR {promised:#04x}: {', '.join(missing)}",
            )

    def count_alike(self, present: frozenset[bytes]) -> None:
        """Count one more record with the same entries as one that was judged."""
        for signature in _IN_EACH:
            (self._having if signature in present else self._lacking)[signature] += 1

    def log_unlike(self) -> None:
        """Log entries that most records have and few lack: their signatures may be damaged."""
        for signature, (where, offset) in self._first_lacking.items():
            count = self._lacking[signature]
            if count < self._having[signature]:
                name = signature.decode()
                self._log.add(
                    "rockridge-entries-alike",
                    where,
                    f"{count_text(count, 'record')} without the system use entry {name}, "
                    "though most have it",
                    offset=offset,
                    found=f"no {name}",
                    expected=f"{name} in each record",
                )


def _is_name(signature: bytes) -> bool:
    return signature.isalnum() and signature.upper() == signature


def _length_of(entry: bytes) -> tuple[int, ...]:
    """Return the only length that fits an entry's own contents; empty when none does."""
    signature, body = entry[:2], entry[HEADER_SIZE:]
    if signature == b"PD":
        return (len(entry),)
    if not body:
        return ()
    if signature == b"ER":
        return (8 + sum(body[:3]),) if len(body) >= 4 else ()
    if signature == b"TF":
        dates = (body[0] & 0x7F).bit_count()
        return (5 + dates * (17 if body[0] & _LONG_DATES else 7),)
    if signature == b"SL":
        return _link_length(body)
    return (len(entry),)  # NM: whatever is left is the name


def _link_length(body: bytes) -> tuple[int, ...]:
    """Return where the components of a symbolic link end: flags, length and text each."""
    at = 1
    while at + 2 <= len(body):
        at += 2 + body[at + 1]
    return (HEADER_SIZE + at,)


def _judge_pairs(entry: bytes, add: Callable[[str, str, object, object], None]) -> None:
    """Compare the two copies of each number (ECMA-119 7.3.3)."""
    signature = entry[:2]
    for at in range(HEADER_SIZE, HEADER_SIZE + 8 * _PAIRS.get(signature, 0), 8):
        little, big = _LITTLE.unpack_from(entry, at)[0], _BIG.unpack_from(entry, at)[0]
        if little != big:
            rule = "both-orders-agree" if signature in _LINKS else "rockridge-field"
            found, expected = f"{little} and {big}", "one number in both byte orders"
            add(rule, "has a number whose two copies differ", found, expected)


def _judge_contents(entry: bytes, add: Callable[[str, str, object, object], None]) -> None:
    """Judge the dates of TF and the flags of SL and NM."""
    signature, body = entry[:2], entry[HEADER_SIZE:]
    if signature == b"TF":
        size = 17 if body[0] & _LONG_DATES else 7
        dates = [body[at : at + size] for at in range(1, len(body), size)]
        bad = [date.hex(" ") for date in dates if not is_date(date)]
        if bad:
            expected = "the form of ECMA-119 9.1.5 or 8.4.26.1"
            add("rockridge-field", "has a date that is not valid", bad[0], expected)
    elif signature == b"SL" and body[0] & ~_LINK_GOES_ON:
        add("rockridge-field", "has flags that are reserved", f"{body[0]:#04x}", "bit 0 alone")
    elif signature == b"NM" and body[0] not in _NAME_FLAGS:
        add(
            "rockridge-field", "has flags that are reserved", f"{body[0]:#04x}", "bits 0 to 2 alone"
        )


def is_date(date: bytes) -> bool:
    """Tell whether a date of TF is valid, or all zeros."""
    if len(date) != 7:
        return parse_descriptor_date(date).is_valid
    return not any(date[:6]) or parse_record_date(date) is not None
