"""Surveys of drivers as text for people, from 40 columns up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence

from mediashelf.cli.render import say, say_wrapped
from mediashelf.drivers.candidates import Candidate, Reason, reason_lost
from mediashelf.drivers.coverage import Cover, DeviceCover
from mediashelf.drivers.findings import device_label, device_title
from mediashelf.drivers.package_findings import FIT_WORDS
from mediashelf.drivers.packages.checked_files import FileState
from mediashelf.drivers.packages.finding import Fit
from mediashelf.drivers.packages.old_packages import OldPackage
from mediashelf.drivers.survey import Survey, SurveyedPackage
from mediashelf.drivers.verdict import names_text, summary_text
from mediashelf.text import count_text

FILES_SHOWN = 4


def say_coverage(
    survey: Survey,
    *,
    with_devices: bool = True,
    more: Callable[[int], Iterable[str]] = lambda index: (),
) -> None:
    """Print which device has which driver, for one target, or only how many have one.

    ``more`` gives further lines for a device, by its number from 0.
    """
    say_wrapped(_title(survey))
    if survey.covers and with_devices:
        say()
        _say_devices(survey, more)


def say_survey(survey: Survey) -> None:
    """Print the devices, the packages and what else was found, for one target."""
    say_coverage(survey)
    if survey.packages:
        say()
        say("INF packages")
        for surveyed in survey.packages:
            say_wrapped(surveyed.package.path, indent=2)
            say_wrapped(_state_text(survey, surveyed), indent=4)
    if survey.dos_packages:
        say()
        say("packages without an INF")
        for package in survey.dos_packages:
            say_wrapped(package.tree.prefix + package.folder, indent=2)
            say_wrapped(f"{package.kind.value}: {_few(package.files)}".rstrip(": "), indent=4)
            if package.texts:
                say_wrapped(f"to read: {_few(package.texts)}", indent=4)
    if survey.old_packages:
        say()
        say("packages in older forms, chosen by hand")
        for old in survey.old_packages:
            say_wrapped(old.path, indent=2)
            names = f": {', '.join(old.names[:FILES_SHOWN])}" if old.names else ""
            say_wrapped(f"{old.kind.value}{names}; {_old_text(survey, old)}", indent=4)
    old_files = {old.file for old in survey.old_packages}
    scripts = [
        package.path
        for package in survey.others
        if package.file not in old_files and package.inf.signature
    ]
    if scripts:
        say()
        say("INFs that name no device")
        for path in scripts:
            say_wrapped(path, indent=2)
    say()


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:FILES_SHOWN]) + (", …" if len(names) > FILES_SHOWN else "")


def _old_text(survey: Survey, old: OldPackage) -> str:
    numbers = [
        str(number)
        for number, cover in enumerate(survey.covers, 1)
        if set(old.identifiers) & {*cover.device.hardware_ids, *cover.device.compatible_ids}
    ]
    named = f"names device {', '.join(numbers)}; " if numbers else ""
    return named + old.state_words


def _title(survey: Survey) -> str:
    name = survey.target
    if survey.family.name != survey.target:
        name += f" as {survey.family.name}"
    if survey.family.release_text:
        name += f" ({survey.family.release_text})"
    if not survey.has_machine:
        return f"{name}: {count_text(len(survey.packages), 'INF package')}"
    return f"{name}: {summary_text(survey.verdicts)}"


def _say_devices(survey: Survey, more: Callable[[int], Iterable[str]]) -> None:
    width = len(str(len(survey.covers)))
    for number, cover in enumerate(survey.covers, 1):
        slot = f" ({cover.device.slot})" if cover.device.slot else ""
        # An indent that grows as the number shrinks keeps the numbers aligned.
        indent = 1 + width - len(str(number))
        say_wrapped(f"{number} {device_title(cover)}{slot}", indent=indent)
        package = _package_of(survey, cover)
        words = survey.verdict(cover).words
        say_wrapped(f"{words}: {package}" if package else words, indent=width + 2)
        for line in more(number - 1):
            say_wrapped(line, indent=width + 2)


def _package_of(survey: Survey, cover: DeviceCover) -> str:
    if cover.cover is Cover.DECLARED:
        return ", ".join(package.folder for package in cover.declared)
    if cover.cover is Cover.POSSIBLE:
        return ", ".join(one.package.path for one in cover.possible)
    if cover.best is None:
        return ""
    return f"{cover.best.package.path} [{cover.best.offer.install}]"


def _state_text(survey: Survey, surveyed: SurveyedPackage) -> str:
    """Return what a package is for, and how many of its files are there."""
    fit = surveyed.suitability.fit
    parts = [_use_text(survey, surveyed)] if fit is Fit.FITS else [FIT_WORDS[fit]]
    count, faults = _file_faults(surveyed)
    if faults:
        first, *others = (f"{number}{{}} {words}" for words, number in faults.items())
        shown = [first.format(f" of {count_text(count, 'file')}"), *(o.format("") for o in others)]
        parts.append(", ".join(shown))
    elif count:
        parts.append(f"{count_text(count, 'file')}, none missing")
    checks = [check for check in (surveyed.chosen, surveyed.rest) if check is not None]
    if of_system := {name for check in checks for name in check.of_system}:
        parts.append(f"{count_text(len(of_system), 'file')} of the system's own disc")
    return "; ".join(parts)


def _use_text(survey: Survey, surveyed: SurveyedPackage) -> str:
    if not survey.has_machine:
        return f"for {survey.target}"
    numbers = [
        str(number)
        for number, cover in enumerate(survey.covers, 1)
        if cover.best is not None and cover.best.package is surveyed.package
    ]
    if not numbers:
        return "for no device here"
    return (
        f"for device {', '.join(numbers)}"
        if len(numbers) == 1
        else (f"for devices {', '.join(numbers)}")
    )


def _file_faults(surveyed: SurveyedPackage) -> tuple[int, Counter[str]]:
    """Return how many files there should be, and what is wrong with how many, in words."""
    checks = [check for check in (surveyed.chosen, surveyed.rest) if check is not None]
    files = {
        (file.needed.path.lower(), file.needed.cabinet.lower()): file
        for check in checks
        for file in check.files
        if file.state is not FileState.FROM_SYSTEM
    }
    faults = Counter(file.fault or "missing" for file in files.values() if not file.state.is_usable)
    return len(files), faults


def say_explanation(survey: Survey, index: int, more: Iterable[str] = ()) -> None:
    """Print why one package wins a device, and why the others lose; then ``more`` lines."""
    cover = survey.covers[index]
    say_wrapped(f"{device_label(cover, index + 1)}, for {_title(survey).partition(':')[0]}")
    say_wrapped(survey.verdict(cover).words, indent=2)
    for heading, identifiers in (
        ("hardware ids", cover.device.identifiers.hardware),
        ("compatible ids", cover.device.identifiers.compatible),
    ):
        if identifiers:
            say(f"  {heading}, in order")
            # The numbers count ids that this device lacks as well, as its rank does.
            for identifier in identifiers:
                say(f"    {identifier.position + 1:2} {identifier.text}")
    best = cover.best
    if best is not None:
        _say_candidate(survey, "wins", best)
        for loser in cover.candidates[1:]:
            _say_candidate(survey, "loses", loser, why=_why(survey, loser, best))
    for candidate in cover.possible:
        _say_candidate(survey, "may win", candidate, why="if the machine has this board")
    for package in cover.declared:
        say_wrapped(f"declared: {package.folder} ({', '.join(package.files)})", indent=2)
    for unfit, fit in survey.unfit_for(cover.device):
        say_wrapped(f"not for {survey.target}: {unfit.path}, {FIT_WORDS[fit]}", indent=2)
    if best is None and not (cover.possible or cover.declared):
        say_wrapped("no package here has one of these ids for this system", indent=2)
    if len(cover.candidates) > 1:
        say_wrapped("signatures are not verified and count as equal", indent=2)
    for line in more:
        say_wrapped(line, indent=2)
    say()


def _say_candidate(survey: Survey, word: str, candidate: Candidate, why: str = "") -> None:
    version = candidate.driver_version
    say_wrapped(f"{word}: {candidate.package.path} [{candidate.offer.install}]", indent=2)
    say_wrapped(match_text(survey, candidate), indent=4)
    say_wrapped(f"{version.date_text}, version {version.version_text}", indent=4)
    if why:
        say_wrapped(why, indent=4)


def match_text(survey: Survey, candidate: Candidate) -> str:
    """Return how a candidate met the device, with its rank."""
    match = candidate.match
    kinds = ("compatible", "hardware")
    return (
        f"rank {rank_text(survey, candidate)}: {match.identifier}, {kinds[match.in_device]} id "
        f"{match.device_position + 1} of the device, {kinds[match.in_inf]} id of the INF"
    )


def rank_text(survey: Survey, candidate: Candidate) -> str:
    """Return the rank without the part of the signature, as hexadecimal digits."""
    return f"{candidate.rank:#08x}" if survey.family.ranks_features else f"{candidate.rank:#06x}"


def _why(survey: Survey, loser: Candidate, best: Candidate) -> str:
    reason = reason_lost(loser, best)
    if reason is Reason.LACKS_FILES:
        return f"although its rank is better: it lacks {names_text(survey.missing_of(loser))}"
    if reason is Reason.RANK:
        return (
            f"because {rank_text(survey, loser)} is higher than {rank_text(survey, best)}; "
            "lower wins"
        )
    if reason is Reason.DATE:
        return f"because the rank is equal and {best.driver_version.date_text} is later"
    if reason is Reason.VERSION:
        return f"because rank and date are equal and {best.driver_version.version_text} is higher"
    return "although rank, date and version are equal: the first path was taken"
