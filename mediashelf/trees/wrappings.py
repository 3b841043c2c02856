"""Which wrapping a file is, told by its first bytes and never by its name.

Signatures: ZIP, 7z, gzip and cabinets as in :mod:`mediashelf.formats.packed.signatures`; ECMA-119
8.1.2 and ECMA-167 2/9.1.2 for discs; ``ISc(``, ``LRZI`` and the first bytes of RPM, cpio and
LZMA are those that libmagic 5.44 knows. All others, and the rest of headers, are from memory.
"""

from __future__ import annotations

import re
from enum import StrEnum

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.archive_headers import SEVEN_ZIP_START_SIZE, parse_seven_zip_start
from mediashelf.formats.packed.cabinets.records import (
    Compression,
    compressions,
    read_cabinet_header,
)
from mediashelf.formats.packed.fat import read_fat
from mediashelf.formats.packed.signatures import LZMA_START, ContentFormat, detect_format
from mediashelf.image import begins_as_disc

HEAD_SIZE = 16 * 2048 + 6
"""Bytes of a file's beginning that detection looks at."""


class Wrapping(StrEnum):
    """What a file of files can be; the value is what people call it."""

    DISC = "disc image"
    ZIP = "ZIP archive"
    SEVEN_ZIP = "7z archive"
    CABINET = "cabinet"
    RAR = "RAR archive"
    LHA = "LHA archive"
    TAR = "tar archive"
    GZIP = "gzip file"
    BZIP2 = "bzip2 file"
    XZ = "xz file"
    LZMA = "LZMA file"
    FLOPPY = "floppy image"
    ARJ = "ARJ archive"
    ZOO = "ZOO archive"
    ACE = "ACE archive"
    ARC = "ARC archive"
    Z = "Unix compress file"
    LZIP = "lzip file"
    LZOP = "lzop file"
    LZ4 = "LZ4 file"
    ZSTD = "Zstandard file"
    LRZIP = "lrzip file"
    CPIO = "cpio archive"
    RPM = "RPM package"
    MSI = "installer database"
    INSTALLSHIELD = "InstallShield cabinet"
    COMPRESSED = "file compressed for a setup program (SZDD or KWAJ)"

    @property
    def words(self) -> str:
        """What people call one of them."""
        return f"{'an' if self in _AN else 'a'} {self.value}"


_AN = {Wrapping.LHA, Wrapping.XZ, Wrapping.ARJ, Wrapping.MSI, Wrapping.INSTALLSHIELD}
_AN |= {Wrapping.ACE, Wrapping.ARC, Wrapping.LZ4, Wrapping.LZIP, Wrapping.LZOP}
_AN |= {Wrapping.LZMA, Wrapping.LRZIP, Wrapping.RPM}
_FORMATS = {
    ContentFormat.ZIP: Wrapping.ZIP,
    ContentFormat.SEVEN_ZIP: Wrapping.SEVEN_ZIP,
    ContentFormat.CABINET: Wrapping.CABINET,
    ContentFormat.RAR: Wrapping.RAR,
    ContentFormat.RAR5: Wrapping.RAR,
    ContentFormat.GZIP: Wrapping.GZIP,
    ContentFormat.COMPRESSED: Wrapping.COMPRESSED,
}


_SIGNATURES = (
    (b"BZh", 0, Wrapping.BZIP2),
    (b"\xfd7zXZ\0", 0, Wrapping.XZ),
    (b"ustar", 257, Wrapping.TAR),
    (b"-lh", 2, Wrapping.LHA),
    (b"-lz", 2, Wrapping.LHA),
    (b"-pm", 2, Wrapping.LHA),
    (b"\x60\xea", 0, Wrapping.ARJ),
    (b"\xdc\xa7\xc4\xfd", 20, Wrapping.ZOO),
    (b"**ACE**", 7, Wrapping.ACE),
    (b"\x1f\x9d", 0, Wrapping.Z),
    (b"LZIP\x01", 0, Wrapping.LZIP),
    (b"\x89LZO\0\r\n\x1a\n", 0, Wrapping.LZOP),
    (b"\x04\x22M\x18", 0, Wrapping.LZ4),
    (b"\x28\xb5\x2f\xfd", 0, Wrapping.ZSTD),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", 0, Wrapping.MSI),
    (b"LRZI", 0, Wrapping.LRZIP),
    (b"\xed\xab\xee\xdb", 0, Wrapping.RPM),
)
_HEADERS = (
    # A member's header: its method, and a name of DOS.
    (rb"\x1a[\x01-\x0b][ -~]{1,12}\0", Wrapping.ARC),
    # A member's header in hexadecimal or octal digits, or in words of 16 bits before its name.
    (rb"07070(?:[12][0-9A-Fa-f]{104}|7[0-7]{70})", Wrapping.CPIO),
    (rb"(?s)(?:\xc7\x71|\x71\xc7).{24}[^\0-\x1f]{1,1024}\0", Wrapping.CPIO),
    (LZMA_START, Wrapping.LZMA),
)

ONE_FILE = frozenset({Wrapping.GZIP, Wrapping.BZIP2, Wrapping.XZ, Wrapping.LZMA})
"""Those that hold one file."""

BY_LIBRARY = frozenset({Wrapping.SEVEN_ZIP, Wrapping.CABINET, Wrapping.RAR, Wrapping.LHA})
"""Those that libarchive opens."""


def detect_wrapping(view: View) -> Wrapping | None:
    """Return what kind of wrapping these bytes are, None for a plain file."""
    head = view.read(0, HEAD_SIZE)
    if begins_as_disc(view):
        return Wrapping.DISC
    if head.startswith(b"ISc("):
        return Wrapping.INSTALLSHIELD
    found = detect_format(head)
    if found is not None:
        return _FORMATS.get(found)
    for signature, offset, wrapping in _SIGNATURES:
        if head.startswith(signature, offset):
            return wrapping
    if _begins_old_tar(head):
        return Wrapping.TAR
    for header, wrapping in _HEADERS:
        if re.match(header, head):
            return wrapping
    return Wrapping.FLOPPY if read_fat(view) is not None else None


def _begins_old_tar(head: bytes) -> bool:
    """Tell whether a tar header of the time before ustar begins these bytes: by its checksum.

    The sum of its bytes with the checksum itself as blanks, in octal digits (POSIX.1-1988, ustar
    header block, from memory); a name is at 0, and nothing where ustar has its magic.
    """
    digits = head[148:156].strip(b" \0")
    if not re.fullmatch(rb"[0-7]{1,7}", digits) or head[:1] == b"\0" or any(head[257:265]):
        return False
    return int(digits, 8) == sum(head[:148]) + 8 * ord(" ") + sum(head[156:512])


_SUFFIXES = re.compile(
    r"\.([0-9]{3}|7z|ace|arc|arj|bin|bz2|cab|ca_|com|cpio|dat|dsk|exe|ex_|flp|gz|hdr|ima|imz|img|in_"
    r"|iso|lha|lrz|lz4?|lzh|lzma|lzo|lzs|msi|pak|pkg|pma|rar|rpm|[r-z][0-9]{2}|tar|taz|tbz2?|tgz"
    r"|tlz|txz|vfd|xz|z|zip|zi_|zoo|zst)$|^[^.]+$"
)


def may_be_wrapping(name: str) -> bool:
    """Tell whether a file inside a tree is worth a look (own choice): by its suffix, or for want
    of one. Of files compressed one by one INFs and archives are; setup expands the others.
    """
    return _SUFFIXES.search(name.lower()) is not None


def why_closed(view: View, wrapping: Wrapping) -> str:
    """Return why no library here opens this archive, nothing where one may."""
    try:
        if wrapping is Wrapping.SEVEN_ZIP:
            start = parse_seven_zip_start(view.read(0, SEVEN_ZIP_START_SIZE))
            end = start.next_offset + start.next_size
            is_sound = start.recorded_crc == start.computed_crc
            return cut_short(view.size, end) if is_sound and end > view.size else ""
        return _why_cabinet_closed(view) if wrapping is Wrapping.CABINET else ""
    except FormatError:
        return ""  # the library says what is wrong


def cut_short(size: int, expected: int) -> str:
    """Return what to say of an archive that has fewer bytes than it says itself."""
    return f"is cut short: it has {size:,} bytes, its header says {expected:,}"


def _why_cabinet_closed(view: View) -> str:
    methods = compressions(view, read_cabinet_header(view))
    return "is a cabinet compressed by Quantum" if methods == {Compression.QUANTUM} else ""


def find_cut(view: View, wrapping: Wrapping) -> str:
    """Return by how much an archive that can be opened is cut short, nothing for others."""
    try:
        if wrapping is Wrapping.CABINET:
            header = read_cabinet_header(view)
            return cut_short(view.size, header.size) if header.size > view.size else ""
    except FormatError:
        pass  # the library says what is wrong
    return ""
