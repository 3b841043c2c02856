"""``mediashelf check``: who can read it?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import click
from msgspec import Struct, field

from mediashelf.cli.discs.check_json import input_document
from mediashelf.cli.discs.check_text import say_answer
from mediashelf.cli.documents import Each, document
from mediashelf.cli.options import (
    catalogue_option,
    fail_on_option,
    json_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say, say_json, say_wrapped, table, tell
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity, iter_runs
from mediashelf.jobs.discs.checking import CheckedSource, examine_source
from mediashelf.jobs.library.naming import NamedFile, find_files, find_place
from mediashelf.readability.check import Readability
from mediashelf.readability.targets import load_targets, pick_targets
from mediashelf.text import count_text

NOT_A_DISC = "floppy, archive or compressed"


_SHORT = {
    Readability.READS: "reads it",
    Readability.WITH_CARE: "with care",
    Readability.DAMAGED: "damaged",
    Readability.IN_PART: "in part",
    Readability.NOT_AT_ALL: "not at all",
}
"""How many discs a target reads, in columns."""


@click.command(
    epilog="""
\b
Examples:
  mediashelf check disc.iso
  mediashelf check disc.iso --target dos --target win9x
  mediashelf check ~/drivers --target nt4
  mediashelf check drivers.toml
  mediashelf check library/*.iso -t nt5 --fail-on warning -q
  mediashelf check 'card:*' -t win9x         every good image on a shelf
\b
See what each system reads, and where that is written:
  mediashelf targets
"""
)
@click.argument(
    "names",
    nargs=-1,
    required=True,
    metavar="IMAGE|FOLDER|RECIPE...",
)
@target_option
@targets_folder_option
@click.option("--all", "show_all", is_flag=True, help="Print every place of every finding.")
@catalogue_option
@json_option
@quiet_option
@fail_on_option
def check(
    names: Sequence[str],
    target_names: Sequence[str],
    targets_folder: Path | None,
    show_all: bool,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Tell which systems can read a disc, and what keeps them from it.

    An image is opened; a folder or a recipe (a .toml file) is planned as a disc
    that build would make, and nothing is written. Without --target a recipe is
    checked for the systems that it names, and everything else for all systems,
    in short. Whether the emulator can serve the disc is checked too. Contents of
    files are not read, except INFs where a recipe names a machine. The exit code
    counts all of these findings, so name the systems that matter where a script
    looks at it.

    'SHELF:*' means the discs on a shelf, without those known to be damaged, changed or
    missing, as in list --target; name such an image itself to have it checked, and a floppy
    or an archive, of which a disc is then planned. One that cannot be read does not keep
    the others from being checked.
    """
    known = load_targets(targets_folder)
    asked = pick_targets(target_names, known)
    files = find_files(names, catalogue_path)
    reasons = [_why_left_out(file) for file in files]
    wanted = [file for file, reason in zip(files, reasons, strict=True) if not reason]
    batch = _Batch(
        left_out=[(file, reason) for file, reason in zip(files, reasons, strict=True) if reason]
    )
    examine = partial(
        examine_source,
        asked=asked,
        known=known,
        find_place=partial(find_place, catalogue_path=catalogue_path),
        progress=partial(progress, quiet=quiet),
    )
    answers = (
        batch.only_answer(wanted, examine)
        if len(files) == 1
        else batch.iter_answers(wanted, examine, shows=not as_json)
    )
    if as_json:
        say_json(batch.document(answers))
    else:
        for answer in answers:
            say_answer(answer, show_all=show_all, quiet=quiet)
            del answer
        if len(files) > 1 and not quiet:
            batch.say_end()
    if batch.failed:
        raise SystemExit(max(error.exit_code for _, error in batch.failed))
    exit_for(batch.worst, fail_on)


def _why_left_out(file: NamedFile) -> str:
    """Say what keeps an image of a whole shelf from being checked; nothing where it is."""
    if not file.is_one_of_many or file.row is None:
        return ""
    # Loaded only for images on record.
    from mediashelf.catalogue.readable import may_be_disc
    from mediashelf.jobs.library.listing import is_wrong

    if is_wrong(file.row):
        return file.row.state_word
    return "" if may_be_disc(file.row) else NOT_A_DISC


class _Batch(Struct):
    """What was said of all inputs. Only the worst finding of each disc is kept: many fit."""

    left_out: list[tuple[NamedFile, str]]
    failed: list[tuple[NamedFile, InputError]] = field(default_factory=list)
    worst: list[Finding] = field(default_factory=list)
    verdicts: dict[str, Counter[Readability]] = field(default_factory=dict)
    total: int = 0
    not_served: int = 0

    def iter_answers(
        self, files: Iterable[NamedFile], examine: Callable[[Path], CheckedSource], *, shows: bool
    ) -> Iterator[CheckedSource]:
        """Check one after the other, and count; nothing is kept of those before.

        ``shows`` prints what is wrong with those that cannot be read.
        """
        for file in files:
            try:
                answer = examine(file.opened_path)
            except InputError as error:
                self.failed.append((file, error))
                if shows:
                    tell(str(error))
                continue
            self._count(answer)
            yield answer
            del answer  # before the next one is there

    def only_answer(
        self, files: Iterable[NamedFile], examine: Callable[[Path], CheckedSource]
    ) -> list[CheckedSource]:
        """Check the only one that is named; an error is then all that is printed."""
        answers = [examine(file.opened_path) for file in files]
        for answer in answers:
            self._count(answer)
        return answers

    def _count(self, answer: CheckedSource) -> None:
        runs = [run for _, found in answer.parts for run in iter_runs(found)]
        if runs:
            self.worst.append(max(runs, key=lambda run: run.severity)[0])
        self.total += 1
        self.not_served += answer.served is Severity.ERROR
        for target, findings in answer.targets:
            counts = self.verdicts.setdefault(target.name, Counter())
            counts[answer.verdict(findings)] += 1

    def say_end(self) -> None:
        """Close many answers with one table, and what was not answered."""
        rows = [
            (name, *(f"{counts[verdict]:,}" for verdict in _SHORT))
            for name, counts in self.verdicts.items()
        ]
        for line in table(["system", *_SHORT.values()], rows, right=",".join(_SHORT.values())):
            say(line)
        parts = [f"{count_text(self.total, 'disc')} checked"]
        if self.not_served:
            parts.append(f"{self.not_served:,} of them not served whole by the emulator")
        if self.failed:
            parts.append(f"{len(self.failed):,} could not be read")
        say_wrapped("; ".join(parts))
        if self.left_out:
            reasons = Counter(reason for _, reason in self.left_out)
            counts = ", ".join(f"{count:,} {reason}" for reason, count in reasons.items())
            say_wrapped(f"Left out: {counts}; name an image itself to have it checked")

    def document(self, answers: Iterable[CheckedSource]) -> dict[str, Any]:
        """Return all that is said, put together while it is printed."""
        return document(
            "check",
            inputs=Each(map(input_document, answers)),
            failed=Each(
                {"input": file.where, "problem": str(error)} for file, error in self.failed
            ),
            left_out=[
                {"input": file.where, "state": file.row.state, "reason": reason}
                for file, reason in self.left_out
                if file.row
            ],
        )
