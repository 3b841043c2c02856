"""Ask a driver text everything while it is unpacked; it keeps its answers for the surveys."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.package_findings import unsure_choices
from mediashelf.drivers.packages.catalogs import named_catalog
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import Package, sections_to_check, suitability
from mediashelf.drivers.surveying import wanted_by
from mediashelf.formats.inf.checks import found_in
from mediashelf.formats.inf.models import maker_of
from mediashelf.formats.inf.models_read import identifiers_named
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.source_files import source_folders


def ask_ahead(
    families: Iterable[Family], devices: Sequence[Device] | None
) -> Callable[[Package], None]:
    """Return what asks a package all that surveys will, for :func:`.find_packages`."""
    families = tuple(families)
    wanted = wanted_by(tuple(devices or ()))

    def ask(package: Package) -> None:
        inf = package.inf
        _ = inf.driver_version
        maker_of(inf)
        identifiers_named(inf, wanted)
        source_folders(inf)
        for family in families:
            suited = suitability(package, family, wanted)
            system, installs = sections_to_check(package, family, suited)
            if installs:
                requirements(inf, installs, system, package.companions)
                if family.wants_catalogs:
                    named_catalog(package, system)
            if family.takes_infs:
                unsure_choices(inf, system)
                found_in(inf)

    return ask
