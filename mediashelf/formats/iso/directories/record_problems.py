"""What can be wrong with the form of a directory's records, put into words."""

from __future__ import annotations

from mediashelf.formats.fields import BothOrders, is_zero
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

SHORTEST_RECORD = 34  # 33 bytes of fields and one of identifier
FIXED_SIZE = 33


def log_both_orders(
    number: BothOrders, name: str, where: str, offset: int, log: ProblemLog
) -> None:
    """Log a number that is not the same in both byte orders."""
    if number.agrees:
        return
    # Common practice of some writers; most readers take the other copy (7.2.3 and 7.3.3).
    if number.is_half_recorded:
        rule, message = "both-orders-recorded", f"only one copy of {name} is recorded"
    else:
        rule, message = "both-orders-agree", f"the two copies of {name} differ"
    log.add(
        rule,
        where,
        message,
        offset=offset,
        found=f"{number.little} and {number.big}",
        expected="one number in both byte orders",
    )


class RecordProblems:
    """Logs problems of one directory; all places are offsets within its data."""

    def __init__(self, offset: int, where: str, log: ProblemLog) -> None:
        self._offset, self._where, self._log = offset, where, log

    def rest(self, data: bytes, at: int, end: int) -> None:
        """Log what follows the last record of a sector, where it is not zeros."""
        bytes_left = data[at:end]
        if not is_zero(bytes_left):
            first = at + len(bytes_left) - len(bytes_left.lstrip(b"\0"))
            self._log.add(
                "sector-rest-zero",
                self._where,
                "bytes other than zero after the last record of a sector; records may be lost",
                offset=self._offset + first,
                found=f"byte {data[first]:#04x}",
                expected="zeros up to the end of the sector",
            )
        elif at % SECTOR_SIZE == 0 and at:
            self._log.add(
                "sector-with-records",
                self._where,
                f"sector {at // SECTOR_SIZE + 1} of the directory holds no record; "
                "files and directories may be lost",
                offset=self._offset + at,
                length=end - at,
                found="zeros",
                expected="directory records",
            )

    def gap(self, at: int) -> None:
        """Log a sector whose records end at ``at`` although the next would have fitted."""
        self._log.add(
            "records-without-gap",
            self._where,
            "a sector has room for the next record, which is in the sector after it; "
            "files and directories may be lost",
            offset=self._offset + at,
            length=-at % SECTOR_SIZE,
        )

    def bad_length(self, length: int, at: int, room: int) -> None:
        """Log a record that is too short, or longer than the ``room`` bytes it has."""
        if length < SHORTEST_RECORD:
            self._log.add(
                "record-length",
                self._where,
                f"a record of {length:,} bytes is too short; the rest of its sector was not read",
                offset=self._offset + at,
                found=length,
                expected=f"at least {SHORTEST_RECORD}",
            )
        else:
            self._log.add(
                "record-inside-sector",
                self._where,
                f"a record of {length:,} bytes extends past the end of its sector or directory; "
                "the rest of its sector was not read",
                offset=self._offset + at,
                found=length,
                expected=f"at most {room}",
            )

    def bad_identifier(self, length: int, identifier_size: int, at: int) -> None:
        """Log an identifier that is empty or larger than its record."""
        self._log.add(
            "record-length",
            self._where,
            f"the record's identifier of {identifier_size:,} bytes does not fit; "
            "the rest of its sector was not read",
            offset=self._offset + at,
            found=f"record length {length}, identifier length {identifier_size}",
            expected=f"an identifier of 1 to {length - FIXED_SIZE:,} bytes",
        )

    def disagreement(
        self, little: tuple[int, int, int], big: tuple[int, int, int], at: int
    ) -> None:
        """Log the numbers (extent, data length, sequence) whose two copies differ."""
        fields = (("extent", 2), ("data length", 10), ("volume sequence number", 28))
        for (name, place), low, high in zip(fields, little, big, strict=True):
            log_both_orders(
                BothOrders(low, high),
                f"a record's {name}",
                self._where,
                self._offset + at + place,
                self._log,
            )

    def stray(self, at: int, identifier: bytes) -> None:
        """Log a self or parent record that is not one of the first two."""
        self._log.add(
            "self-record",
            self._where,
            "a self or parent record is among the other records",
            offset=self._offset + at,
            found=identifier.hex(),
            expected="only as the first two records",
        )
