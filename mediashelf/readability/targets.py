"""Targets: operating-system families that must read a disc, as rows of data.

How a target is written is in :mod:`mediashelf.readability.target_files`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.errors import TargetError
from mediashelf.formats.volume import VolumeKind
from mediashelf.places import data_folder
from mediashelf.readability.limits import TREE_KINDS, Limit
from mediashelf.readability.target_files import (
    BUILT_IN,
    TargetFile,
    read_built_in_targets,
    read_target_folder,
)
from mediashelf.text import did_you_mean


class Target(Struct, frozen=True):
    """An operating-system family and what it can read.

    ``family`` names the rules by which it chooses drivers, which others know; empty
    when nobody said. ``first_phase`` is the target whose limits hold while its setup
    begins, if that is another one. ``file`` is the user's file, None for a built-in
    target.
    """

    name: str
    title: str
    limits: Mapping[str, Limit]
    family: str = ""
    first_phase: Target | None = None
    file: Path | None = None

    @property
    def trees(self) -> tuple[VolumeKind, ...]:
        """The naming trees that it reads, the preferred one first."""
        return _kinds(self.limits["trees"].words())


@cache
def _kinds(words: tuple[str, ...]) -> tuple[VolumeKind, ...]:
    return tuple(TREE_KINDS[word] for word in words)


def users_targets_folder() -> Path:
    """Return where a user's target files are looked for when no folder is named."""
    return data_folder() / "targets"


def load_targets(folder: Path | None = None) -> dict[str, Target]:
    """Return the built-in targets, oldest first, then the user's by name.

    ``folder`` holds the user's files; without it :func:`users_targets_folder` is
    taken where it exists. Raises TargetError for a file that is wrong, and for a
    folder that was named but is not there.
    """
    said = {file.name: file for file in read_built_in_targets()}
    for file in _read_users(folder):
        if file.name in BUILT_IN:
            raise TargetError(
                f"{file.path}: {file.name!r} is a built-in target; give the file another name "
                f'and say based_on = "{file.name}" in it'
            )
        said[file.name] = file
    targets = {name: _target(file, said) for name, file in said.items()}
    return {name: _with_first_phase(target, targets) for name, target in targets.items()}


def pick_targets(names: Iterable[str], targets: Mapping[str, Target]) -> list[Target]:
    """Return the targets of these names in this order, each once.

    Raises TargetError for a name that is unknown, and says which is nearest.
    """
    picked: dict[str, Target] = {}
    for name in names:
        if name not in targets:
            raise TargetError(
                f"{name!r} is not a target{did_you_mean(name, targets)} "
                f"(known: {', '.join(targets)})"
            )
        picked[name] = targets[name]
    return list(picked.values())


def _read_users(folder: Path | None) -> list[TargetFile]:
    place = folder or users_targets_folder()
    if place.is_dir():
        return read_target_folder(place)
    if folder is None:
        return []
    raise TargetError(f"{folder}: is not a folder; name one that holds target files")


def _target(file: TargetFile, said: Mapping[str, TargetFile]) -> Target:
    limits: dict[str, Limit] = {}
    family = ""
    for step in _lineage(file, said):
        for key in step.drop:
            if limits.pop(key, None) is None:
                raise TargetError(f"{step.path}: drop names {key!r}, which it does not take over")
        limits |= step.limits
        family = step.family or family
    if "trees" not in limits:
        raise TargetError(
            f"{file.path}: [limits.trees] is missing; say which naming trees it reads, "
            "or name a target in based_on"
        )
    own = None if file.name in BUILT_IN else file.path
    return Target(file.name, file.title, limits, family, file=own)


def _lineage(file: TargetFile, said: Mapping[str, TargetFile]) -> list[TargetFile]:
    """Return the files that a target is made of, the one everything is based on first."""
    lineage = [file]
    while name := lineage[-1].based_on:
        last = lineage[-1]
        if name not in said:
            raise TargetError(
                f"{last.path}: based_on names {name!r}, which is not a target"
                f"{did_you_mean(name, said)}"
            )
        if said[name] in lineage:
            raise TargetError(f"{last.path}: based_on leads from {name!r} back to itself")
        lineage.append(said[name])
    return lineage[::-1]


def _with_first_phase(target: Target, targets: Mapping[str, Target]) -> Target:
    limit = target.limits.get("first_phase")
    if limit is None:
        return target
    name = limit.text()
    if name == target.name or name not in targets:
        place = target.file or f"built-in target {target.name}"
        raise TargetError(
            f"{place}: [limits.first_phase]: value is {name!r}, expected another target"
            f"{did_you_mean(name, targets)}"
        )
    return replace(target, first_phase=targets[name])
