"""``mediashelf extract``: files and folders out of an image or archive.

The shape of ``--json``: ``command`` and ``version``, then ``source`` and ``form`` of what was
read, ``folder`` that was written to, ``files`` with ``path`` (inside), ``to`` (below the folder),
``size`` and ``sha256``, ``folder_count``, ``size`` in bytes, and ``findings``.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from mediashelf.cli.documents import chosen, document
from mediashelf.cli.options import catalogue_option, fail_on_option, json_option, quiet_option
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say_findings, say_json, say_wrapped, summary
from mediashelf.formats.volume import DISC_KINDS, VolumeKind
from mediashelf.jobs.images.extracting import Extraction, extract_files
from mediashelf.jobs.library.naming import find_place
from mediashelf.text import count_text, size_text

_PLACES_SHOWN = 5


@click.command(
    epilog="""
\b
Examples:
  mediashelf extract disc.iso DRIVERS/LAN README.TXT -o lan
  mediashelf extract pack.7z -o pack
  mediashelf extract disk1.ima -o disk1
  mediashelf extract disc.iso:/PACKS/LAN.ZIP win9x -o lan
  mediashelf extract "attic:kiosk.iso" -o kiosk --tree joliet
"""
)
@click.argument("image", metavar="IMAGE")
@click.argument("paths", nargs=-1, metavar="[PATH]...")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FOLDER",
    help="The folder to write to; it appears with everything in it, or not at all.",
)
@click.option(
    "--tree",
    "kind",
    type=click.Choice([kind.value for kind in DISC_KINDS]),
    help="Which tree of names of a disc to take [default: the fullest, with the longest names].",
)
@catalogue_option
@json_option
@quiet_option
@fail_on_option
def extract(
    image: str,
    paths: tuple[str, ...],
    output: Path,
    kind: str | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Take files and folders out of an image or archive, or everything in it.

    IMAGE is a disc or floppy image, an archive, a compressed image, or a setup program that
    carries an archive; IMAGE:/PATH goes on into it, and into archives inside. Each PATH keeps
    its own name in FOLDER. Names that are not safe on every system are changed, which is said;
    links in archives are left out, and those on discs become empty files. Every file is read
    back after it was written. Nothing that exists is replaced, and the image is only read.
    """
    result = extract_files(
        find_place(image, catalogue_path),
        paths,
        output,
        kind=VolumeKind(kind) if kind else None,
        progress=partial(progress, quiet=quiet),
    )
    if as_json:
        say_json(
            document(
                "extract",
                **chosen(result, "source", "form", "folder", "files", "folder_count", "size"),
                findings=result.findings,
            )
        )
    else:
        _say(result, quiet)
    exit_for(result.findings, fail_on)


def _say(result: Extraction, quiet: bool) -> None:
    say_findings(result.findings, limit=_PLACES_SHOWN)
    if quiet:
        return
    files = count_text(len(result.files), "file")
    folders = count_text(result.folder_count, "folder")
    say_wrapped(
        f"{result.folder}: {files} in {folders}, {size_text(result.size)}, from {result.source} "
        f"({result.form}); read back; {summary(result.findings)}"
    )
