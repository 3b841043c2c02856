"""Whether the sections are there that lists of registry entries, and services, name.

None of them copies a file, so what a package needs does not depend on them; but what the device
is told, or the service that drives it, is lost where a name leads nowhere.
"""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.rules import Found
from mediashelf.formats.inf.text.columns import may_have

_SERVICE_SECTION_AT = 2  # AddService=name,[flags],service-install-section


def iter_named_faults(inf: Inf) -> Iterator[Found]:
    """Yield each section that AddReg, DelReg or AddService names and the INF lacks."""
    for section in inf.sections.values():
        if not any(may_have(section, part) for part in ("addreg", "delreg", "addservice")):
            continue
        if any(True for _ in section.all("Include")):
            continue  # that INF may have it
        for entry in (*section.all("AddReg"), *section.all("DelReg")):
            for name in _absent(inf, entry.values):
                yield "registry-section-missing", entry.line, name
        for entry in section.all("AddService"):
            for name in _absent(inf, (entry.value(_SERVICE_SECTION_AT),)):
                yield "service-section-missing", entry.line, name


def _absent(inf: Inf, names: tuple[str, ...]) -> Iterator[str]:
    for name in dict.fromkeys(inf.expand(value).strip() for value in names):
        if name and inf.section(name) is None:
            yield name[:80]
