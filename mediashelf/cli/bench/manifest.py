"""``mediashelf manifest``: is the card what its manifest says?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from mediashelf.cli.documents import chosen, document
from mediashelf.cli.options import fail_on_option, json_option, quiet_option
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say, say_findings, say_json, say_wrapped, summary, table
from mediashelf.findings import Finding, Severity
from mediashelf.sessions.cards.confirm import check_card
from mediashelf.sessions.manifests.manifest import read_manifest, schema
from mediashelf.sessions.manifests.sense import MANIFEST_NAME
from mediashelf.sessions.manifests.values import Manifest, ManifestDisc
from mediashelf.text import count_text, size_text


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
    if path.is_dir():
        path = path / MANIFEST_NAME
    content = read_manifest(path)
    total = sum(image.size for image in content.images)
    with progress("reading the card", total=total, quiet=quiet or sizes_only) as on_bytes:
        findings = list(
            check_card(content, path.parent, read_contents=not sizes_only, on_bytes=on_bytes)
        )
    if as_json:
        say_json(_document(path, content, findings, not sizes_only))
    else:
        _say(content, findings, sizes_only, quiet)
    exit_for(findings, fail_on)


def _say(content: Manifest, findings: list[Finding], sizes_only: bool, quiet: bool) -> None:
    if not quiet:
        machine = f", for {content.session.machine}" if content.session.machine else ""
        say_wrapped(f"{content.session.name}{machine}")
        say(f"prepared {content.created}")
        say()
        rows = [
            (
                str(disc.position),
                disc.path,
                size_text(disc.size),
                _verdict(disc, findings, sizes_only),
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
    what = "sizes compared, contents not read" if sizes_only else "sizes and digests compared"
    say_wrapped(f"{count_text(len(content.images), 'image')}, {what}: {summary(findings)}")


def _verdict(disc: ManifestDisc, findings: list[Finding], sizes_only: bool) -> str:
    if any(item.where == disc.path and item.severity == Severity.ERROR for item in findings):
        return "wrong"
    return "size agrees" if sizes_only else "agrees"


def _open(disc: ManifestDisc) -> str:
    counts = {"error": 0, "warning": 0}
    for finding in disc.open_findings:
        if finding.severity in counts:
            counts[finding.severity] += finding.count
    return ", ".join(count_text(count, word) for word, count in counts.items() if count) or "none"


def _document(
    path: Path, content: Manifest, findings: list[Finding], contents_read: bool
) -> dict[str, Any]:
    discs = [
        {
            **chosen(disc, "position", "path", "label", "size"),
            "agrees": _verdict(disc, findings, False) == "agrees",
        }
        for disc in content.discs
    ]
    return document(
        "manifest",
        manifest=path,
        session=content.session,
        created=content.created,
        contents_read=contents_read,
        discs=discs,
        findings=findings,
    )
