"""Driver packages in a tree: INFs with what is beside them, and what they offer a family."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple
from weakref import WeakValueDictionary

from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.tree import PackageTree, TreeFile, folder_of
from mediashelf.errors import MediashelfError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.document import Inf, InfKind, Signature, parse_inf
from mediashelf.formats.inf.models import Model, all_models, models_for
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.systems import InfSystem, find_install_section
from mediashelf.formats.inf.text import DEFAULT_CODE_PAGE

MAX_INF = 16 << 20
"""Bytes of an INF that are read; real ones stay below a few MiB."""

_9X_SUFFIXES = (".vxd", ".386", ".drv", ".pdr", ".mpd")


class Fit(StrEnum):
    """Whether a family takes a package, and why not."""

    FITS = "fits"
    NO_INFS = "takes-no-infs"
    SIGNATURE = "other-signature"
    NO_MODELS = "no-models"
    NO_INSTALL = "no-install-section"
    FILES_OF_9X = "files-of-9x"
    NO_DEVICES = "names-no-device"
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


@dataclass(frozen=True, slots=True, eq=False)
class Package:
    """One INF in a tree, with the INFs of its folder and below; ``digest`` is of its bytes."""

    tree: PackageTree
    file: TreeFile
    inf: Inf
    companions: Mapping[str, Inf] = field(default_factory=dict, repr=False)
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
    """What a package offers to a family: offers when it fits, and else the reason."""

    fit: Fit
    offers: tuple[Offer, ...] = ()


class PackagesFound(NamedTuple):
    """The INFs of a tree: packages that name devices, the paths of others, findings."""

    packages: tuple[Package, ...]
    others: tuple[Package, ...]
    findings: tuple[Finding, ...]


def find_packages(
    tree: PackageTree,
    *,
    files: Iterable[TreeFile] | None = None,
    code_page: str = DEFAULT_CODE_PAGE,
    on_inf: Callable[[int], None] = lambda count: None,
) -> PackagesFound:
    """Read every INF of a tree, or of some ``files`` in it; what cannot be read is a finding.

    ``on_inf`` is called with 1 for each INF. ``others`` are scripts and whatever
    else has the name of an INF (``autorun.inf``).
    """
    findings: list[Finding] = []
    by_path: dict[str, Inf] = {}
    read: list[tuple[TreeFile, Inf, bytes]] = []
    for file in tree.files if files is None else files:
        if not file.name.lower().endswith(".inf"):
            continue
        one = _read_inf(tree, file, code_page, findings)
        on_inf(1)
        if one is not None:
            read.append((file, *one))
            by_path[file.shown_path.lower()] = one[0]
    packages: list[Package] = []
    others: list[Package] = []
    for file, inf, digest in sorted(read, key=lambda one: one[0].shown_path.lower()):
        companions = Companions(folder_of(file.shown_path), by_path)
        package = Package(tree, file, inf, companions, digest)
        (packages if inf.kind is InfKind.DRIVER else others).append(package)
    return PackagesFound(tuple(packages), tuple(others), tuple(findings))


def _read_inf(
    tree: PackageTree, file: TreeFile, code_page: str, findings: list[Finding]
) -> tuple[Inf, bytes] | None:
    if file.size > MAX_INF:
        findings.append(
            Finding(
                "inf-too-large",
                Severity.WARNING,
                tree.prefix + file.shown_path,
                f"The INF has {file.size:,} bytes and was not read",
                "look at it by hand; no driver text is that long",
            )
        )
        return None
    try:
        data = tree.read(file, MAX_INF)
    except (OSError, MediashelfError) as error:
        findings.append(
            Finding(
                "inf-unreadable",
                Severity.ERROR,
                tree.prefix + file.shown_path,
                f"The INF cannot be read: {error}",
                "audit the image or the folder first",
            )
        )
        return None
    # Sources, disc and every target show the same texts; each is parsed once and kept only
    # while some package has it.
    key = (hashlib.sha256(data).digest(), code_page)
    inf = _PARSED.get(key)
    if inf is None:
        inf = _PARSED[key] = parse_inf(data, code_page=code_page)
    return inf, key[0]


_PARSED: WeakValueDictionary[tuple[bytes, str], Inf] = WeakValueDictionary()


def suitability(package: Package, family: Family) -> Suitability:
    """Return what the package offers to the family, or why it takes none of it."""
    if not family.takes_infs:
        return Suitability(Fit.NO_INFS)
    models = list(models_for(package.inf, family.system))
    return suitability_of(package, family.system, models)


def sections_to_check(
    package: Package, family: Family, suited: Suitability
) -> tuple[InfSystem, tuple[str, ...]]:
    """Return the install sections whose files must be whole for the family, and as which system.

    ``suited`` is what :func:`suitability` said. For a family that takes no INFs the
    sections are those for 9x systems, which start from it, and where there are none
    those for NT systems.
    """
    system, offers = family.system, suited.offers
    if not family.takes_infs:
        for system in (family.system, InfSystem(True)):
            models = list(models_for(package.inf, system))
            offers = suitability_of(package, system, models).offers
            if offers:
                break
    return system, tuple(dict.fromkeys(offer.install for offer in offers))


def suitability_of(package: Package, system: InfSystem, models: Sequence[Model]) -> Suitability:
    """Return the same for a system that takes INFs; ``models`` are those that it reads."""
    inf, companions = package.inf, package.companions
    if not system.accepts(inf.signature):
        return Suitability(Fit.SIGNATURE)
    if not models:
        has_models = next(all_models(inf), None) is not None
        return Suitability(Fit.NO_MODELS if has_models else Fit.NO_DEVICES)
    chosen: dict[str, str | None] = {}
    offers = []
    for model in models:
        key = model.install.lower()
        if key not in chosen:
            chosen[key] = find_install_section(inf, model.install, system)
        install = chosen[key]
        if install is not None:
            offers.append(Offer(model, install))
    if not offers:
        return Suitability(Fit.NO_INSTALL)
    if system.is_nt:
        installs = list(dict.fromkeys(offer.install for offer in offers))
        # Looked at one by one where they are few, so that no text makes this slow.
        together = [[install] for install in installs] if len(installs) <= 64 else [installs]
        foreign = {
            install
            for group in together
            if _are_for_9x(inf, group, system, companions)
            for install in group
        }
        offers = [offer for offer in offers if offer.install not in foreign]
        if not offers:
            return Suitability(Fit.FILES_OF_9X)
    return Suitability(Fit.FITS, tuple(offers))


def _are_for_9x(
    inf: Inf, installs: list[str], system: InfSystem, companions: Mapping[str, Inf]
) -> bool:
    """Whether undecorated sections install drivers of 9x systems only (common practice).

    An NT system takes such a section where there is no other, but gets no driver
    from it: there is no service, no .sys file, and only drivers of the 9x kind.
    """
    if inf.signature is not Signature.CHICAGO:
        return False
    for install in installs:
        is_decorated = install.lower().rpartition(".")[2].startswith("nt")
        if is_decorated or inf.section(install + ".Services") is not None:
            return False
    names = [file.name.lower() for file in requirements(inf, installs, system, companions).files]
    return any(name.endswith(_9X_SUFFIXES) for name in names) and not any(
        name.endswith(".sys") for name in names
    )
