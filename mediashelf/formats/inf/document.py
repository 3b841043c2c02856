"""Driver INF text → sections, strings and the facts of [Version].

``parse_inf`` takes bytes and always gives an :class:`Inf`; what the rules do not
allow is kept as problems with line numbers, which ``checks.check_inf`` turns
into findings. Sources are pages of the published driver documentation, by name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from typing import Any, TypeVar

from msgspec import Struct, field

from mediashelf.formats.inf.driver_version import DriverVersion
from mediashelf.formats.inf.text.encoding import DEFAULT_CODE_PAGE, decode_inf
from mediashelf.formats.inf.text.faultless import Again, Packed, faultless_sections, sections_again
from mediashelf.formats.inf.text.lexer import Problem, lex_inf
from mediashelf.formats.inf.text.lines import iter_dropped, plain_ends
from mediashelf.formats.inf.text.sections import InfEntry, InfSection, once
from mediashelf.formats.inf.text.strings import (
    MAX_TEXT,
    TOKEN,
    all_strings,
    are_surely_bounded,
    longest_string,
    strings_again,
)

_DEFAULT_LANGUAGE = 0x0409

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
        Results are cut at :data:`MAX_TEXT`.
        """
        if "%" not in text:
            return text
        return TOKEN.sub(self._replacement, text)[:MAX_TEXT]

    def undefined(self, text: str) -> list[str]:
        """Return the tokens in ``text`` that no string defines (numbers are folder ids)."""
        if "%" not in text:
            return []
        return [token for token in TOKEN.findall(text) if not self.is_defined(token)]

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
            strings.get(text[1:-1].lower(), text)[:MAX_TEXT]
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
        return DriverVersion.parse(self.expand(entry.value(0)), self.expand(entry.value(1)))

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
    if are_surely_bounded(decoded.text):
        sections = faultless_sections(text)
    problems = [Problem(*one) for one in iter_dropped(decoded.text)]
    strings: Mapping[str, str] | None = None
    if sections is None:
        text = ""
        sections, lexed = lex_inf(decoded.text)
        problems += lexed
        strings = all_strings(sections, language)
        if cut := longest_string(decoded.text, strings):
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
