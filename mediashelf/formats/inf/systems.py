"""Which sections of an INF a system reads: platform suffixes and target decorations.

Sources: pages INF Manufacturer section and
Combining Platform Extensions with Operating System Versions. Three things here are
from memory: that 9x systems and NT systems before 5.1 take the undecorated models
section, which signatures 9x systems and NT systems refuse, and the order in which
version, platform, product type and suite mask count towards "closest".
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import NamedTuple

from mediashelf.formats.inf.document import Inf, Signature

_DECORATED_SINCE = (5, 1)
"""First NT version that reads decorations of models sections (from memory)."""

_PLATFORM_NEEDED_SINCE = (5, 2)
"""First NT version that wants a platform in the decoration off x86 (5.2, service pack 1)."""

ARCHITECTURES = ("x86", "ia64", "amd64", "arm", "arm64")

_DECORATION = re.compile(
    r"nt(?P<architecture>[a-z][a-z0-9]{1,5})?"
    r"(?:\.(?P<major>[0-9]{0,9})(?:\.(?P<minor>[0-9]{0,9})(?:\.(?P<product>0x[0-9a-f]{1,8}|[0-9]{0,9})"
    r"(?:\.(?P<suite>0x[0-9a-f]{1,8}|[0-9]{0,9})(?:\.(?P<build>[0-9]{0,9}))?)?)?)?)?",
    re.ASCII,
)


class InfSystem(NamedTuple):
    """The system that reads an INF.

    ``version`` is (major, minor) of an NT system, and unused for 9x. A product
    type of 1 is a workstation; ``suite_mask`` has the bits of its suites.
    """

    is_nt: bool
    version: tuple[int, int] = (5, 1)
    architecture: str = "x86"
    product_type: int = 1
    suite_mask: int = 0
    build: int = 0

    @property
    def install_suffixes(self) -> tuple[str, ...]:
        """Suffixes of install sections, the first that exists is used (INF DDInstall section)."""
        return (f".nt{self.architecture}", ".nt", "") if self.is_nt else ("",)

    @property
    def source_suffixes(self) -> tuple[str, ...]:
        """Suffixes of the source disk sections, looked up in this order."""
        return (f".{self.architecture}", "")

    @property
    def accepts_undecorated(self) -> bool:
        """Whether a models section without decoration counts (INF Manufacturer section)."""
        return not self.is_nt or self.architecture == "x86" or self.version < _PLATFORM_NEEDED_SINCE

    def accepts(self, signature: Signature | None) -> bool:
        """Whether this system takes INFs of that signature (the distinction: from memory)."""
        if signature is None:
            return False
        other = Signature.WINDOWS_95 if self.is_nt else Signature.WINDOWS_NT
        return signature is not other


class Decoration(NamedTuple):
    """``NT[Arch][.[Major][.[Minor][.[ProductType][.[SuiteMask][.Build]]]]]``; None is absent."""

    text: str
    architecture: str = ""
    major: int | None = None
    minor: int | None = None
    product_type: int | None = None
    suite_mask: int | None = None
    build: int | None = None

    def matches(self, system: InfSystem) -> bool:
        """Whether models of this decoration are for ``system``: its version "or later"."""
        if self.architecture and self.architecture != system.architecture:
            return False
        if not self.architecture and not system.accepts_undecorated:
            return False
        if (self.major or 0, self.minor or 0) > system.version:
            return False
        is_same_version = (self.major or 0, self.minor or 0) == system.version
        if is_same_version and (self.build or 0) > system.build:
            return False
        if self.product_type is not None and self.product_type != system.product_type:
            return False
        return self.suite_mask is None or bool(self.suite_mask & system.suite_mask)

    @property
    def closeness(self) -> tuple[int, ...]:
        """Compares among decorations that match; the greatest is the closest."""
        return (*self.version_closeness, bool(self.architecture), *self.edition_closeness)

    @property
    def platform_closeness(self) -> tuple[int, ...]:
        """The same, with the platform before the version: the other way to read "closest"."""
        return (bool(self.architecture), *self.version_closeness, *self.edition_closeness)

    @property
    def version_closeness(self) -> tuple[int, ...]:
        return (self.major or 0, self.minor or 0, self.build or 0)

    @property
    def edition_closeness(self) -> tuple[int, ...]:
        return (self.product_type is not None, self.suite_mask is not None)


def parse_decoration(text: str) -> Decoration | None:
    """Return a decoration as written after a models section's name, or None for anything else."""
    match = _DECORATION.fullmatch(text.strip().lower())
    if match is None:
        return None
    architecture = match["architecture"] or ""
    if architecture and architecture not in ARCHITECTURES:
        return None
    numbers = (_number(match[name]) for name in ("major", "minor", "product", "suite", "build"))
    return Decoration(text.strip(), architecture, *numbers)


def _number(text: str | None) -> int | None:
    if not text:
        return None
    return int(text, 16) if text.startswith("0x") else int(text)


class ModelsChoice(NamedTuple):
    """The models section that a system takes from one line of [Manufacturer].

    ``section`` is its name, None when nothing there is for the system.
    ``is_ambiguous`` is True when another order of "closest" would choose another.
    """

    section: str | None
    is_ambiguous: bool = False


def choose_models(base: str, decorations: Iterable[str], system: InfSystem) -> ModelsChoice:
    """Return the one models section that ``system`` takes from a line of [Manufacturer]."""
    undecorated = base if system.accepts_undecorated else None
    if not system.is_nt or system.version < _DECORATED_SINCE:
        return ModelsChoice(undecorated)
    parsed = [parse_decoration(text) for text in decorations]
    matching = [one for one in parsed if one is not None and one.matches(system)]
    if not matching:
        return ModelsChoice(undecorated)
    best = max(matching, key=lambda one: one.closeness)
    other = max(matching, key=lambda one: one.platform_closeness)
    return ModelsChoice(f"{base}.{best.text}", is_ambiguous=best != other)


def find_install_section(inf: Inf, name: str, system: InfSystem) -> str | None:
    """Return the name of the install section with the suffix that ``system`` takes, or None."""
    suffixes = system.install_suffixes
    return inf.for_now(("install", name.lower(), suffixes), lambda: _first(inf, name, suffixes))


def _first(inf: Inf, name: str, suffixes: tuple[str, ...]) -> str | None:
    sections = (inf.section(name + suffix) for suffix in suffixes)
    return next((section.name for section in sections if section is not None), None)
