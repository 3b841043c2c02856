"""The architecture, held by a test: imports point downwards, third parties stay in one place."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "mediashelf"

LAYERS = [
    {"sequences", "collector"},
    {"errors", "version", "findings", "text", "system", "package_names"},
    {"amounts"},
    {"files", "file_view", "disk_writer", "own_process", "places", "tables"},
    {"formats", "helping"},
    {"image"},
    {"trees"},
    {"integrity", "readability", "building", "drivers"},
    {"catalogue", "sessions"},
    {"reports"},
    {"jobs"},
    {"demo"},
    {"cli"},
]
MOST_MODULES = 15  # in one folder: more than that tells nobody where to look
RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}

HOME_OF_THIRD_PARTY = {
    "pycdlib": {"building/writing/second_reader.py"},
    "sqlite3": {"catalogue"},
    "click": {"cli"},
    "tqdm": {"cli"},
    "jinja2": {"reports"},
    "xxhash": {"integrity/fixity/digests.py", "building/sources/digesting.py"},
    "fastcrc": {"formats", "integrity"},
    "anyascii": {"building/naming/characters.py"},
    "platformdirs": {"places.py"},
    "wcwidth": {"text.py"},
    "libarchive": {"trees/archives/library_child.py"},
    "inflate64": {"trees/zips/methods.py"},
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


def part_of(name: str) -> str:
    """Return the sub-package of a dotted name, or its module where it is in none."""
    return ".".join(name.split(".")[1:3])


def imported_modules() -> dict[str, set[str]]:
    modules = {
        "mediashelf." + ".".join(path.relative_to(PACKAGE).with_suffix("").parts): path
        for path in FILES
        if path.name != "__init__.py"
    }
    known = {name: set[str]() for name in modules}
    for name, path in modules.items():
        for found in imported_names(path):
            known[name] |= {one for one in (found, found.rpartition(".")[0]) if one in modules}
    return known


def circles(arrows: dict[str, set[str]]) -> set[str]:
    """Return the names that can be reached from themselves: those left when ends are taken away."""
    left = {name: set(others) for name, others in arrows.items()}
    while ends := {name for name, others in left.items() if not others & left.keys()}:
        for name in ends:
            del left[name]
    return set(left)


def test_a_circle_is_found() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == {"a", "b", "c", "d"}
    assert circles({"a": {"b", "c"}, "b": {"c"}, "c": set()}) == set()


def test_no_part_imports_in_a_circle() -> None:
    arrows: dict[str, set[str]] = {}
    for name, others in imported_modules().items():
        own = part_of(name)
        arrows.setdefault(own, set()).update(part_of(other) for other in others)
        arrows[own].discard(own)
    assert circles(arrows) == set()
    assert circles({name: others - {name} for name, others in imported_modules().items()}) == set()


FOLDERS = sorted({path.parent for path in PACKAGE.rglob("*.py")})


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_folder_is_small_and_says_what_belongs_there(folder: Path) -> None:
    modules = [path for path in folder.glob("*.py") if path.name[:2] != "__"]
    assert len(modules) <= MOST_MODULES
    assert ast.get_docstring(ast.parse((folder / "__init__.py").read_text("utf-8")))


def test_a_class_has_its_own_name() -> None:
    """A word means one thing: no two modules define classes of the same public name."""
    homes: dict[str, list[str]] = {}
    for path in FILES:
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes.setdefault(node.name, []).append(str(path.relative_to(PACKAGE)))
    assert len(homes) > 100
    assert {name: paths for name, paths in homes.items() if len(paths) > 1} == {}


def test_what_is_called_check_yields_findings() -> None:
    names = 0
    for path in FILES:
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("check_"):
                names += 1
                returned = ast.unparse(node.returns) if node.returns is not None else ""
                assert "Finding" in returned, f"{path}: {node.name} returns {returned}"
    assert names > 10
