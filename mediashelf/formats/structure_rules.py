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
_ANCHORS = "ECMA-167 3/10.2; from memory: ECMA-167 3/8.4.2.1"
_CAREFUL = "try it with the system that is to read it, or prefer another copy of the disc"
_NOTHING = "nothing to do if the disc reads well"
_CUT = "copy or read the image again; this copy is not complete"

_PRACTICE, _OWN = "common practice", "own behaviour"


class StructureRule(NamedTuple):
    """Severity, source of the rule, and what to do.

    A source is the published text with its clause; several are parted by "; ".
    Clauses that only memory knows say so, and where no text is published the source
    is common practice (a note at most) or own behaviour.

    Without a remedy of its own a rule has the usual one: to compare with another copy.
    ``needs_care`` says of a rule that names no damage that only some systems read what breaks it.
    ``spares_volume`` says of an error that the volume may be whole all the same.
    """

    severity: Severity
    source: str
    remedy: str = _COPY
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
    "partition-table-checksum": StructureRule(_WARNING, _OWN),
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
        _WARNING, "Linux kernel 6.12, Documentation/usb/mass-storage.rst"
    ),
    # Volume descriptors
    "descriptor-identifier": StructureRule(_ERROR, "ECMA-119 8.1"),
    "descriptor-type": StructureRule(_WARNING, "ECMA-119 8.1.1"),
    "descriptor-version": StructureRule(_WARNING, "ECMA-119 8.1"),
    "descriptor-set-terminated": StructureRule(
        _WARNING, "ECMA-119 8.3; from memory: ECMA-119 6.7.1"
    ),
    "descriptor-before-terminator": StructureRule(
        _ERROR, "ECMA-119 8.3; from memory: ECMA-119 6.7.1"
    ),
    "primary-descriptor-present": StructureRule(_ERROR, "ECMA-119 8.4"),
    "primary-copies-agree": StructureRule(_NOTE, _PRACTICE),
    "volume-sizes-agree": StructureRule(_NOTE, _PRACTICE),
    "supplementary-volume-read": StructureRule(
        _NOTE, _OWN, "nothing to do; mediashelf does not read the character set of this tree"
    ),
    "tree-announced": StructureRule(
        _ERROR, "ECMA-119 8.1.1 and 8.5.6; Joliet specification 1, SVD Escape Sequences Field"
    ),
    "both-orders-agree": StructureRule(_ERROR, "ECMA-119 7.2.3 and 7.3.3"),
    "both-orders-recorded": StructureRule(_WARNING, "ECMA-119 7.2.3 and 7.3.3", _NOTHING),
    "reserved-field-zero": StructureRule(
        _WARNING,
        "ECMA-119 8.3, 8.4, 8.5.3, 8.5.6, 9.1.12 and 9.4; El Torito 1.0, figures 2 to 5",
    ),
    "block-size": StructureRule(_ERROR, "ECMA-119 8.4.12"),
    "volume-set-number": StructureRule(_WARNING, "ECMA-119 8.4.11"),
    "file-structure-version": StructureRule(_WARNING, "ECMA-119 8.4"),
    "descriptor-date": StructureRule(_WARNING, "ECMA-119 8.4.26.1", _NOTHING),
    "descriptor-characters": StructureRule(_NOTE, "ECMA-119 7.4.1", _NOTHING),
    "joliet-volume-flags": StructureRule(
        _WARNING, "Joliet specification 1, SVD Volume Flags Field"
    ),
    "root-record": StructureRule(_ERROR, "ECMA-119 8.4.18 and 9.1"),
    # Directories
    "directory-readable": StructureRule(_ERROR, "ECMA-119 9.1.4; ECMA-167 4/14.9"),
    "directory-loop": StructureRule(_ERROR, _OWN),
    "walk-bounded": StructureRule(_ERROR, _OWN),
    "self-record": StructureRule(_ERROR, "ECMA-119 6.8.2.2"),
    "parent-record": StructureRule(_ERROR, "ECMA-119 6.8.2.2"),
    # Systems find a parent by the path that led down, not by this record.
    "parent-record-agrees": StructureRule(_WARNING, "ECMA-119 6.8.2.2", _NOTHING),
    "record-length": StructureRule(_ERROR, "ECMA-119 9.1.1 and 9.1.12"),
    "record-inside-sector": StructureRule(_ERROR, "ECMA-119 6.8.1.1"),
    "record-length-even": StructureRule(_WARNING, "ECMA-119 9.1.12"),
    # What a lost record leaves behind; the standard forbids neither.
    "sector-with-records": StructureRule(_ERROR, _OWN),
    "records-without-gap": StructureRule(_WARNING, _OWN),
    "sector-rest-zero": StructureRule(_WARNING, "ECMA-119 6.8.1.1"),
    "record-order": StructureRule(_WARNING, "ECMA-119 9.3", _CAREFUL),
    # That bits 5 and 6 are reserved is known; which records may have the others is from memory.
    "record-flags": StructureRule(_WARNING, "ECMA-119 9.1.6; from memory: ECMA-119 9.1.6 and 9.5"),
    "record-system-use": StructureRule(_WARNING, _OWN),
    "record-date": StructureRule(_WARNING, "ECMA-119 9.1.5", _NOTHING),
    "record-sequence-number": StructureRule(_WARNING, "ECMA-119 9.1"),
    "identifier-characters": StructureRule(_NOTE, "ECMA-119 7.4.1", _NOTHING),
    "identifier-usable": StructureRule(
        _WARNING, "ECMA-119 7.4.1; Joliet specification 1, Allowed Character Set"
    ),
    "joliet-characters": StructureRule(
        _WARNING, "Joliet specification 1, Allowed Character Set", _CAREFUL
    ),
    # Readers show one of two equal names, so the other file cannot be read.
    "identifiers-distinct": StructureRule(_ERROR, _OWN, _CAREFUL),
    "sections-complete": StructureRule(_ERROR, "ECMA-119 9.1.6"),
    "not-interleaved": StructureRule(
        _WARNING, _OWN, "read this file with a real drive; mediashelf does not read it"
    ),
    "extent-inside-image": StructureRule(
        _ERROR, "ECMA-119 8.4.8 and 9.1.4; ECMA-167 3/10.5 and 4/14.9"
    ),
    "extent-inside-volume": StructureRule(_WARNING, "ECMA-119 8.4.8"),
    # Path tables
    "path-table-readable": StructureRule(_ERROR, "ECMA-119 8.4.14 to 8.4.17 and 9.4"),
    "path-table-records": StructureRule(_ERROR, "ECMA-119 9.4"),
    "path-tables-agree": StructureRule(_ERROR, "ECMA-119 8.4.14 to 8.4.17 and 9.4"),
    "path-table-agrees": StructureRule(_ERROR, "ECMA-119 9.4"),
    "path-table-order": StructureRule(_WARNING, "ECMA-119 6.9.1", _CAREFUL),
    # Rock Ridge
    "rockridge-announcement": StructureRule(_ERROR, "SUSP 1.12, 5.3"),
    "rockridge-extension": StructureRule(_WARNING, "SUSP 1.12, 5.5; RRIP 1.12, 4.3"),
    # A name is lost with the entry that holds it, or with one before that does not fit.
    "rockridge-entry": StructureRule(
        _ERROR, "SUSP 1.12, 4.1 and 5.1 to 5.6; RRIP 1.12, 4.1.1 to 4.1.6"
    ),
    "rockridge-field": StructureRule(
        _WARNING, "SUSP 1.12, 4.1; RRIP 1.12, 4.1.1 to 4.1.4 and 4.1.6"
    ),
    "rockridge-name-present": StructureRule(_WARNING, _OWN),
    "rockridge-entries-alike": StructureRule(_WARNING, _OWN),
    "rockridge-continuation": StructureRule(_ERROR, "SUSP 1.12, 5.1"),
    "rockridge-relocation": StructureRule(_ERROR, "RRIP 1.12, 4.1.5.1 to 4.1.5.3"),
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
    "boot-record-identifier": StructureRule(_ERROR, "El Torito 1.0, figure 7"),
    "boot-record-fields": StructureRule(_WARNING, "El Torito 1.0, figure 7"),
    "boot-catalog-announced": StructureRule(_ERROR, "El Torito 1.0, section 2.0"),
    "boot-catalog-readable": StructureRule(_ERROR, "El Torito 1.0, section 2.0 and figure 7"),
    "boot-validation-entry": StructureRule(_ERROR, "El Torito 1.0, figure 2"),
    "boot-checksum": StructureRule(_ERROR, "El Torito 1.0, figure 2"),
    "boot-platform": StructureRule(_WARNING, "El Torito 1.0, figures 2 and 4"),
    "boot-entry": StructureRule(_ERROR, "El Torito 1.0, figures 3 and 5"),
    "boot-section": StructureRule(_WARNING, "El Torito 1.0, figures 4 to 6"),
    "boot-image-inside": StructureRule(_ERROR, "El Torito 1.0, figures 3 and 5"),
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
    "udf-recognition": StructureRule(_WARNING, "ECMA-167 2/9.2, 2/9.3 and 3/9.1"),
    "udf-announced": StructureRule(_ERROR, "ECMA-167 3/9.1"),
    "udf-anchor": StructureRule(_ERROR, _ANCHORS),
    # Systems need one; discs that were never closed have one, of others the end may be missing.
    "udf-anchor-copy": StructureRule(_WARNING, _ANCHORS),
    "udf-tag": StructureRule(_ERROR, "ECMA-167 3/7.2 and 4/7.2.1"),
    "udf-volume-descriptors": StructureRule(
        _ERROR, "ECMA-167 3/10.6; from memory: ECMA-167 3/10.9"
    ),
    # Systems read neither as long as the main sequence is good.
    "udf-terminator": StructureRule(
        _WARNING, "ECMA-167 3/7.2 and 4/7.2.1; from memory: ECMA-167 3/10.9 and 4/8.3.1"
    ),
    "udf-reserve-sequence": StructureRule(_WARNING, "ECMA-167 3/10.2"),
    # Systems then do not write to the volume, and show it all the same.
    "udf-integrity": StructureRule(_WARNING, "ECMA-167 3/7.2; from memory: ECMA-167 3/10.10"),
    "udf-metadata-mirror": StructureRule(
        _WARNING, "Linux kernel 6.1, fs/udf/osta_udf.h: UDF 2.60 2.2.10"
    ),
    # Each copy stands in for the others.
    "udf-sparing-tables": StructureRule(
        _WARNING, "Linux kernel 6.1, fs/udf/osta_udf.h: UDF 2.60 2.2.12"
    ),
    "udf-volume-closed": StructureRule(_NOTE, "Linux kernel 6.12, fs/udf/super.c", _NOTHING),
    "udf-block-size": StructureRule(_WARNING, _OWN, _CAREFUL),
    "udf-address": StructureRule(_ERROR, "ECMA-167 4/7.1"),
    "udf-file-entry": StructureRule(_ERROR, "ECMA-167 4/14.6.2, 4/14.6.6 and 4/14.9"),
    "udf-links": StructureRule(
        _NOTE,
        "ECMA-167 4/14.6.6",
        "nothing to do, unless the system that is to read it needs them",
    ),
    "udf-directory": StructureRule(_ERROR, "ECMA-167 4/14.4"),
}

CAREFUL_RULES = frozenset(name for name, rule in STRUCTURE_RULES.items() if rule.needs_care)
SPARING_RULES = frozenset(name for name, rule in STRUCTURE_RULES.items() if rule.spares_volume)
