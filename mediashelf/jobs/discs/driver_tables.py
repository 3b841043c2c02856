"""What the pages on discs tell of drivers: rows for whoever lays pages out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from mediashelf.building.pages.disc_pages import DriverRow, DriverTable, tables_size
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.drivers.coverage import Cover
from mediashelf.drivers.device_table import (
    DEVICES_NAMED,
    DeviceRow,
    PackageRow,
    device_rows,
    package_rows,
)
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.verdict import names_text, summary_text
from mediashelf.formats.inf.models import MAX_DESCRIPTION, maker_of
from mediashelf.text import count_text

_OTHER_WORDS = 300
"""Characters of a package's row beside names: version, systems, how whole it is."""


def disc_name(number: int) -> str:
    """Return the name under which the tree of one disc of several is surveyed."""
    return f"disc {number}"


def driver_tables(
    machine: str, surveys: Iterable[Survey], plans: Sequence[DiscPlan]
) -> tuple[DriverTable, ...]:
    """Return the tables for the pages of discs: the devices for each target, then the rest.

    ``machine`` is its name, ``plans`` are the discs that were surveyed; without any the
    rows lack what only a disc gives them.
    """
    surveys = list(surveys)
    tables = [_devices_table(machine, result, plans) for result in surveys]
    return (*tables, *([_packages_table(surveys, plans)] if surveys else []))


def most_size(machine: str, surveys: Sequence[Survey], plans: Sequence[DiscPlan]) -> int:
    """Return bytes that all tables surely fit in on either page, without asking for devices."""
    size = tables_size(_devices_table(machine, result, plans) for result in surveys)
    for surveyed in (one for result in surveys for one in result.packages):
        checks = [check for check in (surveyed.chosen, surveyed.rest) if check is not None]
        labels = "".join(file.label for check in checks for file in check.missing)
        package = DriverRow(
            "", "", f"{maker_of(surveyed.package.inf)}{surveyed.package.path}{labels}"
        )
        row = package._replace(device="n" * (MAX_DESCRIPTION + _OTHER_WORDS))
        size += (DEVICES_NAMED + 1) * tables_size([DriverTable("", (row,))])
    return size


def _devices_table(machine: str, result: Survey, plans: Sequence[DiscPlan]) -> DriverTable:
    rows = device_rows(result)
    title = f"Drivers for {result.target} on {machine}: {summary_text(result.verdicts)}"
    if all(row.verdict.by is Cover.NONE for row in rows):
        return DriverTable(title, ())
    return DriverTable(title, tuple(_device_line(row, plans) for row in rows))


def _device_line(row: DeviceRow, plans: Sequence[DiscPlan]) -> DriverRow:
    words = row.verdict.words
    if row.verdict.by is Cover.NONE:
        return DriverRow(row.device_class, row.device, words)
    number = _disc_number(row.source, plans)
    if row.verdict.by is Cover.DECLARED:
        short, long = _declared_paths(row, plans, number)
        package = f"{words}: the programs in {_name(short) or 'the root'}"
        return DriverRow(row.device_class, row.device, package, short, long, number)
    package = f"{words}: {_package_name(row)} [{row.install}]"
    return DriverRow(row.device_class, row.device, package, row.short_path, row.long_path, number)


def _declared_paths(row: DeviceRow, plans: Sequence[DiscPlan], number: int) -> tuple[str, str]:
    """Return both paths of a declared folder; the tree that was read has only one."""
    for one in plans[max(number, 1) - 1].declared if plans else ():
        if (row.short_path or row.long_path) in (one.short_path, one.long_path):
            return one.short_path, one.long_path
    return row.short_path or row.long_path, row.long_path or row.short_path


def _packages_table(surveys: Sequence[Survey], plans: Sequence[DiscPlan]) -> DriverTable:
    rows = package_rows(*surveys)
    lines = tuple(
        DriverRow(
            row.device_class,
            device,
            text,
            row.short_path,
            row.long_path,
            number,
        )
        for row in rows
        for text, number in [(_package_text(row), _disc_number(row.source, plans))]
        for device in _devices(row)
    )
    return DriverTable(f"All drivers with an INF: {count_text(len(rows), 'package')}", lines)


def _package_text(row: PackageRow) -> str:
    """Return what a package is, for which systems, and whether its files are all there."""
    by_state: dict[str, list[str]] = {}
    for target, missing in zip(row.targets, row.missing, strict=True):
        whole = f"incomplete, lacks {names_text(missing)}" if missing else "complete"
        by_state.setdefault(whole, []).append(target)
    systems = [f"for {', '.join(targets)}, {whole}" for whole, targets in by_state.items()]
    told = "; ".join(systems) or "for no system of this disc"
    return ", ".join([_package_name(row), row.version or "no date", told])


def _devices(row: PackageRow) -> list[str]:
    """Return the devices that a package's row names."""
    more = row.more_devices
    return [*row.devices, *([f"and {more:,} more"] if more else [])]


def _package_name(row: DeviceRow | PackageRow) -> str:
    name = _name(row.short_path or row.long_path)
    return f"{row.maker}: {name}" if row.maker else name


def _disc_number(source: str, plans: Sequence[DiscPlan]) -> int:
    names = [disc_name(number) for number in range(1, len(plans) + 1)]
    return names.index(source) + 1 if len(plans) > 1 else 0


def _name(path: str) -> str:
    return path.rpartition("/")[2]
