"""What a question reads of an INF's models, when only some devices matter."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.models import (
    MAX_DESCRIPTION,
    Maker,
    Model,
    makers,
    model_sections,
    models_for,
    models_in,
)
from mediashelf.formats.inf.systems import InfSystem, choose_models
from mediashelf.formats.inf.text.columns import BOARD, ModelColumns, model_columns


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
            naming += models_in(inf, maker, name, rows)
    return ModelsRead(tuple(installs.values()), tuple(naming), hash(hardware_ids))


def _plain_model(
    inf: Inf, maker: Maker, name: str, columns: ModelColumns, row: int, line: int
) -> Model:
    """Return what :func:`models_in` does for a line of the plainest form."""
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
        for model in models_in(inf, maker, name):
            found.update(wanted.intersection((model.hardware_id, *model.compatible_ids)))
    return tuple(sorted(found))


def _names(model: Model) -> tuple[str, ...]:
    chip, mark, _ = model.hardware_id.partition(BOARD)
    return (model.hardware_id, *((chip,) if mark else ()), *model.compatible_ids)
