"""What DEVELOPERS.md and our scripts name exists: paths, names in the code, layers in order."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import pytest
from test_layers import PACKAGE, RANK

ROOT = Path(__file__).parents[1]
GUIDE = (ROOT / "DEVELOPERS.md").read_text("utf-8").partition("\n## Changes")[0]
BLOCKS = re.compile(r"^```.*?^```", re.M | re.S)
PATHS = {
    path.relative_to(ROOT).as_posix(): path
    for folder in ("mediashelf", "tests", "fixtures", ".ci")
    for path in (ROOT / folder).rglob("*")
    if "__pycache__" not in path.parts
}
CODE = {name: path.read_text("utf-8") for name, path in PATHS.items() if path.suffix == ".py"}
QUOTED = sorted(set(re.findall(r"`([^`\n]+)`", BLOCKS.sub("", GUIDE))))
NAMED_PATHS = [
    one for one in QUOTED if re.fullmatch(r"[\w./-]+(/|\.(py|toml|css|sqlite|json)|/[\w-]+)", one)
]
# ``DiscFacts``, ``_open_bytes``, ``LAYOUTS``: plain words are commands, units and examples too.
NAMED_IN_CODE = [one for one in QUOTED if re.fullmatch(r"@?(\w*_\w+|[A-Z]\w*[a-z]\w*|[A-Z]+)", one)]
OUTSIDE = {"PAGER", "SOURCE_DATE_EPOCH"}  # of the environment


def found_at(named: str) -> list[str]:
    """Return the paths of the repository that end in this one."""
    wanted = "/" + named.rstrip("/")
    return [name for name in [*PATHS, "fixtures"] if f"/{name}".endswith(wanted)]


def test_the_guide_names_much() -> None:
    assert len(NAMED_PATHS) > 40
    assert len(NAMED_IN_CODE) > 40


@pytest.mark.parametrize("named", NAMED_PATHS)
def test_a_path_exists(named: str) -> None:
    assert found_at(named)


@pytest.mark.parametrize("named", sorted(set(NAMED_IN_CODE) - OUTSIDE))
def test_a_name_is_in_the_code(named: str) -> None:
    pattern = re.compile(rf"\b{named.lstrip('@').replace('_NAME_', '_[a-z]+_')}\b")
    assert any(pattern.search(text) for text in CODE.values())


@pytest.mark.parametrize(
    ("named", "path"), re.findall(r"`@?([\w.]+)[^`\n]*`\s(?:of|in)\s`([\w/]+\.py)`", GUIDE)
)
def test_a_name_is_in_the_module_beside_it(named: str, path: str) -> None:
    assert any(re.search(rf"\b{named}\b", CODE[one]) for one in found_at(path))


SCRIPTS = [path for name, path in PATHS.items() if name.startswith(".ci/") and not path.suffix]


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_tests_that_a_script_runs_exist(script: Path) -> None:
    named = re.findall(r"\btests/[\w/.]+", script.read_text("utf-8")) if script.is_file() else []
    assert [one for one in named if not (ROOT / one).exists()] == []


def named_folders() -> list[tuple[str, set[str]]]:
    """Return the parts of the drawing of the layers, each with the sub-packages named for it."""
    block = next(one for one in BLOCKS.findall(GUIDE) if "\n0  " in one)
    found: list[tuple[str, set[str]]] = []
    for line in block.splitlines()[1:-1]:
        if line[:5].isspace():  # sub-packages of the part above
            rest = line.split()
            known = {one for one in rest if (PACKAGE / found[-1][0] / one).is_dir()}
            assert rest[0] in known, line
            found[-1][1].update(known)
            continue
        names = line[3:33].partition("(")[0].replace("/", "").split()
        found += [(name, set[str]()) for name in names]
        for inside in re.findall(r"\s\((.+?)\)\s", line):
            found[-1][1].update(inside.split())
    return found


def test_layers_are_in_the_order_that_the_code_has() -> None:
    named = [name for name, _ in named_folders()]
    assert sorted(named) == sorted(RANK)
    assert [RANK[name] for name in named] == sorted(RANK.values())


def test_each_folder_is_drawn_in_its_part() -> None:
    drawn = {f"{part}/{one}" for part, inside in named_folders() for one in inside}
    assert drawn == {
        path.parent.relative_to(PACKAGE).as_posix() for path in PACKAGE.glob("*/*/__init__.py")
    }


def test_modules_and_folders_are_as_small_as_the_guide_says() -> None:
    modules = {name: text for name, text in CODE.items() if name.startswith("mediashelf/")}
    long = {name: text.count("\n") for name, text in modules.items() if text.count("\n") > 250}
    assert not long
    names = [name for name in modules if not name.rpartition("/")[2].startswith("__")]
    folders = Counter(name.rpartition("/")[0] for name in names)
    assert not {folder: count for folder, count in folders.items() if count > 15}
