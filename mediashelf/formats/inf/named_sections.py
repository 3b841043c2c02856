"""Whether the sections are there that lists of registry entries, and services, name.

None of them copies a file, so what a package needs does not depend on them; but what the device
is told, or the service that drives it, is lost where a name leads nowhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.rules import Found

_SERVICE_SECTION_AT = 2  # AddService=name,[flags],service-install-section
_NAMING = re.compile(r"(?m)^[ \t]*(?:(?:add|del)reg|add(service))[ \t]*=(.*)$")


def iter_named_faults(inf: Inf) -> Iterator[Found]:
    """Yield each section that AddReg, DelReg or AddService names and the INF lacks."""
    if _are_surely_there(inf):
        return
    including = {key for key, section in inf.sections.items() if section.all("Include")}
    for key, section in inf.sections.items():
        if key.partition(".")[0] == "strings":
            continue
        if key in including or key.rpartition(".")[0] in including:
            continue  # those INFs may have it; they stay at hand for .Services, .HW and the like
        for entry in (*section.all("AddReg"), *section.all("DelReg")):
            for name in _absent(inf, entry.values):
                yield "registry-section-missing", entry.line, name
        for entry in section.all("AddService"):
            for name in _absent(inf, (entry.value(_SERVICE_SECTION_AT),)):
                yield "service-section-missing", entry.line, name


def _are_surely_there(inf: Inf) -> bool:
    """Tell by the text alone, which is quick, and enough for nearly every INF."""
    if not inf.text or "\\\n" in inf.text:
        return False
    text = inf.text.lower().replace('"', "")  # as quotes may be anywhere in a key
    if not any(key in text for key in ("addreg", "delreg", "addservice")):
        return True
    named: set[str] = set()
    for is_service, values in _NAMING.findall(text):
        names = values.split(",")
        named.update(names[_SERVICE_SECTION_AT:][:1] if is_service else names)
    return {name.strip() for name in named} <= inf.sections.keys()


def _absent(inf: Inf, names: tuple[str, ...]) -> Iterator[str]:
    for name in dict.fromkeys(inf.expand(value).strip() for value in names):
        if name and inf.section(name) is None:
            yield name[:80]
