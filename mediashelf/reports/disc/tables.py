"""The tables of a disc's page: where it fits, which devices it serves, what it renamed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.building.recipes.capacity import EMULATED_DRIVE, NAMED, Capacity
from mediashelf.drivers.coverage import Cover
from mediashelf.drivers.device_table import DeviceRow
from mediashelf.drivers.verdict import DriverState, DriverVerdict, summary_text

_STATE_SIGNS = {
    DriverState.COVERED: "sound",
    DriverState.INCOMPLETE: "damaged",
    DriverState.NONE: "missing",
}
_BY_SIGNS = {Cover.POSSIBLE: "away"}


class Renamed(NamedTuple):
    """A file whose short name says something else than its long one."""

    short_path: str
    long_path: str


class Coverage(NamedTuple):
    """What the devices of a machine find, for one target.

    ``disc`` is empty where that is on this disc alone; else the name of this one of
    several discs, as rows have it for their source.
    """

    target: str
    rows: tuple[DeviceRow, ...]
    disc: str = ""

    @property
    def summary(self) -> str:
        """How many devices are covered, incomplete and without a driver."""
        return summary_text(row.verdict for row in self.rows)


class CapacityBar(NamedTuple):
    """How full the disc makes one medium. ``width`` is in per cent, at most 100."""

    name: str
    sectors: int
    size: int
    percent: float
    width: float
    over: int
    source: str
    is_asked: bool


class DeviceLine(NamedTuple):
    """One device as the page shows it; ``sign`` goes with ``words``.

    ``disc`` is the other disc that holds the driver, empty where it is this one.
    """

    device_class: str
    device: str
    words: str
    sign: str
    path: str
    other_path: str
    install: str
    disc: str = ""


class CoverageTable(NamedTuple):
    """The devices for one target; ``summary`` counts them all by their states."""

    target: str
    device_count: int
    summary: str
    rows: tuple[DeviceLine, ...]
    is_of_series: bool = False

    @property
    def left_out(self) -> int:
        """Devices that are counted and not shown."""
        return self.device_count - len(self.rows)


def capacity_bars(size: int, asked: Capacity | None) -> Iterator[CapacityBar]:
    """Yield how full a disc of ``size`` bytes makes each known medium, the asked one first."""
    known = [*NAMED.values(), EMULATED_DRIVE]
    others = [capacity for capacity in known if capacity != asked]
    for capacity in ([asked] if asked is not None else []) + others:
        percent = capacity.percent_of(size)
        yield CapacityBar(
            name=capacity.name,
            sectors=capacity.sectors,
            size=capacity.size,
            percent=round(percent, 1),
            width=round(min(percent, 100.0), 3),
            over=max(0, size - capacity.size),
            source=capacity.source,
            is_asked=capacity == asked,
        )


def coverage_table(coverage: Coverage, most: int) -> CoverageTable:
    """Return the devices as the page shows them; no rows where none has a driver."""
    has_any = any(row.verdict.by is not Cover.NONE for row in coverage.rows)
    lines = tuple(
        _device_line(row, coverage.disc) for row in coverage.rows[: most if has_any else 0]
    )
    return CoverageTable(
        coverage.target, len(coverage.rows), coverage.summary, lines, bool(coverage.disc)
    )


def _device_line(row: DeviceRow, disc: str) -> DeviceLine:
    path = row.long_path or row.short_path
    return DeviceLine(
        row.device_class,
        row.device,
        row.verdict.words,
        _sign(row.verdict),
        path,
        row.short_path if row.short_path != path.upper() else "",
        row.install,
        row.source if disc and row.source != disc else "",
    )


def _sign(verdict: DriverVerdict) -> str:
    return _BY_SIGNS.get(verdict.by) or _STATE_SIGNS[verdict.state]
