"""What questions need of a package, for every system at once, so that its files may be away.

Systems that read a package in the same way share a view: the models sections that they
take, and for each install section what is not found. What a package has more of than
the bounds below allow is left out, and said.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from mediashelf.drivers.candidates import excluded_ids, feature_score
from mediashelf.drivers.packages.catalogs import catalogs_there
from mediashelf.drivers.packages.completeness import FileFinder, judge_completeness
from mediashelf.drivers.packages.families import FAMILIES, Family, choose_family
from mediashelf.drivers.packages.finding import (
    Fit,
    Package,
    PackagesFound,
    Suitability,
    suitability_of,
)
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.drivers.recorded_values import (
    KeptInstall,
    KeptModel,
    KeptPackage,
    KeptView,
    system_key,
)
from mediashelf.formats.inf.checks import found_in
from mediashelf.formats.inf.copying import COPY_INF_SINCE
from mediashelf.formats.inf.models import Maker, Model, all_models, makers
from mediashelf.formats.inf.models_read import ModelsRead, read_models
from mediashelf.formats.inf.systems import (
    ARCHITECTURES,
    InfSystem,
    choose_models,
    find_install_section,
)

MOST_IDENTIFIERS = 16_384
"""Identifiers of one package that are kept."""
MOST_CHECKED = 100_000
"""Needed files that are looked for over all install sections and views of one package."""
MOST_FILES = 4_096
"""Paths of one package that are kept."""


_COPY_INF = "copyinf"
_SINCE_5_0 = frozenset(("coinstallers", "interfaces"))
_TELLING = frozenset(ARCHITECTURES) | _SINCE_5_0


def _every_family() -> Iterator[Family]:
    for family in FAMILIES.values():
        if family.takes_infs and not family.releases:
            yield family
        for release in family.releases:
            for architecture in ARCHITECTURES:
                yield choose_family(family.name, release=release, architecture=architecture)


EVERY_SYSTEM = tuple((system_key(family), family) for family in _every_family())


def keep_packages(tree: PackageTree, found: PackagesFound) -> Iterator[KeptPackage]:
    """Yield what is to be kept of each INF package of a tree."""
    named = _marks(found)
    for package in found.packages:
        yield _keep(package, named.get(package.folder.lower(), set()))


def _marks(found: PackagesFound) -> dict[str, set[str]]:
    """Return what the INFs in and below each folder have that systems read differently.

    Sections for one processor, sections that are read since 5.0, and CopyINF.
    """
    named: dict[str, set[str]] = {}
    for package in (*found.packages, *found.others):
        ends = {name.rpartition(".")[2].removeprefix("nt") for name in package.inf.sections}
        own = ends & _TELLING
        if any(
            entry.key.lower() == _COPY_INF
            for section in package.inf.sections.values()
            for entry in section.entries
        ):
            own.add(_COPY_INF)
        folder = package.folder.lower()
        while True:
            named.setdefault(folder, set()).update(own)
            if not folder:
                break
            folder = folder.rpartition("/")[0]
    return named


def _keep(package: Package, marks: set[str]) -> KeptPackage:
    inf = package.inf
    sections: dict[str, int] = {}
    bases: dict[str, int] = {}
    models: list[Model] = []
    kept: list[KeptModel] = []
    count = 0
    is_cut = False
    for model in all_models(inf):
        identifiers = (model.hardware_id, *model.compatible_ids)
        count += len(identifiers)
        if count > MOST_IDENTIFIERS:
            is_cut = True
            break
        section = sections.setdefault(model.section.lower(), len(sections))
        base = bases.setdefault(model.install.lower(), len(bases))
        models.append(model)
        kept.append(KeptModel(section, base, model.description, identifiers))
    viewer = _Viewer(package, sections, bases, models)
    views = tuple(viewer.views(marks))
    own = [package.file.shown_path, *catalogs_there(package)]
    files = dict.fromkeys([*own, *viewer.files])
    return KeptPackage(
        package.path,
        inf.version_value("Class"),
        inf.version_value("Provider"),
        inf.version_value("Signature"),
        inf.driver_version,
        tuple(kept),
        views,
        tuple(package.tree.prefix + path for path in files)[:MOST_FILES],
        package.digest,
        is_cut or viewer.is_cut or len(files) > MOST_FILES,
        found_in(inf),
    )


class _Viewer:
    """Reads one package as one system after the other."""

    def __init__(
        self,
        package: Package,
        sections: dict[str, int],
        bases: dict[str, int],
        models: Sequence[Model],
    ) -> None:
        self.package = package
        self.sections = sections
        self.bases = bases
        self.models = models
        self.finder = FileFinder(package)
        self.files: dict[str, None] = {}
        self.checked = 0
        self.is_cut = False

    def views(self, marks: set[str]) -> Iterator[KeptView]:
        """Yield the views, each for all systems between which nothing in the text tells."""
        listed = makers(self.package.inf)
        alike: dict[object, list[tuple[str, Family]]] = {}
        for key, family in EVERY_SYSTEM:
            alike.setdefault(_likeness(listed, family.system, marks), []).append((key, family))
        known: dict[KeptView, list[str]] = {}
        for group in alike.values():
            view = self._view(group[0][1], listed)
            known.setdefault(view, []).extend(key for key, _ in group)
        for view, keys in known.items():
            yield view._replace(systems=tuple(keys))

    def _view(self, family: Family, listed: list[Maker]) -> KeptView:
        """Return how one system reads the package, without its key."""
        taken = _taken(listed, family.system)
        models = [model for model in self.models if model.section.lower() in taken]
        read = read_models(models, frozenset())
        suited = suitability_of(self.package, family.system, read)
        if suited.fit is not Fit.FITS:
            return KeptView((), suited.fit)
        sections = sorted(self.sections[name] for name in taken if name in self.sections)
        return KeptView(
            (), suited.fit, tuple(sections), tuple(self._installs(family, read, suited))
        )

    def _installs(
        self, family: Family, read: ModelsRead, suited: Suitability
    ) -> Iterator[KeptInstall]:
        for base in read.installs:
            name = find_install_section(self.package.inf, base, family.system)
            if name not in suited.installs:
                continue
            if self.checked > MOST_CHECKED:
                self.is_cut = True
                return
            check = judge_completeness(self.package, [name], family.system, family, self.finder)
            self.checked += len(check.files) + 1
            there = [
                one.path for one in check.files if one.state.is_there and not one.needed.provider
            ]
            self.files.update(dict.fromkeys((*there, *check.tags)))
            missing = dict.fromkeys(one.label for one in check.missing)
            feature = feature_score(self.package, name)
            excluded = tuple(sorted(excluded_ids(self.package, name)))[:MOST_FILES]
            yield KeptInstall(
                self.bases[base.lower()],
                name,
                feature,
                tuple(missing),
                excluded,
                check.of_system[:MOST_FILES],
            )


def _taken(listed: Iterable[Maker], system: InfSystem) -> set[str]:
    """Return the models sections, in lower case, that a system takes."""
    chosen = (choose_models(maker.models, maker.decorations, system) for maker in listed)
    return {choice.section.lower() for choice in chosen if choice.section is not None}


def _likeness(listed: list[Maker], system: InfSystem, marks: set[str]) -> object:
    """Return all in which systems can differ for a text: two that are alike read it alike."""
    return (
        system.is_nt,
        not marks.isdisjoint(_SINCE_5_0) and system.is_nt and system.version >= (5, 0),
        _COPY_INF in marks and system.is_nt and system.version >= COPY_INF_SINCE,
        system.architecture if system.architecture in marks else "",
        frozenset(_taken(listed, system)),
    )
