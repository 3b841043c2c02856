"""The devices that an INF names: [Manufacturer] → models → identifiers and install sections.

Sources: INF Manufacturer section, INF Models section.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from mediashelf.formats.inf.columns import BOARD, ModelColumns, model_columns
from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.sections import InfSection
from mediashelf.formats.inf.systems import InfSystem, choose_models

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


def _models_in(
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
            yield from _models_in(inf, maker, choice.section)


class ModelsRead(NamedTuple):
    """What a system reads of an INF's models sections, when only some devices matter.

    ``installs`` are all install names, ``naming`` the entries that name a wanted device,
    and ``identity`` is equal for texts with the same hardware ids.
    """

    installs: tuple[str, ...]
    naming: tuple[Model, ...]
    identity: int


def read_models(models: Iterable[Model], wanted: frozenset[str] | None = None) -> ModelsRead:
    """Go once over models entries; ``wanted`` are identifiers, None wants every device.

    A chip is wanted with all its boards.
    """
    installs: dict[str, str] = {}
    naming = []
    hardware_ids = set()
    for model in models:
        installs.setdefault(model.install.lower(), model.install)
        hardware_ids.add(model.hardware_id)
        if wanted is None or not wanted.isdisjoint(_names(model)):
            naming.append(model)
    return ModelsRead(tuple(installs.values()), tuple(naming), hash(frozenset(hardware_ids)))


def models_read_by(inf: Inf, system: InfSystem, wanted: frozenset[str] | None) -> ModelsRead:
    """Return what a system reads."""
    if wanted is None:
        return read_models(models_for(inf, system))
    chosen: dict[str, tuple[Maker, str]] = {}
    for maker in makers(inf):
        name = choose_models(maker.models, maker.decorations, system).section
        if name is not None:
            chosen.setdefault(name.lower(), (maker, name))
    return inf.for_now(  # the same for all systems that read the same sections
        ("models", tuple(chosen), wanted),
        lambda: (
            _read_columns(inf, chosen.values(), wanted)
            or read_models(models_for(inf, system), wanted)
        ),
    )


def _read_columns(
    inf: Inf, chosen: Iterable[tuple[Maker, str]], wanted: frozenset[str]
) -> ModelsRead | None:
    """Return what :func:`read_models` does; None where a section has no columns."""
    installs: dict[str, str] = {}
    naming: list[Model] = []
    hardware_ids: frozenset[str] = frozenset()
    for maker, name in chosen:
        section = inf.section(name)
        if section is None:
            continue
        columns = model_columns(section)
        if columns is None:
            return None
        for install in columns.installs:
            installs.setdefault(install.lower(), install)
        hardware_ids = hardware_ids.union(columns.hardware_ids)
        rows = columns.rows_naming(wanted)
        line = section.first_line if columns.rows and rows else 0
        if line:
            naming += (_plain_model(inf, maker, name, columns, row, line + row) for row in rows)
        else:
            naming += _models_in(inf, maker, name, rows)
    return ModelsRead(tuple(installs.values()), tuple(naming), hash(hardware_ids))


def _plain_model(
    inf: Inf, maker: Maker, name: str, columns: ModelColumns, row: int, line: int
) -> Model:
    """Return what :func:`_models_in` does for a line of the plainest form."""
    description = inf.expand(columns.descriptions[row])[:MAX_DESCRIPTION]
    hardware_id = columns.hardware_ids[row]
    return Model(maker.name, description, name, columns.rows[row], hardware_id, (), line)


def identifiers_named(inf: Inf, wanted: frozenset[str]) -> tuple[str, ...]:
    """Return the wanted identifiers that any models section names; kept with the text."""
    return inf.once(("named", wanted), lambda: _named(inf, wanted))


def _named(inf: Inf, wanted: frozenset[str]) -> tuple[str, ...]:
    found: set[str] = set()
    for maker, name, section in model_sections(inf):
        columns = model_columns(section)
        if columns is not None:
            found |= columns.named(wanted)
            continue
        for model in _models_in(inf, maker, name):
            found.update(wanted.intersection((model.hardware_id, *model.compatible_ids)))
    return tuple(sorted(found))


def _names(model: Model) -> tuple[str, ...]:
    chip, mark, _ = model.hardware_id.partition(BOARD)
    return (model.hardware_id, *((chip,) if mark else ()), *model.compatible_ids)


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
            found.update((model.description, None) for model in _models_in(inf, maker, name))
        else:
            texts = inf.expand_each(columns.descriptions)
            found |= dict.fromkeys([text[:MAX_DESCRIPTION] for text in texts])
    return tuple(found)


def first_manufacturer(inf: Inf) -> str:
    """Return the manufacturer of the first device, empty where there is none."""
    for maker, name, section in model_sections(inf):
        if model_columns(section) or any(True for _ in _models_in(inf, maker, name)):
            return maker.name
    return ""


def maker_of(inf: Inf) -> str:
    """Return who made the package, as its text says; kept with the text."""
    return inf.once("maker", lambda: inf.version_value("Provider") or first_manufacturer(inf))


def all_models(inf: Inf) -> Iterator[Model]:
    """Yield the models of every section that [Manufacturer] names, whatever the system."""
    for maker, name, _ in model_sections(inf):
        yield from _models_in(inf, maker, name)
