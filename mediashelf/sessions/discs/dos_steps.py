"""At which steps of a session must DOS have a CD driver, and does anything load one?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from mediashelf.findings import Finding, Severity
from mediashelf.sessions.discs.boot_floppy import CdStart
from mediashelf.sessions.discs.preflight import CheckedDisc

RULE = "cd-driver-is-loaded-first"
TRY_RULE = "cd-driver-is-tried-before"

_DOS = "dos"
_STARTS_FROM_DOS = ("dos", "win9x")  # families whose installers run under DOS

_SOURCE = "Microsoft KB Q93234 and Q135174; that both programs say /D:NAME is common practice"
_CHANGE_SOURCE = f"{_SOURCE}, and so is what to do before the disc with A: is taken out"
_TRY = "try it before the session: whether the driver supports a USB drive cannot be checked here"
_MAKE = (
    "name the image of a boot floppy with a driver for USB CD drives and the CD redirector "
    "(floppy = … in the plan, boot = … in a recipe), or bring such a floppy"
)


def dos_needs(discs: Sequence[CheckedDisc]) -> list[list[Finding]]:
    """Return for each disc, in order, what DOS needs before the disc has a drive letter.

    A disc is concerned when ``dos`` must read it, or when it starts an installer
    that runs under DOS.
    """
    loading = [disc for disc in discs if disc.repeats is None and _loads_drive(disc)]
    # A disc that asks nobody before it erases is no help for anything else.
    gentle = [disc for disc in loading if not disc.may_erase]
    helpers = [disc.position for disc in gentle or loading]
    return [list(_check(disc, helpers)) for disc in discs]


def _loads_drive(disc: CheckedDisc) -> bool:
    start = disc.source.cd_start
    return start is not None and bool(start.names)


def _check(disc: CheckedDisc, helpers: Sequence[int]) -> Iterator[Finding]:
    if disc.repeats is not None:
        return  # whoever asks for it again has it read already
    start = disc.source.cd_start
    if start is not None and set(disc.targets) & set(_STARTS_FROM_DOS):
        yield _floppy_finding(disc, start)
    elif start is None and _DOS in disc.targets:
        yield _prompt_finding(disc, helpers)


def _floppy_finding(disc: CheckedDisc, start: CdStart) -> Finding:
    if start.names:
        return _finding(
            disc,
            Severity.NOTE,
            f"the boot floppy inside loads a CD driver and the redirector for the drive "
            f"{', '.join(start.names)}",
            _TRY,
            rule=TRY_RULE,
        )
    if not start.is_readable:
        return _finding(
            disc,
            Severity.NOTE,
            "the boot floppy inside has no readable volume, so the drivers that it loads are "
            "unknown",
            _TRY,
            rule=TRY_RULE,
        )
    if start.drivers:
        problem = f"a CD driver ({', '.join(start.drivers)}), and no redirector of that name"
    else:
        problem = "no CD driver"
    return _finding(
        disc,
        Severity.WARNING,
        f"the boot floppy inside loads {problem}: at its prompt the disc has no drive letter, "
        "unless the firmware or a program on the floppy gives it one",
        _MAKE,
    )


def _prompt_finding(disc: CheckedDisc, helpers: Sequence[int]) -> Finding:
    earlier = [position for position in helpers if position < disc.position]
    if earlier or helpers:
        first = earlier[-1] if earlier else helpers[0]
        return _finding(
            disc,
            Severity.NOTE,
            f"at a DOS prompt this disc has a drive letter only after a CD driver was loaded; "
            f"the boot floppy inside disc {first} loads one",
            f"start the machine from disc {first}; A: is on that disc, so copy COMMAND.COM to a "
            "RAM disk or the hard disk and set COMSPEC before you change to this one",
            target=_DOS,
            source=_CHANGE_SOURCE,
        )
    return _finding(
        disc,
        Severity.WARNING,
        "at a DOS prompt this disc has no drive letter until a CD driver and the redirector are "
        "loaded, and no disc of this session loads them",
        _MAKE,
        target=_DOS,
    )


def _finding(
    disc: CheckedDisc,
    severity: Severity,
    message: str,
    remedy: str,
    *,
    rule: str = RULE,
    target: str = "",
    source: str = _SOURCE,
) -> Finding:
    where = str(disc.source.file.path)
    return Finding(rule, severity, where, message, remedy, source, target=target or _target(disc))


def _target(disc: CheckedDisc) -> str:
    concerned = [name for name in disc.targets if name in _STARTS_FROM_DOS]
    return concerned[0] if len(concerned) == 1 else ""
