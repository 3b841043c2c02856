"""What a package needs from elsewhere is found, whether its sections are followed or not."""

from __future__ import annotations

import random

import pytest

from inf_mutations import SEED_TEXT, mutate
from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.drivers.packages.tree import PackageTree, TreeFile
from mediashelf.jobs.discs import source_packages
from mediashelf.jobs.discs.source_packages import iter_packages

PLAIN = SEED_TEXT.replace("LayoutFile=layout.inf\n", "").replace("Include=display.inf\n", "")
TEXTS = [SEED_TEXT, PLAIN.replace("Needs=Display.Common\n", "")]
PLACES = ["/vendor/a/", "/vendor/a/x86/", "/vendor/a/WinNT/", "/vendor/", "/", "/x86/", "/other/"]
NAMES = ["lkv_nt.sys", "lkv.vxd", "lkv help.hlp", "lkv_nt.sy_", "lkv.tag", "lkv.cab", "lkv.sys"]


def make_tree(random_: random.Random) -> PackageTree:
    text = random_.choice(TEXTS)
    if random_.random() < 0.5:
        text = text.replace("lkv.cab,,", ",,").replace("lkv.tag", "")
    data = mutate(text, random_) if random_.random() < 0.7 else text.encode("ascii")
    contents = {"/vendor/a/lkv.inf": data}
    for place in PLACES:
        for name in NAMES:
            if random_.random() < 0.3:
                contents[place + name] = b"x" * 40
    files = tuple(TreeFile(path, len(data)) for path, data in contents.items())
    return PackageTree("d", "folder", files, lambda file, limit: contents[file.path][:limit])


def elsewhere(tree: PackageTree) -> list[set[str]]:
    return [
        {path for path in one.needed if not path.lower().startswith("/vendor/a/")}
        for one in iter_packages(tree, FAMILIES.values())
    ]


def test_the_short_way_finds_what_the_long_one_finds(monkeypatch: pytest.MonkeyPatch) -> None:
    """600 trees from a fixed seed; many ask for something elsewhere, and many do not."""
    random_ = random.Random(13)
    trees = [make_tree(random_) for _ in range(600)]
    short = [elsewhere(tree) for tree in trees]
    taken: list[bool] = []
    decide = source_packages._is_self_contained
    with monkeypatch.context() as patch:
        patch.setattr(
            source_packages, "_is_self_contained", lambda *one: bool(taken.append(decide(*one)))
        )
        exact = [elsewhere(tree) for tree in trees]
    assert short == exact
    assert taken.count(True) > 50 < taken.count(False)
    assert sum(any(one) for one in exact) > 50
