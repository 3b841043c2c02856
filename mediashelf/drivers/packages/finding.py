"""Driver packages in a tree: INFs with what is beside them, and what they offer a family."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from enum import StrEnum
from typing import NamedTuple

from msgspec import Struct, field

from mediashelf.collector import collector_paused
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.for_9x import are_for_9x
from mediashelf.drivers.packages.inf_reading import read_inf
from mediashelf.drivers.packages.tree import PackageTree, TreeFile, folder_of
from mediashelf.findings import Finding
from mediashelf.formats.inf.document import Inf, InfKind
from mediashelf.formats.inf.following import may_lead_further
from mediashelf.formats.inf.models import Model, all_models
from mediashelf.formats.inf.models_read import ModelsRead, models_read_by
from mediashelf.formats.inf.systems import InfSystem, find_install_section
from mediashelf.formats.inf.text.encoding import DEFAULT_CODE_PAGE, is_utf_16
from mediashelf.package_names import INF_SUFFIX


class Fit(StrEnum):
    """Whether a family takes a package, and why not."""

    FITS = "fits"
    NO_INFS = "takes-no-infs"
    SIGNATURE = "other-signature"
    UNICODE = "unicode"
    NO_MODELS = "no-models"
    NO_INSTALL = "no-install-section"
    FILES_OF_9X = "files-of-9x"
    NO_DEVICES = "names-no-device"
    EXCLUDED = "excludes-device"
    OTHER_SECTION = "other-section"  # fits, but not with the section that names a device


class Companions(Mapping[str, Inf]):
    """The INFs in a folder by lower-case name, and those below it by their path from there."""

    def __init__(self, folder: str, by_path: Mapping[str, Inf]) -> None:
        self._start = f"{folder.lower()}/"
        self._by_path = by_path

    def __getitem__(self, path: str) -> Inf:
        return self._by_path[self._start + path]

    def __iter__(self) -> Iterator[str]:
        start = self._start
        return (path.removeprefix(start) for path in self._by_path if path.startswith(start))

    def __len__(self) -> int:
        return sum(1 for _ in self)


class Package(Struct, frozen=True, eq=False):
    """One INF in a tree, with the INFs of its folder and below; ``digest`` is of its bytes."""

    tree: PackageTree
    file: TreeFile
    inf: Inf
    companions: Mapping[str, Inf] = field(default_factory=dict)
    digest: bytes = b""

    @property
    def path(self) -> str:
        """Where the INF is, for people, with the source's prefix."""
        return self.tree.prefix + self.file.shown_path

    @property
    def folder(self) -> str:
        """The folder that holds the INF, in the tree that the target reads."""
        return folder_of(self.file.path)


class Offer(NamedTuple):
    """One models entry that a family takes: its install section with the suffix in place."""

    model: Model
    install: str


class Suitability(NamedTuple):
    """What a package offers to a family when it fits, and else the reason.

    ``offers`` are for the devices that were asked about, ``installs`` the install sections
    for all devices; ``identity`` is equal for texts with the same hardware ids.
    """

    fit: Fit
    offers: tuple[Offer, ...] = ()
    installs: tuple[str, ...] = ()
    identity: int = 0


class PackagesFound(NamedTuple):
    """The INFs of a tree: packages that name devices, the paths of others, findings."""

    packages: tuple[Package, ...]
    others: tuple[Package, ...]
    findings: tuple[Finding, ...]


def _ask_version(package: Package) -> None:
    _ = package.inf.driver_version


def find_packages(
    tree: PackageTree,
    *,
    files: Iterable[TreeFile] | None = None,
    code_page: str = DEFAULT_CODE_PAGE,
    ask: Callable[[Package], None] = _ask_version,
    on_inf: Callable[[int], None] = lambda count: None,
) -> PackagesFound:
    """Read every INF of a tree, or of some ``files`` in it; what cannot be read is a finding.

    ``on_inf`` is called with 1 for each INF. ``others`` are scripts and whatever
    else has the name of an INF (``autorun.inf``). ``ask`` is called with each package while
    its text is at hand, as if it stood alone: what texts keep is quick to ask for again.
    """
    findings: list[Finding] = []
    by_path: dict[str, Inf] = {}
    read: list[tuple[TreeFile, Inf, bytes]] = []
    with collector_paused():
        for file in tree.iter_ending((INF_SUFFIX,)) if files is None else files:
            on_inf(1)
            found = read_inf(tree, file, code_page, findings)
            if found is None:
                continue
            inf, digest = found
            if inf.kind is InfKind.DRIVER:
                ask(Package(tree, file, inf, digest=digest))
            inf.let_go()
            read.append((file, inf, digest))
            by_path[file.shown_path.lower()] = inf
    packages: list[Package] = []
    others: list[Package] = []
    for file, inf, digest in sorted(read, key=lambda one: one[0].shown_path.lower()):
        companions = Companions(folder_of(file.shown_path), by_path)
        package = Package(tree, file, inf, companions, digest)
        (packages if inf.kind is InfKind.DRIVER else others).append(package)
    return PackagesFound(tuple(packages), tuple(others), tuple(findings))


def suitability(
    package: Package, family: Family, wanted: frozenset[str] | None = None
) -> Suitability:
    """Return what the package offers to the family, or why it takes none of it.

    ``wanted`` are the identifiers that are asked about, None for all.
    """
    if not family.takes_infs:
        return Suitability(Fit.NO_INFS)
    return _suited(package, family.system, wanted)


def _suited(package: Package, system: InfSystem, wanted: frozenset[str] | None) -> Suitability:
    """Return what a system that takes INFs takes of the package; kept with the text."""

    def judge() -> Suitability:
        return suitability_of(package, system, models_read_by(package.inf, system, wanted))

    if wanted is None or (system.is_nt and may_lead_further(package.inf)):
        return judge()
    return package.inf.once(("suited", system, wanted), judge)


def sections_to_check(
    package: Package, family: Family, suited: Suitability
) -> tuple[InfSystem, tuple[str, ...]]:
    """Return the install sections whose files must be whole for the family, and as which system.

    ``suited`` is what :func:`suitability` said. For a family that takes no INFs the
    sections are those for 9x systems, which start from it, and where there are none
    those for NT systems.
    """
    system, installs = family.system, suited.installs
    if not family.takes_infs:
        for system in (family.system, InfSystem(True)):
            installs = _suited(package, system, frozenset()).installs
            if installs:
                break
    return system, installs


def suitability_of(package: Package, system: InfSystem, read: ModelsRead) -> Suitability:
    """Return the same for a system that takes INFs; ``read`` is what it reads of the models."""
    inf, companions = package.inf, package.companions
    if not system.accepts(inf.signature):
        return Suitability(Fit.SIGNATURE)
    if not system.is_nt and (inf.has_mark or is_utf_16(inf.encoding)):
        return Suitability(Fit.UNICODE)
    if not read.installs:
        has_models = next(all_models(inf), None) is not None
        return Suitability(Fit.NO_MODELS if has_models else Fit.NO_DEVICES)
    found = {name.lower(): find_install_section(inf, name, system) for name in read.installs}
    chosen = {name: install for name, install in found.items() if install is not None}
    if not chosen:
        return Suitability(Fit.NO_INSTALL)
    installs = tuple(dict.fromkeys(chosen.values()))
    if system.is_nt:
        # Looked at one by one where they are few, so that no text makes this slow.
        together = [[install] for install in installs] if len(installs) <= 64 else [list(installs)]
        foreign = {
            install
            for group in together
            if are_for_9x(inf, group, system, companions)
            for install in group
        }
        chosen = {name: install for name, install in chosen.items() if install not in foreign}
        installs = tuple(install for install in installs if install not in foreign)
        if not installs:
            return Suitability(Fit.FILES_OF_9X)
    offers = tuple(
        Offer(model, chosen[model.install.lower()])
        for model in read.naming
        if model.install.lower() in chosen
    )
    return Suitability(Fit.FITS, offers, installs, read.identity)
