"""What is checked about the records of one directory, beyond their form.

Each check first asks the whole directory a cheap question, and looks at single
records only when the answer is unusual.
"""

from __future__ import annotations

from mediashelf.formats.iso.directories.directory_records import (
    DirectoryRecords,
    Geometry,
    is_interleaved,
    system_use_of,
)
from mediashelf.formats.iso.directories.record_columns import RecordColumns
from mediashelf.formats.iso.directories.record_flags import log_record_flags
from mediashelf.formats.iso.directories.record_problems import FIXED_SIZE
from mediashelf.formats.iso.directories.special_records import log_parent_record, log_self_record
from mediashelf.formats.iso.naming import Directory, Named
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import parse_record_date

_NO_DATE = bytes(7)


class RecordChecks:
    """Checks records of one tree; remembers dates already seen."""

    def __init__(self, geometry: Geometry, log: ProblemLog) -> None:
        self._geometry = geometry
        self._log = log
        self._good_dates = {_NO_DATE}

    def judge(
        self,
        directory: Directory,
        parent: Directory,
        data: bytes,
        records: DirectoryRecords,
        named: Named,
    ) -> None:
        """Log what is wrong with the records of ``directory``; ``data`` are its bytes."""
        log_self_record(directory, records.self_record, self._log)
        log_parent_record(directory, parent, records.parent_record, self._log)
        geometry = self._geometry
        if records.furthest > min(geometry.image_size, geometry.volume_size):
            self._log_extents(directory, named)
        if records.has_oddities:
            self._log_oddities(directory, data, _with_special(records, named))
        if records.with_system_use == 1:
            self._log_system_use(directory, data, _with_special(records, named))
        self._log_dates(directory, records, named)
        if records.has_paddings:
            self._log_padding(directory, data, named)

    def _log_extents(self, directory: Directory, named: Named) -> None:
        geometry = self._geometry
        for record, name in zip(named.records, named.names, strict=True):
            start = record.lba * geometry.block_size
            end = start + record.size
            # The location of an empty file means nothing.
            if not record.size or end <= min(geometry.image_size, geometry.volume_size):
                continue
            inside_image = end <= geometry.image_size
            limit = geometry.volume_size if inside_image else geometry.image_size
            first_outside = max(start, limit)
            outside = end - first_outside
            self._log.add(
                "extent-inside-volume" if inside_image else "extent-inside-image",
                directory.child(name),
                f"{outside:,} of {record.size:,} bytes are past the end of the "
                + ("volume" if inside_image else "image"),
                offset=first_outside,
                length=outside,
                found=f"ends at byte {end:,}",
                expected=f"at most {limit:,}",
            )

    def _log_oddities(self, directory: Directory, data: bytes, named: Named) -> None:
        for record, name in zip(named.records, named.names, strict=True):
            at = record.at
            where, offset = directory.child(name), directory.offset + at
            if data[at] % 2:
                self._log.add(
                    "record-length-even",
                    where,
                    "the record has an odd length",
                    offset=offset,
                    found=data[at],
                    expected="an even length",
                )
            has_attributes = data[at + 1] > 0
            log_record_flags(record.flags, where, offset, self._log, has_attributes=has_attributes)
            if is_interleaved(data, record):
                self._log.add(
                    "not-interleaved",
                    where,
                    "the file is interleaved; mediashelf does not read interleaved files",
                    offset=offset + 26,
                    found=f"unit {data[at + 26]}, gap {data[at + 27]}",
                    expected="unit 0, gap 0",
                )
            sequence = int.from_bytes(data[at + 28 : at + 30], "little")
            if sequence != self._geometry.sequence_number:
                self._log.add(
                    "record-sequence-number",
                    where,
                    "the record places its data on another disc of a set",
                    offset=offset + 28,
                    found=sequence,
                    expected=self._geometry.sequence_number,
                )

    def _log_system_use(self, directory: Directory, data: bytes, named: Named) -> None:
        """Log the only record with bytes after its identifier (9.1.13).

        Whoever uses them does so in several records; an identifier that lost its end
        leaves the rest of itself there.
        """
        if len(named.records) <= 2:
            return  # there are none beside it to say so
        for record, name in zip(named.records, named.names, strict=True):
            use = system_use_of(data, record)
            if use:
                self._log.add(
                    "record-system-use",
                    directory.child(name),
                    "bytes follow the identifier in this record alone; the identifier's length may "
                    "be damaged",
                    offset=directory.offset + record.at,
                    length=data[record.at],
                    found=use[:16].hex(" "),
                    expected="nothing after the identifier, as in the records beside it",
                )

    def _log_padding(self, directory: Directory, data: bytes, named: Named) -> None:
        """Log bytes other than zero after identifiers of even length (9.1.12)."""
        for (at, identifier, *_), name in zip(named.records, named.names, strict=True):
            size = FIXED_SIZE + len(identifier)
            if size % 2 and data[at] > size and data[at + size]:
                self._log.add(
                    "reserved-field-zero",
                    directory.child(name),
                    "the padding byte after the identifier is not zero",
                    offset=directory.offset + at + size,
                    found=f"{data[at + size]:#04x}",
                    expected="0x00",
                )

    def _log_dates(self, directory: Directory, records: DirectoryRecords, named: Named) -> None:
        special = filter(None, (records.self_record, records.parent_record))
        unknown = {*named.records.dates, *(record.date for record in special)} - self._good_dates
        bad = set()
        for date in unknown:
            # 9.1.5 allows offsets from -48 to +52 quarters of an hour.
            quarter_hours = date[6] - 256 if date[6] > 127 else date[6]
            if parse_record_date(date) is None or not -48 <= quarter_hours <= 52:
                bad.add(date)
        if len(self._good_dates) < 100_000:
            self._good_dates |= unknown - bad
        if bad:
            named = _with_special(records, named)
            for record, name in zip(named.records, named.names, strict=True):
                if record.date in bad:
                    self._log.add(
                        "record-date",
                        directory.child(name),
                        "the recorded date is not valid",
                        offset=directory.offset + record.at + 18,
                        length=7,
                        found=record.date.hex(" "),
                        expected="year, month, day, hour, minute, second, UTC offset",
                    )


def _with_special(records: DirectoryRecords, named: Named) -> Named:
    """Return the records and names of a directory with its self and parent records in front."""
    pairs = ((records.self_record, "."), (records.parent_record, ".."))
    special = [(record, name) for record, name in pairs if record is not None]
    names = [name for _, name in special]
    return Named(
        RecordColumns.of([*(record for record, _ in special), *named.records]),
        names + named.identifiers,
        names + named.names,
    )
