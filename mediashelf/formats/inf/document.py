"""Driver INF text → sections, strings and the facts of [Version].

``parse_inf`` takes bytes and always gives an :class:`Inf`; what the rules do not
allow is kept as problems with line numbers, which ``inf_checks.check_inf`` turns
into findings. Sources are pages of the published driver documentation, by name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from typing import Any, NamedTuple, TypeVar

from msgspec import Struct, field

from mediashelf.formats.inf.faultless import (
    Again,
    Packed,
    faultless_sections,
    sections_again,
)
from mediashelf.formats.inf.lexer import Problem, lex_inf, plain_ends
from mediashelf.formats.inf.sections import InfEntry, InfSection, once
from mediashelf.formats.inf.strings import all_strings, strings_again
from mediashelf.formats.inf.text import DEFAULT_CODE_PAGE, decode_inf

_DEFAULT_LANGUAGE = 0x0409

_MAX_TEXT = 4096
"""Longest value of a string since 6.0 (INF Strings section); longer text is cut when it is used."""

MOST_SUBSTITUTED = 8 << 20
"""Characters that all %tokens% of a text together may become; our own limit."""

_TOKEN = re.compile(r"%([^%]*)%")
_DRIVER_DATE = re.compile(r"([0-9]{2})[/-]([0-9]{2})[/-]([0-9]{4})", re.ASCII)
_DRIVER_VERSION = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,9}){0,3}", re.ASCII)

_Answer = TypeVar("_Answer")


class Signature(StrEnum):
    """Which systems the INF says it is for (INF Version section; the third from memory)."""

    WINDOWS_NT = "$windows nt$"
    CHICAGO = "$chicago$"
    WINDOWS_95 = "$windows 95$"


_SIGNATURES: dict[str, Signature] = {one.value: one for one in Signature}


class InfKind(StrEnum):
    """What a text with the name of an INF is."""

    DRIVER = "driver"  # [Version] and [Manufacturer]
    SCRIPT = "script"  # [Version], but names no device: runs by hand
    OEM_SETUP = "oem-setup"  # the scripts of older systems, chosen by hand from a list
    OTHER = "other"  # [autorun] and whatever else has the name


class DriverVersion(NamedTuple):
    """Date and version of ``DriverVer``; compares as systems compare packages.

    A missing or malformed date is (0, 0, 0) (INF DriverVer directive).
    """

    date: tuple[int, int, int] = (0, 0, 0)  # year, month, day
    version: tuple[int, int, int, int] = (0, 0, 0, 0)

    @property
    def date_text(self) -> str:
        """The date as ``1999-03-18``, or ``no date``."""
        year, month, day = self.date
        return f"{year:04}-{month:02}-{day:02}" if year else "no date"

    @property
    def version_text(self) -> str:
        """The version as ``4.10.3.204``."""
        return ".".join(map(str, self.version))


class Inf(Struct, weakref=True, eq=False):
    """A parsed INF. ``text`` is there only while it is at hand, and of such as break no rule.

    Then ``again`` gives it once more. ``derived`` is for answers that are asked for again and
    again, and ``passing`` for such as are needed only while the text is at hand.
    """

    _sections: Mapping[str, InfSection] | None
    _strings: Mapping[str, str] | None = None
    encoding: str = "cp1252"
    has_mark: bool = False
    undecoded: int = 0
    is_ascii: bool = True
    size: int = 0
    problems: tuple[Problem, ...] = ()
    text: str = ""
    again: Again | None = None
    language: int = _DEFAULT_LANGUAGE
    derived: dict[object, Any] = field(default_factory=dict)
    passing: dict[object, Any] = field(default_factory=dict)

    @property
    def sections(self) -> Mapping[str, InfSection]:
        """The sections by lower-case name, in order of appearance."""
        if self._sections is not None:
            return self._sections
        assert self.again is not None
        return sections_again(self.again)

    @property
    def strings(self) -> Mapping[str, str]:
        """What tokens stand for, by lower-case name."""
        if self._strings is not None:
            return self._strings
        if self._sections is None:
            assert self.again is not None
            return strings_again(self.again, self.language)
        self._strings = all_strings(self._sections, self.language)
        return self._strings

    def let_go(self) -> None:
        """Keep the answers from now on, and the text only where it cannot be had again."""
        self.passing.clear()
        if self.text:
            self.again = self.again or Packed(self.text)
            self._sections = self._strings = None
            self.text = ""

    def section(self, name: str) -> InfSection | None:
        """Return the section of this name in any case, or None."""
        sections = self._sections  # as the property does, which is asked most often
        return (self.sections if sections is None else sections).get(name.lower())

    def expand(self, text: str) -> str:
        """Return ``text`` with ``%strings%`` replaced and ``%%`` as ``%``.

        A token without a string stays as it is; replaced text is not looked at again.
        Results are cut at :data:`_MAX_TEXT`.
        """
        if "%" not in text:
            return text
        return _TOKEN.sub(self._replacement, text)[:_MAX_TEXT]

    def undefined(self, text: str) -> list[str]:
        """Return the tokens in ``text`` that no string defines (numbers are folder ids)."""
        if "%" not in text:
            return []
        return [token for token in _TOKEN.findall(text) if not self.is_defined(token)]

    def is_defined(self, token: str) -> bool:
        """Whether a token stands for something: a string, or by its number a folder."""
        return not token or token.isdecimal() or self.strings.get(token.lower()) is not None

    def are_defined(self, tokens: Sequence[str]) -> bool:
        """Whether every token, in lower case, stands for something."""
        strings = self.strings
        return all(map(strings.__contains__, tokens)) or all(map(self.is_defined, tokens))

    def expand_each(self, texts: Sequence[str]) -> list[str]:
        """Return the texts as :meth:`expand` does; most are one token each."""
        strings = self.strings
        return [
            strings.get(text[1:-1].lower(), text)[:_MAX_TEXT]
            if text[0] == text[-1] == "%" and text.count("%") == 2 and len(text) > 2
            else self.expand(text)
            for text in texts
        ]

    def _replacement(self, match: re.Match[str]) -> str:
        token = match[1]
        if not token:
            return "%"
        return self.strings.get(token.lower(), match[0])

    def version_value(self, key: str) -> str:
        """Return the first value of a [Version] entry, expanded; empty when there is none."""
        if key == "Signature":  # that of every text is shown
            return self.once("signature text", lambda: self._version_value(key))
        return self._version_value(key)

    def _version_value(self, key: str) -> str:
        section = self.section("version")
        entry = section.find(key) if section else None
        return self.expand(entry.value(0)).strip() if entry else ""

    def once(self, question: object, answer: Callable[[], _Answer]) -> _Answer:
        """Return the answer to a question, kept in ``derived`` for the next one who asks."""
        return once(self.derived, question, answer)

    def for_now(self, question: object, answer: Callable[[], _Answer]) -> _Answer:
        """Return the answer to a question, kept while the text is at hand."""
        return once(self.passing, question, answer)

    @property
    def signature(self) -> Signature | None:
        """The signature, or None when it is absent or not one that is accepted."""
        return _SIGNATURES.get(self.version_value("Signature").lower())

    @property
    def kind(self) -> InfKind:
        """What this text is."""
        return self.once("kind", self._kind)

    def _kind(self) -> InfKind:
        if "manufacturer" in self.sections and "version" in self.sections:
            return InfKind.DRIVER
        if "identification" in self.sections or (
            "options" in self.sections and "version" not in self.sections
        ):
            return InfKind.OEM_SETUP
        if self.signature is not None:
            return InfKind.SCRIPT
        if "manufacturer" in self.sections:
            return InfKind.DRIVER  # without [Version]: not accepted, and check_inf says so
        return InfKind.OTHER

    @property
    def driver_version(self) -> DriverVersion:
        """Date and version of DriverVer; what is malformed counts as zero."""
        return self.once("version", self._driver_version)

    def _driver_version(self) -> DriverVersion:
        entry = self.driver_version_entry
        if entry is None:
            return DriverVersion()
        date = parse_driver_date(self.expand(entry.value(0)))
        version = parse_driver_version(self.expand(entry.value(1)))
        return DriverVersion(date or (0, 0, 0), version or (0, 0, 0, 0))

    @property
    def driver_version_entry(self) -> InfEntry | None:
        """The DriverVer entry of [Version], or None."""
        section = self.section("version")
        return section.find("DriverVer") if section else None


def parse_inf(
    data: bytes,
    *,
    code_page: str = DEFAULT_CODE_PAGE,
    language: int = _DEFAULT_LANGUAGE,
    again: Again | None = None,
) -> Inf:
    """Return what an INF says, in time linear in ``data``; never raises for its bytes.

    ``language`` is a language id: [Strings.0409] goes before [Strings]. ``again`` gives the
    text, with plain ends, after it was let go. ``LookupError``: an unknown ``code_page``.
    """
    decoded = decode_inf(data, code_page=code_page)
    text = plain_ends(decoded.text)
    sections: Mapping[str, InfSection] | None = None
    if decoded.text.count("%") // 2 * _MAX_TEXT <= MOST_SUBSTITUTED:
        sections = faultless_sections(text)
    problems: list[Problem] = []
    strings: Mapping[str, str] | None = None
    if sections is None:
        text = ""
        sections, problems = lex_inf(decoded.text)
        strings = all_strings(sections, language)
        if cut := _longest_string(decoded.text, strings):
            strings = {name: value[:cut] for name, value in strings.items()}
            problems.append(Problem("strings-cut", 0, f"{cut:,}"))
    return Inf(
        sections,
        strings,
        encoding=decoded.encoding,
        has_mark=decoded.has_mark,
        undecoded=decoded.undecoded,
        is_ascii=decoded.is_ascii,
        size=len(data),
        problems=tuple(problems),
        text=text,
        again=again,
        language=language,
    )


def _longest_string(text: str, strings: Mapping[str, str]) -> int:
    """Return to what length strings must be cut so that all substitutions are bounded, or 0."""
    tokens = text.count("%") // 2
    if tokens * min(max(map(len, strings.values()), default=0), _MAX_TEXT) <= MOST_SUBSTITUTED:
        return 0  # also if every token were the longest
    sizes = {f"%{name}%": min(len(value), _MAX_TEXT) for name, value in strings.items()}
    total = sum(sizes.get(match[0].lower(), 0) for match in _TOKEN.finditer(text))
    return MOST_SUBSTITUTED // tokens if total > MOST_SUBSTITUTED else 0


def parse_driver_date(text: str) -> tuple[int, int, int] | None:
    """Return (year, month, day) of ``mm/dd/yyyy`` or ``mm-dd-yyyy``, or None."""
    match = _DRIVER_DATE.fullmatch(text.strip())
    if match is None:
        return None
    month, day, year = int(match[1]), int(match[2]), int(match[3])
    if not (1 <= month <= 12 and 1 <= day <= _days(month, year) and year):
        return None
    return year, month, day


def _days(month: int, year: int) -> int:
    if month == 2:
        return 29 if year % 4 == 0 and (year % 100 != 0 or year % 400 == 0) else 28
    return 30 if month in (4, 6, 9, 11) else 31


def parse_driver_version(text: str) -> tuple[int, int, int, int] | None:
    """Return the parts of ``w.x.y.z``, missing ones as 0; None when a part is out of range.

    Each part is less than 65535, and 0.0.0.0 is invalid (INF DriverVer directive).
    """
    if not _DRIVER_VERSION.fullmatch(text.strip()):
        return None
    parts = [int(part) for part in text.strip().split(".")]
    w, x, y, z = [*parts, 0, 0, 0][:4]
    if max(parts) >= 65535 or not any(parts):
        return None
    return w, x, y, z
