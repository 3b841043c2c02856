"""What is checked about one volume descriptor's own fields (ECMA-119 8.4 and 8.5)."""

from __future__ import annotations

from mediashelf.formats.fields import (
    A_CHARACTERS,
    D_CHARACTERS,
    SEPARATORS,
    is_zero,
    parse_wide_text,
)
from mediashelf.formats.iso.directories.record_problems import log_both_orders
from mediashelf.formats.iso.joliet import ALLOWED, find_forbidden
from mediashelf.formats.iso.root_checks import log_root_problems
from mediashelf.formats.iso.volume_descriptor import (
    DATE_FIELDS,
    DATE_SIZE,
    LABEL_FIELD,
    PRIMARY,
    TEXT_FIELDS,
    VolumeDescriptor,
)
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

_BLOCK_SIZES = (512, 1024, 2048)

# Byte offset and length of fields that hold zeros. Offset 7 is the volume flags
# in a supplementary descriptor, and 88 its escape sequences. Of an enhanced one readers want
# zeros there too (libarchive, archive_read_support_format_iso9660.c).
_ZERO_FIELDS = ((72, 8), (882, 1), (1395, 653))
_ZERO_IN_PRIMARY = ((7, 1), (88, 32))
_ZERO_IN_JOLIET = ((91, 29),)  # after its escape sequence, 8.5.6

_TEXTS = {"label": LABEL_FIELD, **TEXT_FIELDS}
# Text fields of a primary descriptor; names of files may also have separators.
_LEGAL = dict.fromkeys(_TEXTS, bytes(A_CHARACTERS))
_LEGAL |= dict.fromkeys(("label", "volume_set"), bytes(D_CHARACTERS))
_LEGAL |= dict.fromkeys(
    ("copyright_file", "abstract_file", "bibliographic_file"), bytes(D_CHARACTERS | SEPARATORS)
)


def usable_block_size(descriptor: VolumeDescriptor) -> int:
    """Return the logical block size, or 2048 where what is recorded can't be one."""
    for size in descriptor.block_size:
        if size in _BLOCK_SIZES:
            return size
    return SECTOR_SIZE


def log_differing_sizes(
    primary: VolumeDescriptor, other: VolumeDescriptor, log: ProblemLog
) -> None:
    """Log a supplementary descriptor that gives the volume another size than the primary one."""
    sizes = [
        descriptor.space_size.value * usable_block_size(descriptor)
        for descriptor in (primary, other)
    ]
    if other.space_size.agrees and primary.space_size.agrees and sizes[0] != sizes[1]:
        log.add(
            "volume-sizes-agree",
            other.name,
            "the volume space size is not that of the primary volume descriptor",
            offset=other.offset + 80,
            length=8,
            found=f"{other.space_size.value:,} blocks",
            expected=f"{primary.space_size.value:,} blocks",
        )


def log_descriptor_problems(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    """Log what is wrong with the fields of a primary or supplementary descriptor."""
    _log_numbers(descriptor, log)
    _log_zeros(descriptor, log)
    log_root_problems(descriptor, log)
    _log_dates(descriptor, log)
    if descriptor.type == PRIMARY:
        _log_characters(descriptor, log)
    if descriptor.joliet_level:
        _log_joliet_label(descriptor, log)
        _log_joliet_flags(descriptor, log)


def _log_numbers(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    numbers = {
        "volume space size": (80, descriptor.space_size),
        "volume set size": (120, descriptor.set_size),
        "volume sequence number": (124, descriptor.sequence_number),
        "logical block size": (128, descriptor.block_size),
        "path table size": (132, descriptor.path_table_size),
        "root directory's extent": (158, descriptor.root.extent),
        "root directory's data length": (166, descriptor.root.size),
        "root directory's volume sequence number": (184, descriptor.root.sequence_number),
    }
    for name, (at, number) in numbers.items():
        if number.agrees:
            continue
        log_both_orders(number, f"the {name}", descriptor.name, descriptor.offset + at, log)
    if descriptor.block_size.value not in _BLOCK_SIZES:
        log.add(
            "block-size",
            descriptor.name,
            f"a logical block of {descriptor.block_size.value:,} bytes is not allowed; "
            f"{usable_block_size(descriptor)} is assumed",
            offset=descriptor.offset + 128,
            found=descriptor.block_size.value,
            expected="512, 1024 or 2048",
        )
    if not 0 < descriptor.sequence_number.value <= max(descriptor.set_size.value, 1):
        log.add(
            "volume-set-number",
            descriptor.name,
            "the volume sequence number is not valid",
            offset=descriptor.offset + 124,
            found=f"{descriptor.sequence_number.value} of {descriptor.set_size.value}",
            expected="1 of 1 for a single disc",
        )
    version = 2 if descriptor.is_enhanced else 1
    if descriptor.file_structure_version != version:
        log.add(
            "file-structure-version",
            descriptor.name,
            "the file structure version is wrong",
            offset=descriptor.offset + 881,
            found=descriptor.file_structure_version,
            expected=version,
        )
    log_unknown_version(descriptor, log)


def log_unknown_version(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    """Log a version that is not that of a primary, a supplementary or an enhanced descriptor."""
    if descriptor.version != 1 and not descriptor.is_enhanced:
        log.add(
            "descriptor-version",
            descriptor.name,
            "the descriptor's version is wrong",
            offset=descriptor.offset + 6,
            found=descriptor.version,
            expected="1" if descriptor.type == PRIMARY else "1 or 2",
        )


def _log_zeros(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    fields = _ZERO_FIELDS + (_ZERO_IN_PRIMARY if descriptor.type == PRIMARY else ())
    if descriptor.joliet_level:
        fields += _ZERO_IN_JOLIET
    if descriptor.is_enhanced:
        fields += _ZERO_IN_PRIMARY
    for at, size in fields:
        piece = descriptor.data[at : at + size]
        if not is_zero(piece):
            first = size - len(piece.lstrip(b"\0"))
            log.add(
                "reserved-field-zero",
                descriptor.name,
                f"byte {at + first} of the descriptor is reserved or unused, but not zero",
                offset=descriptor.offset + at + first,
                found=f"{piece[first]:#04x}",
                expected="0x00",
            )


def _log_joliet_flags(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    judged = (
        ("joliet-volume-flags", 1, "bit 0 of the volume flags is set", "bit 0"),
        (
            "reserved-field-zero",
            ~1,
            "bits 1 to 7 of the volume flags are reserved, but not zero",
            "bits 1 to 7",
        ),
    )
    for rule, mask, message, bits in judged:
        if descriptor.volume_flags & mask:
            log.add(
                rule,
                descriptor.name,
                message,
                offset=descriptor.offset + 7,
                found=f"{descriptor.volume_flags:#04x}",
                expected=f"{bits} zero",
            )


def _log_joliet_label(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    """Log a label with characters that Joliet forbids, or with half of a character."""
    at, size = LABEL_FIELD
    forbidden = find_forbidden(parse_wide_text(descriptor.data[at : at + size]))
    if forbidden:
        log.add(
            "joliet-characters",
            descriptor.name,
            "the label has characters that Joliet forbids, or that are not valid",
            offset=descriptor.offset + at,
            length=size,
            found=repr(forbidden),
            expected=ALLOWED,
        )


def _log_dates(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    for name, date in descriptor.dates.items():
        if not date.is_valid:
            at = DATE_FIELDS[name]
            log.add(
                "descriptor-date",
                descriptor.name,
                f"the {name} date is not valid",
                offset=descriptor.offset + at,
                length=DATE_SIZE,
                found=repr(descriptor.data[at : at + DATE_SIZE].decode("latin-1")),
                expected="YYYYMMDDHHMMSScc and an offset, or zeros",
            )


def _log_characters(descriptor: VolumeDescriptor, log: ProblemLog) -> None:
    """Check the text fields of a primary descriptor."""
    for name, (at, size) in _TEXTS.items():
        text = descriptor.data[at : at + size].rstrip(b" \0")
        strange = text.translate(None, _LEGAL[name])
        if strange:
            log.add(
                "descriptor-characters",
                descriptor.name,
                f"the field {name.replace('_', ' ')} has characters that are not allowed",
                offset=descriptor.offset + at,
                length=size,
                found=repr(bytes(sorted(set(strange))).decode("latin-1")),
                expected="a-characters" if _LEGAL[name] == _LEGAL["system"] else "d-characters",
            )
