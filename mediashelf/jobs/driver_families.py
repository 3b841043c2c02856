"""By whose rules a target chooses drivers: its file says it, with the name of a family."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.errors import TargetError
from mediashelf.findings import Finding, Severity
from mediashelf.readability.targets import Target
from mediashelf.text import did_you_mean


def family_name(target: Target) -> str | None:
    """Return the name of a target's family, None when its file names none.

    Raises :class:`TargetError` for a name that is not a family's.
    """
    name = target.family
    if name and name not in FAMILIES:
        raise TargetError(
            f"{target.file}: family is {name!r}, expected one of {', '.join(FAMILIES)}"
            f"{did_you_mean(name, FAMILIES)}"
        )
    return name or None


def families_of(targets: Sequence[Target]) -> dict[str, str]:
    """Return the family of each target that has one; else every family that takes INFs."""
    known = {target.name: family_name(target) for target in targets}
    families = {name: family for name, family in known.items() if family}
    return families or {name: name for name in FAMILIES if FAMILIES[name].takes_infs}


def needed_family(target: Target) -> str:
    """Return the name of a target's family; raises :class:`TargetError` when there is none."""
    name = family_name(target)
    if name is None:
        finding = say_no_family(target)
        raise TargetError(f"{finding.message}; {finding.remedy}")
    return name


def say_no_family(target: Target) -> Finding:
    """Return the finding about a target whose file names no family."""
    return Finding(
        "drivers-not-judged",
        Severity.NOTE,
        f"target {target.name}",
        f"no driver family is known for target {target.name!r}",
        'put family = "nt5" into its file, or another of ' + ", ".join(FAMILIES),
        target=target.name,
    )
