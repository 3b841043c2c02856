"""Whatever the INFs say, a survey of them ends in findings and never in an error."""

from __future__ import annotations

import random

from inf_mutations import SEED_TEXT, mutate
from mediashelf.drivers.device_table import device_rows, package_rows
from mediashelf.drivers.findings import check_survey
from mediashelf.drivers.machines.reading import parse_machine
from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.packages.tree import PackageTree, TreeFile
from mediashelf.drivers.releases import check_releases
from mediashelf.drivers.surveying import survey

MACHINE = parse_machine(
    "PCI\\VEN_F2C4&DEV_0301&SUBSYS_0001F2C4&REV_01\n\n01:00.0 0300: f2c4:0302\n"
)


def make_spoilt_tree(random_: random.Random) -> PackageTree:
    contents = {
        "/a/lkv.inf": mutate(SEED_TEXT, random_),
        "/a/layout.inf": mutate(SEED_TEXT, random_),
        "/a/lkv.cab": mutate(SEED_TEXT, random_),
        "/a/x86/lkv_nt.sys": b"x",
        "/a/setup.exe": b"",
    }
    files = tuple(TreeFile(path, len(data), path.upper()) for path, data in contents.items())
    kind = random_.choice(["joliet", "iso9660"])
    return PackageTree("d", kind, files, lambda file, limit: contents[file.path][:limit])


def test_spoilt_packages_end_in_findings() -> None:
    """300 trees from a fixed seed, each as every family sees it."""
    random_ = random.Random(9)
    count = 0
    for _ in range(300):
        tree = make_spoilt_tree(random_)
        found = find_packages(tree)
        for name, family in FAMILIES.items():
            result = survey([(tree, found)], family, name, MACHINE.devices)
            findings = list(check_survey(result))
            findings += check_releases(result, [(tree, found)], MACHINE.devices)
            assert len(device_rows(result)) == 2
            assert len(package_rows(result)) == len(found.packages)
            for cover in result.covers:
                result.unfit_for(cover.device)
            count += len(findings)
    assert count > 300
