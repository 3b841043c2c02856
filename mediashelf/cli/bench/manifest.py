"""``mediashelf manifest``: is the card what its manifest says?"""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from typing import Any

import click

from mediashelf.cli.documents import chosen, document
from mediashelf.cli.options import fail_on_option, json_option, quiet_option
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say, say_findings, say_json, say_wrapped, summary, table
from mediashelf.findings import Severity
from mediashelf.jobs.session_cards import ExaminedCard, examine_card
from mediashelf.sessions.manifests.disc import ManifestDisc
from mediashelf.sessions.manifests.manifest import schema
from mediashelf.text import count_text, moment_text, size_text


def _print_schema(context: click.Context, option: click.Parameter, is_wanted: bool) -> None:
    if is_wanted:
        click.echo(json.dumps(schema(), indent=2, ensure_ascii=False))
        context.exit()


@click.command(
    epilog="""
\b
Examples:
  mediashelf manifest /media/card
  mediashelf manifest manifest.json --sizes-only
  mediashelf manifest /media/card --json
  mediashelf manifest --schema > manifest.schema.json
"""
)
@click.argument("path", type=click.Path(path_type=Path), metavar="CARD|MANIFEST")
@click.option(
    "--sizes-only",
    is_flag=True,
    help="Compare sizes only, without reading the images; damage is not found.",
)
@click.option(
    "--schema",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_schema,
    help="Print the JSON Schema of manifest.json, for authors of emulators, and exit.",
)
@json_option
@quiet_option
@fail_on_option
def manifest(path: Path, sizes_only: bool, as_json: bool, quiet: bool, fail_on: str) -> None:
    """Compare a card with its manifest, on the emulator's board, before the session.

    CARD is the card's folder. Every image is read back from the card and its digest
    compared, so it takes as long as reading the card does. Works without the
    catalogue and without the original images. The schema describes every field of
    the manifest; format and version identify it.
    """
    # Sizes are compared at once.
    card = examine_card(
        path,
        read_contents=not sizes_only,
        progress=partial(progress, quiet=quiet or sizes_only),
    )
    if as_json:
        say_json(_document(card))
    else:
        _say(card, quiet)
    exit_for(card.findings, fail_on)


_NOT_SEEN = "card-file-is-there"
_WRONG = {
    _NOT_SEEN: "missing",
    "card-file-is-regular": "not a file",
    "card-path-stays-on-card": "not on the card",
    "card-size-agrees": "another size",
    "card-digest-agrees": "other bytes",
    "card-is-readable": "unreadable",
}


def _say(card: ExaminedCard, quiet: bool) -> None:
    content, findings = card.manifest, card.findings
    if not quiet:
        machine = f", for {content.session.machine}" if content.session.machine else ""
        say_wrapped(f"{content.session.name}{machine}")
        say(f"prepared {moment_text(content.created)}")
        say()
        rows = [
            (
                str(disc.position),
                disc.path,
                size_text(disc.size),
                _verdict(card, disc),
                _open(disc),
            )
            for disc in content.discs
        ]
        headers = ["disc", "file", "size", "on the card", "open findings"]
        for line in table(headers, rows, right="disc, size"):
            say(line)
        say()
    shown = [item for item in findings if not quiet or item.severity > Severity.NOTE]
    if shown:
        say_findings(shown)
        say()
    what = (
        "sizes and digests compared" if card.contents_read else "sizes compared, contents not read"
    )
    images = count_text(len(content.images), "image")
    absent = sum(_NOT_SEEN in card.errors(image.path) for image in content.images)
    if absent:
        images += f" ({absent:,} missing)"
    say_wrapped(f"{images}, {what}: {summary(findings)}")


def _verdict(card: ExaminedCard, disc: ManifestDisc) -> str:
    if errors := card.errors(disc.path):
        return next((_WRONG[rule] for rule in errors if rule in _WRONG), "cannot be served")
    return "agrees" if card.contents_read else "size agrees"


def _open(disc: ManifestDisc) -> str:
    counts = {"error": 0, "warning": 0}
    for finding in disc.open_findings:
        if finding.severity in counts:
            counts[finding.severity] += finding.count
    return ", ".join(count_text(count, word) for word, count in counts.items() if count) or "none"


def _document(card: ExaminedCard) -> dict[str, Any]:
    discs = [
        {**chosen(disc, "position", "path", "label", "size"), "agrees": card.agrees(disc)}
        for disc in card.manifest.discs
    ]
    return document(
        "manifest",
        manifest=card.path,
        session=card.manifest.session,
        created=card.manifest.created,
        contents_read=card.contents_read,
        discs=discs,
        findings=card.findings,
    )
