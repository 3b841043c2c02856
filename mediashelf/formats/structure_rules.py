"""What a disc's structures must be like, one row a rule.

Severity here follows one question. Can what the disc holds be lost or misread
because of this? Then it is an error. Is a standard broken, while readers cope?
A warning. Is it common on sound discs, or only worth knowing? A note.
"""

from __future__ import annotations

from typing import NamedTuple

from mediashelf.findings import Severity

TRUNCATING_RULE = "image-is-whole"
"""The rule that is broken where a file ends before what its volume records does."""

_COPY = "compare the image with another copy, or read the disc again"
_CAREFUL = "try it with the system that is to read it, or prefer another copy of the disc"
_NOTHING = "nothing to do if the disc reads well"
_CUT = "copy or read the image again; this copy is not complete"

_PRACTICE, _OWN = "common practice", "own behaviour"


class StructureRule(NamedTuple):
    """Severity, source of the rule, and what to do.

    A source is the published text with its clause; several are parted by "; ".
    Clauses that only memory knows say so, and where no text is published the source
    is common practice (a note at most) or own behaviour.

    ``needs_care`` says of a rule that names no damage that only some systems read what breaks it.
    ``spares_volume`` says of an error that the volume may be whole all the same.
    """

    severity: Severity
    source: str
    remedy: str
    needs_care: bool = False
    spares_volume: bool = False


_ERROR, _WARNING, _NOTE = Severity.ERROR, Severity.WARNING, Severity.NOTE

STRUCTURE_RULES = {
    # The image as a whole
    "no-volume": StructureRule(
        _ERROR,
        "ECMA-119 8.1; ECMA-167 3/9.1",
        "if it should be a disc image, get it again or mend it from another copy",
    ),
    "image-is-unpacked": StructureRule(
        _ERROR,
        "Linux kernel 6.12, Documentation/usb/mass-storage.rst",
        "unpack it first, and name what is in it: gzip -dk, xz -dk or bzip2 -dk FILE; of archives "
        "mediashelf extract FILE -o FOLDER",
    ),
    "raw-sectors": StructureRule(
        _ERROR,
        "Linux kernel 6.12, Documentation/usb/mass-storage.rst",
        "make a servable image of the data track with: mediashelf convert",
        spares_volume=True,  # a drive cannot serve it, that is all
    ),
    "image-is-whole": StructureRule(_ERROR, "ECMA-119 8.4.8; ECMA-167 3/10.5", _CUT),
    "image-reaches-volume-end": StructureRule(_WARNING, "ECMA-119 8.4.8; ECMA-167 3/10.5", _CUT),
    "image-reaches-partition-end": StructureRule(_WARNING, _OWN, _CUT),
    "partition-table-checksum": StructureRule(_WARNING, _OWN, _COPY),
    # The last one is found by the drive's table of contents, which has one session there.
    "last-session-read": StructureRule(
        _WARNING,
        "Linux kernel 6.12, fs/isofs/inode.c; "
        "Linux kernel 6.1, drivers/usb/gadget/function/f_mass_storage.c",
        "make a disc of the last session's files: mediashelf build IMAGE -o DISC.iso",
        needs_care=True,
    ),
    "high-sierra-volume": StructureRule(
        _WARNING,
        "Linux kernel 6.12, fs/isofs/inode.c",
        "read this disc with a system that supports High Sierra; mediashelf does not",
    ),
    "nothing-after-volume": StructureRule(_NOTE, _PRACTICE, _NOTHING),
    "whole-sectors": StructureRule(
        _WARNING, "Linux kernel 6.12, Documentation/usb/mass-storage.rst", _COPY
    ),
    # Volume descriptors
    "descriptor-identifier": StructureRule(_ERROR, "ECMA-119 8.1", _COPY),
    "descriptor-type": StructureRule(_WARNING, "ECMA-119 8.1.1", _COPY),
    "descriptor-version": StructureRule(_WARNING, "ECMA-119 8.1", _COPY),
    "descriptor-set-terminated": StructureRule(
        _WARNING, "ECMA-119 8.3; from memory: ECMA-119 6.7.1", _COPY
    ),
    "descriptor-before-terminator": StructureRule(
        _ERROR, "ECMA-119 8.3; from memory: ECMA-119 6.7.1", _COPY
    ),
    "primary-descriptor-present": StructureRule(_ERROR, "ECMA-119 8.4", _COPY),
    "primary-copies-agree": StructureRule(_NOTE, _PRACTICE, _COPY),
    "volume-sizes-agree": StructureRule(_NOTE, _PRACTICE, _COPY),
    "supplementary-volume-read": StructureRule(
        _NOTE, _OWN, "nothing to do; mediashelf does not read the character set of this tree"
    ),
    "tree-announced": StructureRule(
        _ERROR,
        "ECMA-119 8.1.1 and 8.5.6; Joliet specification 1, SVD Escape Sequences Field",
        _COPY,
    ),
    "both-orders-agree": StructureRule(_ERROR, "ECMA-119 7.2.3 and 7.3.3", _COPY),
    "both-orders-recorded": StructureRule(_WARNING, "ECMA-119 7.2.3 and 7.3.3", _NOTHING),
    "reserved-field-zero": StructureRule(
        _WARNING, "ECMA-119 8.3, 8.4, 8.5.3, 8.5.6, 9.1.12 and 9.4", _COPY
    ),
    "block-size": StructureRule(_ERROR, "ECMA-119 8.4.12", _COPY),
    "volume-set-number": StructureRule(_WARNING, "ECMA-119 8.4.11", _COPY),
    "file-structure-version": StructureRule(_WARNING, "ECMA-119 8.4", _COPY),
    "descriptor-date": StructureRule(_WARNING, "ECMA-119 8.4.26.1", _NOTHING),
    "descriptor-characters": StructureRule(_NOTE, "ECMA-119 7.4.1", _NOTHING),
    "joliet-volume-flags": StructureRule(
        _WARNING, "Joliet specification 1, SVD Volume Flags Field", _COPY
    ),
    "root-record": StructureRule(_ERROR, "ECMA-119 8.4.18 and 9.1", _COPY),
    # Directories
    "directory-readable": StructureRule(_ERROR, "ECMA-119 9.1.4; ECMA-167 4/14.9", _COPY),
    "directory-loop": StructureRule(_ERROR, _OWN, _COPY),
    "walk-bounded": StructureRule(_ERROR, _OWN, _COPY),
    "self-record": StructureRule(_ERROR, "ECMA-119 6.8.2.2", _COPY),
    "parent-record": StructureRule(_ERROR, "ECMA-119 6.8.2.2", _COPY),
    # Systems find a parent by the path that led down, not by this record.
    "parent-record-itself": StructureRule(_WARNING, "ECMA-119 6.8.2.2", _NOTHING),
    "record-length": StructureRule(_ERROR, "ECMA-119 9.1.1 and 9.1.12", _COPY),
    "record-inside-sector": StructureRule(_ERROR, "ECMA-119 6.8.1.1", _COPY),
    "record-length-even": StructureRule(_WARNING, "ECMA-119 9.1.12", _COPY),
    # What a lost record leaves behind; the standard forbids neither.
    "sector-with-records": StructureRule(_ERROR, _OWN, _COPY),
    "records-without-gap": StructureRule(_WARNING, _OWN, _COPY),
    "sector-rest-zero": StructureRule(_WARNING, "ECMA-119 6.8.1.1", _COPY),
    "record-order": StructureRule(_WARNING, "ECMA-119 9.3", _CAREFUL),
    # That bits 5 and 6 are reserved is known; which records may have the others is from memory.
    "record-flags": StructureRule(
        _WARNING, "ECMA-119 9.1.6; from memory: ECMA-119 9.1.6 and 9.5", _COPY
    ),
    "record-system-use": StructureRule(_WARNING, _OWN, _COPY),
    "record-date": StructureRule(_WARNING, "ECMA-119 9.1.5", _NOTHING),
    "record-sequence-number": StructureRule(_WARNING, "ECMA-119 9.1", _COPY),
    "identifier-characters": StructureRule(_NOTE, "ECMA-119 7.4.1", _NOTHING),
    "identifier-usable": StructureRule(
        _WARNING, "ECMA-119 7.4.1; Joliet specification 1, Allowed Character Set", _COPY
    ),
    "joliet-characters": StructureRule(
        _WARNING, "Joliet specification 1, Allowed Character Set", _CAREFUL
    ),
    # Readers show one of two equal names, so the other file cannot be read.
    "identifiers-distinct": StructureRule(_ERROR, _OWN, _CAREFUL),
    "sections-complete": StructureRule(_ERROR, "ECMA-119 9.1.6", _COPY),
    "not-interleaved": StructureRule(
        _WARNING, _OWN, "read this file with a real drive; mediashelf does not read it"
    ),
    "extent-inside-image": StructureRule(
        _ERROR, "ECMA-119 8.4.8 and 9.1.4; ECMA-167 3/10.5 and 4/14.9", _COPY
    ),
    "extent-inside-volume": StructureRule(_WARNING, "ECMA-119 8.4.8", _COPY),
    # Path tables
    "path-table-readable": StructureRule(_ERROR, "ECMA-119 8.4.14 to 8.4.17 and 9.4", _COPY),
    "path-table-records": StructureRule(_ERROR, "ECMA-119 9.4", _COPY),
    "path-tables-agree": StructureRule(_ERROR, "ECMA-119 8.4.14 to 8.4.17 and 9.4", _COPY),
    "path-table-agrees": StructureRule(_ERROR, "ECMA-119 9.4", _COPY),
    "path-table-order": StructureRule(_WARNING, "ECMA-119 6.9.1", _CAREFUL),
    # Rock Ridge
    "rockridge-announcement": StructureRule(_ERROR, "SUSP 1.12, 5.3", _COPY),
    "rockridge-extension": StructureRule(_WARNING, "SUSP 1.12, 5.5; RRIP 1.12, 4.3", _COPY),
    # A name is lost with the entry that holds it, or with one before that does not fit.
    "rockridge-entry": StructureRule(
        _ERROR, "SUSP 1.12, 4.1 and 5.1 to 5.6; RRIP 1.12, 4.1.1 to 4.1.6", _COPY
    ),
    "rockridge-field": StructureRule(
        _WARNING, "SUSP 1.12, 4.1; RRIP 1.12, 4.1.1 to 4.1.4 and 4.1.6", _COPY
    ),
    "rockridge-name-present": StructureRule(_WARNING, _OWN, _COPY),
    "rockridge-entries-alike": StructureRule(_WARNING, _OWN, _COPY),
    "rockridge-continuation": StructureRule(_ERROR, "SUSP 1.12, 5.1", _COPY),
    "rockridge-relocation": StructureRule(_ERROR, "RRIP 1.12, 4.1.5.1 to 4.1.5.3", _COPY),
    "rockridge-links": StructureRule(
        _NOTE, "RRIP 1.12, 4.1.3", "nothing to do, unless the system that is to read it needs them"
    ),
    "rockridge-compressed": StructureRule(
        _WARNING,
        "Linux kernel 6.12, fs/isofs/rock.c",
        "copy the files from the disc on a Linux system, which unpacks them as it reads",
        needs_care=True,
    ),
    # Booting
    "boot-record-place": StructureRule(_ERROR, "El Torito 1.0, section 2.0", _CAREFUL),
    "boot-record-known": StructureRule(
        _NOTE, "El Torito 1.0, figure 7", "nothing to do, unless the disc should boot"
    ),
    "boot-record-identifier": StructureRule(_ERROR, "El Torito 1.0, figure 7", _COPY),
    "boot-record-fields": StructureRule(_WARNING, "El Torito 1.0, figure 7", _COPY),
    "boot-catalog-announced": StructureRule(_ERROR, "El Torito 1.0, section 2.0", _COPY),
    "boot-catalog-readable": StructureRule(
        _ERROR, "El Torito 1.0, section 2.0 and figure 7", _COPY
    ),
    "boot-validation-entry": StructureRule(_ERROR, "El Torito 1.0, figure 2", _COPY),
    "boot-checksum": StructureRule(_ERROR, "El Torito 1.0, figure 2", _COPY),
    "boot-platform": StructureRule(_WARNING, "El Torito 1.0, figures 2 and 4", _COPY),
    "boot-entry": StructureRule(_ERROR, "El Torito 1.0, figures 3 and 5", _COPY),
    "boot-section": StructureRule(_WARNING, "El Torito 1.0, figures 4 to 6", _COPY),
    "boot-image-inside": StructureRule(_ERROR, "El Torito 1.0, figures 3 and 5", _COPY),
    # UDF
    "udf-contents-not-read": StructureRule(
        _NOTE, _OWN, "read these contents on a system that supports this kind of UDF"
    ),
    # No system reads anything of the volume without the table.
    "udf-moved-blocks": StructureRule(
        _ERROR,
        "Linux kernel 6.1, fs/udf/osta_udf.h: UDF 2.60 2.2.11 and 2.2.12",
        "compare the image with the disc: its end may be missing, or its last session was never "
        "closed",
    ),
    "udf-recognition": StructureRule(_WARNING, "ECMA-167 2/9.2, 2/9.3 and 3/9.1", _COPY),
    "udf-announced": StructureRule(_ERROR, "ECMA-167 3/9.1", _COPY),
    "udf-anchor": StructureRule(_ERROR, "ECMA-167 3/10.2; from memory: ECMA-167 3/8.4.2.1", _COPY),
    # Discs that were never closed have one; of others the end may be missing.
    "udf-anchor-copy": StructureRule(
        _NOTE, "ECMA-167 3/10.2; from memory: ECMA-167 3/8.4.2.1", _COPY
    ),
    "udf-tag": StructureRule(_ERROR, "ECMA-167 3/7.2 and 4/7.2.1", _COPY),
    "udf-volume-descriptors": StructureRule(
        _ERROR, "ECMA-167 3/10.6; from memory: ECMA-167 3/10.9", _COPY
    ),
    # Systems read neither as long as the main sequence is good.
    "udf-terminator": StructureRule(
        _WARNING,
        "ECMA-167 3/7.2 and 4/7.2.1; from memory: ECMA-167 3/10.9 and 4/8.3.1",
        _COPY,
    ),
    "udf-reserve-sequence": StructureRule(_WARNING, "ECMA-167 3/10.2", _COPY),
    # Systems then do not write to the volume, and show it all the same.
    "udf-integrity": StructureRule(
        _WARNING, "ECMA-167 3/7.2; from memory: ECMA-167 3/10.10", _COPY
    ),
    "udf-metadata-mirror": StructureRule(
        _WARNING, "Linux kernel 6.1, fs/udf/osta_udf.h: UDF 2.60 2.2.10", _COPY
    ),
    # Each copy stands in for the others.
    "udf-sparing-tables": StructureRule(
        _WARNING, "Linux kernel 6.1, fs/udf/osta_udf.h: UDF 2.60 2.2.12", _COPY
    ),
    "udf-volume-closed": StructureRule(_NOTE, "Linux kernel 6.12, fs/udf/super.c", _NOTHING),
    "udf-block-size": StructureRule(_WARNING, _OWN, _CAREFUL),
    "udf-address": StructureRule(_ERROR, "ECMA-167 4/7.1", _COPY),
    "udf-file-entry": StructureRule(_ERROR, "ECMA-167 4/14.9", _COPY),
    "udf-links": StructureRule(
        _NOTE,
        "ECMA-167 4/14.6.6",
        "nothing to do, unless the system that is to read it needs them",
    ),
    "udf-directory": StructureRule(_ERROR, "ECMA-167 4/14.4", _COPY),
}

CAREFUL_RULES = frozenset(name for name, rule in STRUCTURE_RULES.items() if rule.needs_care)
SPARING_RULES = frozenset(name for name, rule in STRUCTURE_RULES.items() if rule.spares_volume)
