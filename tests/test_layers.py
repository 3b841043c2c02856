"""The architecture, held by a test: imports point downwards, third parties stay in one place."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "mediashelf"

LAYERS = [
    {"errors", "findings", "text"},
    {"files", "places"},
    {"formats"},
    {"image"},
    {"integrity", "readability", "building", "drivers"},
    {"catalogue", "sessions"},
    {"reports"},
    {"demo"},
    {"cli"},
]
RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}

HOME_OF_THIRD_PARTY = {
    "pycdlib": {"building/write.py"},
    "sqlite3": {"catalogue"},
    "click": {"cli"},
    "tqdm": {"cli"},
    "jinja2": {"reports"},
    "xxhash": {"integrity/digests.py"},
    "fastcrc": {"formats", "integrity"},
    "anyascii": {"building/names.py"},
}

FILES = sorted(
    path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE or path.name[:2] != "__"
)


def own_part(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_names(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: absolute imports only"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_downwards(path: Path) -> None:
    own = own_part(path)
    for name in imported_names(path):
        if not name.startswith("mediashelf.") or name == "mediashelf.__version__":
            continue
        other = name.split(".")[1]
        assert other in RANK, f"{path}: {name} is in no layer"
        assert other == own or RANK[other] < RANK[own], f"{own} must not import {other}"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_third_parties_stay_in_their_place(path: Path) -> None:
    relative = path.relative_to(PACKAGE).as_posix()
    for name in imported_names(path):
        homes = HOME_OF_THIRD_PARTY.get(name.split(".")[0])
        if homes is not None:
            assert relative in homes or own_part(path) in homes, f"{relative} must not use {name}"


def test_every_part_has_a_layer() -> None:
    assert {own_part(path) for path in FILES} <= set(RANK)
