"""The devices that an INF names: [Manufacturer] → models → identifiers and install sections.

Sources: INF Manufacturer section, INF Models section.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.systems import InfSystem, choose_models
from mediashelf.formats.inf.text.columns import model_columns
from mediashelf.formats.inf.text.sections import InfSection

_FEW = 64
MAX_DESCRIPTION = 255  # enough to tell devices apart; a bound on what hostile strings cost


class Model(NamedTuple):
    """One models entry: a device, its install section and its identifiers.

    ``hardware_id`` may be empty; identifiers are in upper case, in the INF's
    order. ``section`` is the models section, ``install`` the install section's
    name before any platform suffix. ``line`` is that of the entry.
    """

    manufacturer: str
    description: str
    section: str
    install: str
    hardware_id: str
    compatible_ids: tuple[str, ...]
    line: int


class Maker(NamedTuple):
    """One line of [Manufacturer]: a name, the base of its models sections, decorations."""

    name: str
    models: str
    decorations: tuple[str, ...]
    line: int

    def iter_sections(self) -> Iterator[str]:
        """Yield the names of all its models sections, undecorated first.

        One by one: a long name for many decorations is more than memory should hold.
        """
        yield self.models
        for text in self.decorations:
            yield f"{self.models}.{text}"


def makers(inf: Inf) -> list[Maker]:
    """Return the lines of [Manufacturer] in order; kept with the text where they are few."""
    known: list[Maker] | None = inf.passing.get("makers")
    if known is None:
        known = _makers(inf)
        if sum(1 + len(maker.decorations) for maker in known) <= _FEW:
            inf.passing["makers"] = known
    return known


def _makers(inf: Inf) -> list[Maker]:
    section = inf.section("manufacturer")
    if section is None:
        return []
    found = []
    for entry in section.entries:
        values = [inf.expand(value).strip() for value in entry.values]
        # The bare form names manufacturer and models section at once.
        name = inf.expand(entry.key) if entry.key else values[0]
        if values[0]:
            decorations = tuple(value for value in values[1:] if value)
            found.append(Maker(name, values[0], decorations, entry.line))
    return found


def models_in(
    inf: Inf, maker: Maker, section_name: str, rows: Sequence[int] | None = None
) -> Iterator[Model]:
    """Yield the entries of one models section, or those of some lines of it.

    Nothing when there is no such section.
    """
    section = inf.section(section_name)
    if section is None:
        return
    for entry in section.entries if rows is None else section.entries_of(rows):
        install, *identifiers = [inf.expand(value).strip() for value in entry.values]
        if not (entry.key and install):
            continue
        hardware_id, *compatible = [text.upper() for text in identifiers] or [""]
        yield Model(
            manufacturer=maker.name,
            description=inf.expand(entry.key)[:MAX_DESCRIPTION],
            section=section_name,
            install=install,
            hardware_id=hardware_id,
            compatible_ids=tuple(text for text in compatible if text),
            line=entry.line,
        )


def models_for(inf: Inf, system: InfSystem) -> Iterator[Model]:
    """Yield the models that ``system`` takes: at most one section for each maker's line.

    A section that several lines name is read once.
    """
    seen = set()
    for maker in makers(inf):
        choice = choose_models(maker.models, maker.decorations, system)
        if choice.section is not None and choice.section.lower() not in seen:
            seen.add(choice.section.lower())
            yield from models_in(inf, maker, choice.section)


def model_sections(inf: Inf) -> Iterator[tuple[Maker, str, InfSection]]:
    """Yield every models section that is there with the name of it in [Manufacturer], each once."""
    seen = set()
    for maker in makers(inf):
        for name in maker.iter_sections():
            section = inf.section(name)
            if section is not None and name.lower() not in seen:
                seen.add(name.lower())
                yield maker, name, section


def descriptions(inf: Inf) -> tuple[str, ...]:
    """Return the names of all devices, each once, in the order of the text."""
    found: dict[str, None] = {}
    for maker, name, section in model_sections(inf):
        columns = model_columns(section)
        if columns is None:
            found.update((model.description, None) for model in models_in(inf, maker, name))
        else:
            texts = inf.expand_each(columns.descriptions)
            found |= dict.fromkeys([text[:MAX_DESCRIPTION] for text in texts])
    return tuple(found)


def first_manufacturer(inf: Inf) -> str:
    """Return the manufacturer of the first device, empty where there is none."""
    for maker, name, section in model_sections(inf):
        if model_columns(section) or any(True for _ in models_in(inf, maker, name)):
            return maker.name
    return ""


def maker_of(inf: Inf) -> str:
    """Return who made the package, as its text says; kept with the text."""
    return inf.once("maker", lambda: inf.version_value("Provider") or first_manufacturer(inf))


def all_models(inf: Inf) -> Iterator[Model]:
    """Yield the models of every section that [Manufacturer] names, whatever the system."""
    for maker, name, _ in model_sections(inf):
        yield from models_in(inf, maker, name)
