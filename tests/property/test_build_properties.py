"""Plan, build, read back: any tree that a host can hold comes out as it went in."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing.write import build_disc
from mediashelf.formats.volume import DiscFacts, VolumeKind
from mediashelf.image import open_image
from outside_readers import libarchive_tree, pycdlib_tree, sleuth_kit_tree
from strategies import host_names

parts = host_names().filter(lambda name: len(os.fsencode(name)) <= 200)
paths = st.lists(parts, min_size=1, max_size=10).map(tuple)
contents = st.sampled_from([b"", b"a", b"b" * 2047, b"b" * 2048, b"c" * 2049, b"d" * 5000])
# None is an empty folder.
trees = st.dictionaries(paths, st.one_of(st.none(), contents), max_size=12)


def make_tree(top: Path, tree: dict[tuple[str, ...], bytes | None]) -> None:
    """Write what can be written: a name may be wanted for a file and for a folder."""
    top.mkdir()
    for number, (names, content) in enumerate(sorted(tree.items(), key=lambda item: item[0])):
        path = top.joinpath(*names)
        try:
            if content is None:
                path.mkdir(parents=True, exist_ok=True)
                continue
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        except (FileExistsError, NotADirectoryError, IsADirectoryError):
            continue
        os.utime(path, (900_000_000 + number, 900_000_000 + number))


def without_offsets(facts: DiscFacts) -> DiscFacts:
    """Facts of an image as a plan has them: it knows no offsets of records."""
    volumes = tuple(
        replace(volume, entries=tuple(e._replace(record_offset=-1) for e in volume.entries))
        for volume in facts.volumes
    )
    return replace(facts, volumes=volumes)


def tree_of(plan: DiscPlan, kind: VolumeKind, digests: dict[str, str]) -> dict[str, str]:
    """What a reader must see, from the plan and the digests of the sources."""
    volume = plan.facts.volume(kind)
    assert volume is not None
    long_paths = {file.short_path: file.long_path for file in plan.files}
    if kind is VolumeKind.JOLIET:
        long_paths = {path: path for path in long_paths.values()}
    return {
        entry.path: "" if entry.is_directory else digests[long_paths[entry.path]]
        for entry in volume.entries
    }


@given(trees)
@settings(
    derandomize=True,
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_every_reader_lists_what_was_put_in(
    tmp_path: Path, tree: dict[tuple[str, ...], bytes | None]
) -> None:
    top, disc = tmp_path / "top", tmp_path / "disc.iso"
    shutil.rmtree(top, ignore_errors=True)
    make_tree(top, tree)

    plan = plan_disc(recipe_from_folders([top]))
    built = build_disc(plan, disc)

    assert disc.stat().st_size == plan.size == built.size
    for file in plan.files:
        if file.source:
            data = Path(file.source).read_bytes()
            assert built.digests[file.long_path] == hashlib.sha256(data).hexdigest()
    with open_image(disc) as image:
        assert not image.findings
        assert without_offsets(image.facts) == plan.facts
    short = tree_of(plan, VolumeKind.ISO9660, built.digests)
    long = tree_of(plan, VolumeKind.JOLIET, built.digests)
    assert pycdlib_tree(disc, joliet=False) == short
    assert pycdlib_tree(disc, joliet=True) == long
    assert libarchive_tree(disc, joliet=False) == short
    assert libarchive_tree(disc, joliet=True) == long
    assert sleuth_kit_tree(disc) == long


@pytest.mark.parametrize("count", [0, 1])
def test_the_smallest_discs(tmp_path: Path, count: int) -> None:
    top, disc = tmp_path / "top", tmp_path / "disc.iso"
    make_tree(top, {("empty.txt",): b""} if count else {})
    plan = plan_disc(replace(recipe_from_folders([top]), index=False))
    build_disc(plan, disc)
    assert disc.stat().st_size == 300 * 2048
    assert len(pycdlib_tree(disc, joliet=True)) == count
