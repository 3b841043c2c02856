"""Text that is safe to show: names from discs and disks are hostile."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence

_MOST_SIGNS = 8  # in one column of a line: marks without a column could go on for ever
_BLANK = re.compile("(?<! ) (?! )")
_AFTER_BLANKS = re.compile("(?<=  )(?! )")
_UNSAFE_CATEGORIES = {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}


def printable(text: str) -> str:
    r"""Return ``text`` with every character that could steer a terminal made visible.

    Control and format characters (which include escape sequences and
    direction overrides), line separators and lone surrogates become ``\x1b``
    or ``\u202e`` style escapes. Newlines and tabs are escaped too.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        _escape(character) if unicodedata.category(character) in _UNSAFE_CATEGORIES else character
        for character in text
    )


_CONTROLS = bytes(range(32)) + b"\x7f"


def is_plain(text: str) -> bool:
    """Tell whether a text is ASCII that :func:`printable` leaves as it is; quick for long ones."""
    if not text.isascii():
        return False
    return len(text.encode("ascii").translate(None, _CONTROLS)) == len(text)


def _escape(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code <= 0xFF else _long_escape(character)


def toml_quoted(text: str) -> str:
    """Return ``text`` as a string of TOML, with everything escaped that is not seen.

    Lone surrogates come out as escapes that TOML does not allow: ask for them before.
    """
    import json  # only where somebody's file is begun

    quoted = json.dumps(text, ensure_ascii=False)
    return "".join(
        _long_escape(character)
        if unicodedata.category(character) in _UNSAFE_CATEGORIES
        else character
        for character in quoted
    )


def _long_escape(character: str) -> str:
    code = ord(character)
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def display_width(text: str) -> int:
    """Return the columns that ``text`` fills: wide East Asian characters take two."""
    if text.isascii():
        return len(text)
    # Loaded only here: its tables take longer than most answers.
    from wcwidth import wcswidth, wcwidth

    width = wcswidth(text)
    return width if width >= 0 else sum(max(0, wcwidth(character)) for character in text)


def wrap(text: str, width: int, *, lead: str = "", rest: str | None = None) -> list[str]:
    """Return the lines of one paragraph, none wider than ``width`` columns.

    ``lead`` begins the first line and ``rest`` the others (spaces as wide as
    ``lead`` when None). Words wider than a line are cut. Only single blanks part words, so
    that a name with two of them stays as it is. What could steer a terminal is made visible
    first.
    """
    following = " " * display_width(lead) if rest is None else rest
    room = max(1, width - max(display_width(lead), display_width(following)))
    line = printable(text)
    if _fits(line, room):
        return [lead + line]
    lines = [""]
    for word in _BLANK.split(line):
        between = " " if lines[-1] else ""
        for piece in _pieces(word, room):
            longer = lines[-1] + between + piece
            if _fits(longer, room):
                lines[-1] = longer
            else:
                lines.append(piece)
            between = ""
    return [(following if number else lead) + line for number, line in enumerate(lines)]


def _fits(line: str, room: int) -> bool:
    return display_width(line) <= room and len(line) <= _MOST_SIGNS * room


def _pieces(word: str, room: int) -> Iterator[str]:
    """Yield a word, or one that is too wide in parts: after several blanks, else anywhere."""
    if _fits(word, room):
        yield word
        return
    for part in _AFTER_BLANKS.split(word):
        piece = ""
        for character in part:
            longer = piece + character
            # Signs that join are measured together; the other bound is for marks of no column.
            if piece and not _fits(longer, room):
                yield piece
                longer = character
            piece = longer
        yield piece


def same_name(name: str) -> str:
    """Return what is equal for names that differ in letter case, or in how letters are composed.

    HFS+ takes letters and their marks apart (Apple, Technical Q&A QA1173); keyboards do not.
    """
    return name.lower() if name.isascii() else unicodedata.normalize("NFC", name).casefold()


def same_case(name: str) -> str:
    """Return the form in which names that differ only in case are equal.

    Letters are mapped one to one, as old systems do: ``ß`` stays itself.
    """
    capitals = name.upper()
    if name.isascii() or len(capitals) == len(name):
        return capitals
    return "".join(
        capital if len(capital) == 1 else letter
        for letter, capital in ((letter, letter.upper()) for letter in name)
    )


def fold(text: str) -> str:
    """Return the form in which names are compared: letter case and width do not count.

    Compatibility composition first (Unicode NFKC), so that a name that another
    system wrote with combining marks is the same. NUL and lone surrogates, which
    the index cannot hold, become U+FFFD.
    """
    if text.isascii():
        return text.lower().replace("\0", "\ufffd")
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())
    return "".join(
        "\ufffd" if character == "\0" or "\ud800" <= character <= "\udfff" else character
        for character in folded
    )


def size_text(size: int) -> str:
    """Return a byte count as people read it, in powers of 1024: ``1.4 MiB``."""
    if size < 1024:
        return count_text(size, "byte")
    value = float(size)
    for unit in ("KiB", "MiB", "GiB"):
        value /= 1024
        if value < 1023.95:
            return f"{value:.1f} {unit}"
    return f"{value / 1024:.1f} TiB"


def moment_text(moment: str) -> str:
    """Return a moment as people read it: ``2026-11-28 09:00:00 UTC``."""
    return moment.replace("T", " ").replace("Z", " UTC")


def part_text(part: int, whole: int) -> str:
    """Return how much of a size a part is: ``1 of 3 MiB``, ``488 KiB of 2 MiB``, ``all 3 MiB``."""
    texts = [size_text(size).replace(".0 ", " ") for size in (part, whole)]
    if part == whole:
        return f"all {texts[1]}"
    number, unit = texts[0].split(" ")
    return f"{number if texts[1].endswith(f' {unit}') else texts[0]} of {texts[1]}"


def count_text(count: int, noun: str, plural: str = "") -> str:
    """Return ``1 file`` or ``1,204 files``."""
    return f"{count:,} {noun if count == 1 else plural or noun + 's'}"


def first_text(texts: Sequence[str], most: int, noun: str = "") -> str:
    """Return the first of many texts, and how many more there are: ``a, b and 3 more``."""
    more = len(texts) - most
    shown = ", ".join(texts[:most])
    if more <= 0:
        return shown
    rest = count_text(more, f"more {noun}") if noun else f"{more:,} more"
    return f"{shown} and {rest}"


def blocks_differ(count: int, total: int, block_size: int = 1 << 20) -> str:
    """Return ``1 of 8 blocks of 1 MiB differs``: the blocks that records have digests of."""
    verb = "differs" if count == 1 else "differ"
    return f"{count:,} of {count_text(total, 'block')} of {block_unit(block_size)} {verb}"


def block_unit(block_size: int) -> str:
    """Return the size of a block as it is said: ``1 MiB``, ``4,096 bytes``."""
    return "1 MiB" if block_size == 1 << 20 else f"{block_size:,} bytes"


def others_text(count: int, what: str) -> str:
    """Return that the other entries of a disc are ``what``: ``the other file is not affected``."""
    if count == 1:
        return f"the other file or folder is {what}"
    return f"the {count:,} other files and folders are {what}"


def close_names(word: str, known: Iterable[str]) -> list[str]:
    """Return those of ``known`` that are nearly the word, the nearest first."""
    words = list(known)
    if not words:
        return []
    import difflib  # rarely needed

    return difflib.get_close_matches(word.lower(), words)


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean 'purpose'?"`` for the nearest of ``known``, or nothing."""
    near = close_names(word, known)
    return f"; did you mean {near[0]!r}?" if near else ""
