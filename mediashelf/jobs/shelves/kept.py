"""Packages on record as the values that every question about drivers works with."""

from __future__ import annotations

from mediashelf.catalogue.packages.asking import RecordedPackage
from mediashelf.catalogue.packages.packing import PackageFacts
from mediashelf.catalogue.rows import RECORDED, ImageRow, Presence
from mediashelf.drivers.candidates import DEFAULT_FEATURE
from mediashelf.drivers.packages.finding import Package
from mediashelf.drivers.packages.tree import PackageTree, TreeFile
from mediashelf.drivers.recorded_values import KeptView
from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.text.sections import InfEntry, InfSection
from mediashelf.integrity.fixity.states import State

KIND = "shelf"
"""The kind of tree that stands for an image on record."""

_GOOD = (State.SOUND.value, RECORDED)


def readiness(row: ImageRow) -> int:
    """Return 0 for an image that is here and not known to be bad, and more for others."""
    if row.presence is not Presence.HERE:
        return 2
    return 0 if row.state in _GOOD or row.is_acknowledged else 1


def image_name(row: ImageRow) -> str:
    """Return how commands name an image on a shelf."""
    return f"{row.shelf}:{row.path}"


def kept_package(found: RecordedPackage, tree: PackageTree, view: KeptView | None) -> Package:
    """Return a package on record, with an INF that has only what questions need.

    ``tree`` stands for the image that it is to be taken from; ``view`` is how the system
    reads it.
    """
    assert found.facts is not None
    file = TreeFile(found.path, 0)
    digest = bytes.fromhex(found.facts.digest)
    return Package(tree, file, _reduced(found.facts, view), {}, digest)


def kept_tree(row: ImageRow) -> PackageTree:
    """Return an image on record as a tree whose files are not listed."""
    name = image_name(row)
    return PackageTree(name, KIND, (), _read_nothing, prefix=f"{name}:")


def _read_nothing(file: TreeFile, limit: int) -> bytes:
    raise FileNotFoundError(file.path)


def _reduced(facts: PackageFacts, view: KeptView | None) -> Inf:
    """Return an INF whose [Version] and feature scores are those of the whole text."""
    year, month, day = facts.version.date
    entries = [
        InfEntry("Signature", (facts.signature,), 0),
        InfEntry("Class", (facts.class_name,), 0),
        InfEntry("Provider", (facts.provider,), 0),
        InfEntry("DriverVer", (f"{month:02}/{day:02}/{year:04}", facts.version.version_text), 0),
    ]
    sections = {"version": InfSection("Version", 0, tuple(entries))}
    derived: dict[object, object] = {"version": facts.version}  # asked of every candidate
    for install in view.installs if view is not None else ():
        told = []
        if install.feature != DEFAULT_FEATURE:
            told.append(InfEntry("FeatureScore", (f"0x{install.feature:X}",), 0))
        if install.excluded:
            told.append(InfEntry("ExcludeID", install.excluded, 0))
        if told:
            sections[install.name.lower()] = InfSection(install.name, 0, tuple(told))
    return Inf(sections, {}, derived=derived)
