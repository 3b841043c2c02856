"""What is wrong with the files that packages need, as findings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from mediashelf.drivers.packages.cabinets import BROKEN_OFF
from mediashelf.drivers.packages.checked_files import FileCheck, FileState, PackageCheck
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.rules import driver_page
from mediashelf.text import count_text

COPYING = driver_page("INF SourceDisksFiles section")


def check_files(check: PackageCheck, worst: Severity) -> Iterator[Finding]:
    """Yield what is wrong with the files of one check; nothing counts more than ``worst``."""
    package = check.package
    for file in check.files:
        is_told = file.state in _STATE_FINDINGS
        if not (is_told or file.needed.size or file.needed.listed_for):
            continue  # nearly all
        where = f"{package.path} line {file.needed.line}"
        if is_told:
            yield _STATE_FINDINGS[file.state](file, where, worst)
        elif file.needed.listed_for and file.state.is_usable:
            yield _listed_for_others(file, where)
        elif file.found_size not in (-1, file.needed.size):
            yield Finding(
                "driver-file-size",
                Severity.NOTE,
                where,
                f"{file.path} has {file.found_size:,} bytes, the INF says {file.needed.size:,}",
                source=COPYING,
            )
    yield from _check_root(check)


def _missing(file: FileCheck, where: str, worst: Severity) -> Finding:
    name = file.needed.name
    if (
        file.needed.cabinet
        and not file.elsewhere
        and file.path.lower().endswith(file.needed.cabinet.lower())
    ):
        message = f"{name} is needed from the cabinet {file.path}, and is not to be had from it"
    else:
        message = f"{name} is needed and is not at {file.path}"
    remedy = "copy it from the manufacturer's disk"
    if file.elsewhere:
        remedy = (
            f"{file.elsewhere} has the name: move it, or keep the package's folders as they were"
        )
    return Finding("driver-file-missing", worst, where, message, remedy, COPYING)


def _hidden_name(file: FileCheck, where: str, worst: Severity) -> Finding:
    shown = f"as {file.path}" if file.path else "nowhere"
    return Finding(
        "driver-file-name-hidden",
        worst,
        where,
        f"The INF asks for {file.needed.name}, a name that only the Joliet tree has; "
        f"this system sees it {shown}",
        "give the file an 8.3 name and change the INF, or use a system that reads Joliet",
        "Microsoft KB Q142372: without Joliet the 8.3 tree is read",
    )


def _short_name(file: FileCheck, where: str, worst: Severity) -> Finding:
    return Finding(
        "driver-file-short-name",
        Severity.WARNING,
        where,
        f"{file.needed.name} is the short name of {file.path}; the system may make another one",
        "give the file the name that the INF has",
        "common practice",
    )


def _cabinet_unread(file: FileCheck, where: str, worst: Severity) -> Finding:
    return Finding(
        "driver-cabinet-unread",
        worst,
        where,
        f"{file.needed.name} is needed from {file.path}, which is not a cabinet, is cut short, "
        "is damaged, or goes on in another one that is not beside it",
        "copy it from the manufacturer's disk",
        driver_page("INF SourceDisksNames section"),
    )


def _cut_short(file: FileCheck, where: str, worst: Severity) -> Finding:
    place = f"{file.needed.name} in {file.path}" if file.needed.cabinet else file.path
    least = f"{count_text(file.needed.size, 'byte')}, as the INF says" if file.needed.size else ""
    size = count_text(max(file.found_size, 0), "byte")
    if file.found_size == BROKEN_OFF:
        least, size = "", "less than it says that it holds"
    return Finding(
        "driver-file-cut-short",
        worst,
        where,
        f"{place} has {size}; expected {least or 'contents'}",
        "copy it from the manufacturer's disk",
        COPYING if least else "common practice",
    )


def _past_end(file: FileCheck, where: str, worst: Severity) -> Finding:
    return Finding(
        "driver-file-past-end",
        worst,
        where,
        f"{file.path} is needed, and bytes of it are past the end of the image",
        "copy the image again, or read the disc again",
        "ECMA-119 8.4.8 and 9.1.4; ECMA-167 3/10.5 and 4/14.9",
    )


def _found_above(file: FileCheck, where: str, worst: Severity) -> Finding:
    return Finding(
        "driver-file-found-above",
        worst,
        where,
        f"{file.needed.name} is at {file.path}, outside the INF's folder; its path counts from "
        "there, and no tag file shows that the disk's root is meant",
        "move it to the place below the INF's folder that the INF names",
        driver_page("INF SourceDisksNames section"),
    )


def _listed_for_others(file: FileCheck, where: str) -> Finding:
    sections = " and ".join(f"[SourceDisksFiles.{name}]" for name in file.needed.listed_for)
    verb = "list" if len(file.needed.listed_for) > 1 else "lists"
    return Finding(
        "driver-file-for-other-processor",
        Severity.WARNING,
        where,
        f"only {sections} {verb} {file.needed.name}, which systems for this processor do not read; "
        f"{file.path} may be meant for another",
        "check that it is the file for this processor, or get the package again",
        COPYING,
    )


def _no_section(file: FileCheck, where: str, worst: Severity) -> Finding:
    return Finding(
        "needed-section-missing",
        worst,
        where,
        f"Needs names the section {file.needed.name}, which neither this INF nor any that it "
        "includes has",
        "copy the INF again from the manufacturer's disk, with those beside it",
        driver_page("INF DDInstall section"),
    )


_STATE_FINDINGS = {
    FileState.MISSING: _missing,
    FileState.HIDDEN_NAME: _hidden_name,
    FileState.SHORT_NAME: _short_name,
    FileState.CABINET_UNREAD: _cabinet_unread,
    FileState.CUT_SHORT: _cut_short,
    FileState.PAST_END: _past_end,
    FileState.FOUND_ABOVE: _found_above,
    FileState.NO_SECTION: _no_section,
}
"""For the other two faults of the text ``check_inf`` has findings."""


def _check_root(check: PackageCheck) -> Iterator[Finding]:
    moved = [file for file in check.files if file.state is FileState.OTHER_ROOT]
    if not moved:
        return
    roots = Counter(file.path[: -len(file.needed.path)].rstrip("/") or "/" for file in moved)
    for root, count in roots.items():
        yield Finding(
            "driver-files-other-root",
            Severity.WARNING,
            check.package.path,
            f"{count_text(count, 'file')} found only when paths are counted from {root}",
            f"setup will ask for the disk: type {root}, or move the INF there",
            driver_page("INF SourceDisksNames section"),
        )
