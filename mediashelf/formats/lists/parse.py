"""Reading checksum lists: text in, lines and problems with their line out."""

from __future__ import annotations

import re

from mediashelf.formats.lists.values import (
    BY_LENGTH,
    LENGTHS,
    TAGS,
    ChecksumList,
    ListForm,
    ListLine,
    ListProblem,
)

# Tags are read without regard to case and hyphens; some programs write other spellings.
_BY_TAG = {tag.upper(): name for name, tag in TAGS.items()} | {
    "SHA2256": "sha256",
    "SHA2512": "sha512",
    "BLAKE2B512": "b2",
    "CRC32": "crc32",
}

# Words in a list's own name that settle what a digest's length leaves open.
_NAME_HINTS = (
    ("md5", "md5"),
    ("sha512", "sha512"),
    ("b2", "b2"),
    ("blake2", "b2"),
    ("xxh128", "xxh3_128"),
    ("xxh32", "xxh32"),
    ("xxh3", "xxh3_64"),
    ("xxh64", "xxh64"),
    ("crc", "crc32"),
)

_TAGGED = re.compile(
    r"[ \t]*(?P<escaped>\\?)(?P<tag>[A-Za-z0-9][A-Za-z0-9-]*) ?"
    r"\((?P<name>.+)\) ?= ?(?P<digest>[0-9A-Fa-f]+)",
    re.DOTALL,
)
_UNTAGGED = re.compile(
    r"[ \t]*(?P<escaped>\\?)(?P<prefix>XXH3_)?(?P<digest>[0-9A-Fa-f]{8,})[ \t](?P<name>.+)",
    re.DOTALL,
)
_SFV = re.compile(r"(?P<name>.*[^ \t])[ \t]+(?P<digest>[0-9A-Fa-f]{8})[ \t]*", re.DOTALL)
_ESCAPE = re.compile(r"\\(.)", re.DOTALL)
_UNESCAPED = {"\\": "\\", "n": "\n", "r": "\r"}
_ESCAPED_WELL = re.compile(r"(?:[^\\]|\\[\\nr])+", re.DOTALL)
_SHOWN = 60  # characters of a line that is not understood


def parse_checksum_list(data: bytes, list_name: str = "") -> ChecksumList:
    """Return the lines of a list and what could not be understood; never raises.

    ``list_name`` settles algorithms that the digest's length leaves open
    (``MD5SUMS``, ``b2sums.txt``) and tells an ``.sfv`` from the rest. Blank
    lines and comments (``#``, and ``;`` as in sfv) are passed over.
    """
    texts = _lines_of(data)
    form = _detect_form(texts, list_name)
    lines: list[ListLine] = []
    problems: list[ListProblem] = []
    for number, text in enumerate(texts, start=1):
        if _is_passed_over(text):
            continue
        line = _parse_line(text, number, form, list_name)
        if line is not None:
            lines.append(line)
        else:
            expected = _SFV_LINE if form is ListForm.SFV else _OTHER_LINE
            problems.append(ListProblem(number, text[:_SHOWN], expected))
    return ChecksumList(form if lines else None, tuple(lines), tuple(problems))


def looks_like_checksum_list(head: bytes) -> bool:
    """Tell from a file's first bytes whether it can be a list; cheap, and may be wrong.

    True for text whose first line is a tagged line or starts with a digest of
    at least 16 digits, or whose complete lines are all of the sfv form.
    """
    if b"\0" in head and not _is_utf16(head):
        return False
    texts = _lines_of(head)
    if len(texts) > 1:
        texts.pop()  # may be cut
    texts = [text for text in texts if not _is_passed_over(text)]
    if not texts:
        return False
    if _match_tagged(texts[0]):
        return True
    match = _match_untagged(texts[0])
    if match and len(match["digest"]) > 8:
        return True
    return all(_SFV.fullmatch(text) for text in texts)


def _lines_of(data: bytes) -> list[str]:
    if _is_utf16(data):
        text = data.decode("utf-16", "replace")
    else:
        text = data.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "surrogateescape")
    return [line.removesuffix("\r") for line in text.split("\n")]


def _is_utf16(data: bytes) -> bool:
    return data.startswith((b"\xff\xfe", b"\xfe\xff")) and b"\0" in data[2:8]


def _is_passed_over(text: str) -> bool:
    return not text.strip() or text[0] in "#;"


def _match_tagged(text: str) -> re.Match[str] | None:
    """Match a tagged line of a known algorithm."""
    match = _TAGGED.fullmatch(text)
    return match if match and _algorithm_of(match["tag"]) else None


def _match_untagged(text: str) -> re.Match[str] | None:
    """Match a line that starts with a digest of a known length."""
    match = _UNTAGGED.fullmatch(text)
    return match if match and len(match["digest"]) in BY_LENGTH else None


def _detect_form(texts: list[str], list_name: str) -> ListForm:
    """Return the form of the first line that has one; the rest must agree with it.

    coreutils wants this too: in a mixed list, a name with a leading space could
    be taken for another name.
    """
    if list_name.lower().endswith(".sfv"):
        return ListForm.SFV
    for text in texts:
        if _is_passed_over(text):
            continue
        if _match_tagged(text):
            return ListForm.TAGGED
        match = _match_untagged(text)
        if match:
            return ListForm.PLAIN if match["name"][0] in " *" else ListForm.REVERSED
        if _SFV.fullmatch(text):
            return ListForm.SFV
    return ListForm.PLAIN


_SFV_LINE = "a name, a space and 8 hex digits"
_OTHER_LINE = "DIGEST NAME or ALGORITHM (NAME) = DIGEST, with all digits of the digest"


def _parse_line(text: str, number: int, form: ListForm, list_name: str) -> ListLine | None:
    if form is ListForm.SFV:
        match = _SFV.fullmatch(text)
        return match and ListLine(match["name"], match["digest"].lower(), ("crc32",), number)
    match = _match_tagged(text)
    if match:
        algorithm, digest = _algorithm_of(match["tag"]), match["digest"].lower()
        if algorithm is None or len(digest) != LENGTHS[algorithm]:
            return None
        return _named_line(match, match["name"], (algorithm,), number)
    match = _match_untagged(text)
    if match is None:
        return None
    name = match["name"]
    if form is not ListForm.REVERSED:
        if name[0] not in " *" or len(name) == 1:
            return None
        name = name[1:]
    algorithms = BY_LENGTH[len(match["digest"])]
    if match["prefix"] and "xxh3_64" in algorithms:
        algorithms = ("xxh3_64",)
    return _named_line(match, name, _settled(algorithms, list_name), number)


def _named_line(
    match: re.Match[str], name: str, algorithms: tuple[str, ...], number: int
) -> ListLine | None:
    """Undo the escapes of a name whose line is marked as escaped."""
    if match["escaped"]:
        if not _ESCAPED_WELL.fullmatch(name):
            return None
        name = _ESCAPE.sub(lambda escape: _UNESCAPED[escape[1]], name)
    return ListLine(name, match["digest"].lower(), algorithms, number)


def _algorithm_of(tag: str) -> str | None:
    return _BY_TAG.get(tag.upper().replace("-", ""))


def _settled(algorithms: tuple[str, ...], list_name: str) -> tuple[str, ...]:
    if len(algorithms) > 1:
        lowered = list_name.rpartition("/")[2].lower()
        for word, algorithm in _NAME_HINTS:
            if word in lowered and algorithm in algorithms:
                return (algorithm,)
    return algorithms
