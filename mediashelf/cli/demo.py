"""``mediashelf demo``: the example scenario, all three jobs, with the commands it runs."""

from __future__ import annotations

import contextlib
import shlex
import sys
import textwrap
import time
from pathlib import Path

import click

from mediashelf.cli.main import INTERRUPTED, PIPE_CLOSED, main
from mediashelf.cli.options import quiet_option
from mediashelf.cli.render import say, say_typed, terminal_width
from mediashelf.demo.scenario import Scenario, decay, make_scenario, restore_slides
from mediashelf.errors import MediashelfError

_CATALOGUE = ["--catalogue", "catalogue.sqlite"]


@click.command(
    epilog="""\b
Examples:
  mediashelf demo
  mediashelf demo /tmp/kiosk
"""
)
@click.argument("folder", type=click.Path(path_type=Path), default=Path("mediashelf-demo"))
@quiet_option
def demo(folder: Path, quiet: bool) -> None:
    """Make an invented example in FOLDER and run the three everyday jobs on it.

    A community workshop revives a tide-table kiosk of 1999: drivers in folders, a
    small library of images of which some are damaged, and a plan for one bench
    session. Nothing outside FOLDER is touched; a FOLDER that an earlier run made
    is made anew.
    """
    start = time.monotonic()
    scenario = make_scenario(folder)
    tour = _Tour(quiet=quiet)
    with contextlib.chdir(folder):
        _build_a_disc(tour)
        _audit_the_library(tour, scenario)
        _ask_the_shelves(tour)
        _prepare_the_session(tour, scenario)
    _what_next(tour, folder, time.monotonic() - start)
    if tour.surprises:
        raise SystemExit(1)


class _Tour:
    """Tells what happens, runs commands as a person would type them, and minds their exit codes."""

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet
        self.surprises = 0

    def title(self, text: str) -> None:
        say()
        say(text)
        say("=" * min(len(text), terminal_width()))

    def tell(self, text: str) -> None:
        if not self._quiet:
            say()
            for line in textwrap.wrap(text, min(terminal_width(), 88)):
                say(line)

    def run(self, *arguments: str, ends_with: int = 0) -> None:
        """Run one command; an exit code other than ``ends_with`` is a failure of the example."""
        say()
        say_typed(f"$ mediashelf {shlex.join(arguments)}")
        sys.stdout.flush()
        code = _run(list(arguments))
        if code != ends_with:
            self.surprises += 1
            say(f"(ended with exit code {code}, which the example did not expect)")
        elif code:
            say(f"(exit code {code})")


def _run(arguments: list[str]) -> int:
    try:
        main.main(arguments, prog_name="mediashelf", standalone_mode=False)
    except SystemExit as end:
        code = int(end.code or 0)
        if code in (INTERRUPTED, PIPE_CLOSED):
            raise  # that ends the example as well
        return code
    except click.ClickException as error:
        error.show(sys.stdout)
        return error.exit_code
    except MediashelfError as error:
        say(str(error))
        return error.exit_code
    return 0


def _build_a_disc(tour: _Tour) -> None:
    tour.title("1. A driver disc")
    tour.tell(
        "The kiosk's drivers are in folders with long names, names in two more scripts, and one "
        "folder that is deeper than DOS reads. One disc is to serve the DOS prompt and the desktop."
    )
    tour.run("build", "driver-disc.toml", "-o", "drivers.iso")
    tour.tell(
        "Which device of the kiosk has a driver on that disc: complete, and where its INF "
        "expects it?"
    )
    tour.run("drivers", "drivers.iso", "--machine", "devices.txt", "--target", "win9x", ends_with=1)


def _audit_the_library(tour: _Tour, scenario: Scenario) -> None:
    tour.title("2. The library")
    tour.tell("The workshop's images are recorded once; after that, any change is detected.")
    tour.run("shelf", "add", "library", *_CATALOGUE)
    tour.run("scan", *_CATALOGUE)
    tour.tell("Which disc was that file on?")
    tour.run("find", "slide 3", *_CATALOGUE)
    tour.tell(
        "A year passes. In the attic copy of the system disc some bytes rot, without a change of "
        "size or date. The slides were copied from a stick that was pulled too early."
    )
    decay(Scenario(Path()))
    tour.run("audit", *_CATALOGUE, ends_with=1)
    tour.tell("The other copy of that disc has good blocks; a new image takes them from there.")
    tour.run(
        *("mend", "library/kiosk-system (attic copy).iso"),
        *("--from", "library/kiosk-system.iso", "-o", "library/kiosk-system-mended.iso"),
        *_CATALOGUE,
    )
    tour.tell(
        "One image is raw: sectors of 2,352 bytes, which the emulator cannot serve. Its parity "
        "puts one scratched sector right in the converted image; the raw one stays as it is."
    )
    tour.run("convert", "library/harbour-sounds.cue", "-o", "library/harbour-sounds.iso")


def _ask_the_shelves(tour: _Tour) -> None:
    tour.tell(
        "In a drawer are the discs that came with the kiosk's parts. Recorded once, they answer "
        "for a machine: from its list of devices to a disc in three commands."
    )
    tour.run("shelf", "add", "drawer", *_CATALOGUE)
    tour.run("scan", "drawer", "-q", *_CATALOGUE)
    machine = ("-m", "devices.txt", "-t", "win9x")
    tour.run("recipe", "new", "--shelves", *machine, "-o", "shelf-disc.toml", *_CATALOGUE)
    tour.run("build", "shelf-disc.toml", "-o", "shelf-drivers.iso", "-q", *_CATALOGUE, ends_with=1)
    tour.run("drivers", "shelf-drivers.iso", *machine, ends_with=1)
    tour.tell("That is what the shelves have; and why the sound card gets its package:")
    tour.run("drivers", "--shelves", *machine, "--explain", "3", *_CATALOGUE, ends_with=1)


def _prepare_the_session(tour: _Tour, scenario: Scenario) -> None:
    tour.title("3. The bench session")
    tour.tell("The plan names the discs in order. Nothing is copied while something blocks it.")
    tour.run("prepare", "session.toml", "--to", "card", *_CATALOGUE, ends_with=12)
    tour.tell("So the slides are copied again, and this time the stick stays in.")
    restore_slides(Scenario(Path()))
    tour.run("prepare", "session.toml", "--to", "card", "-q", *_CATALOGUE)
    tour.tell("On the board, before the session:")
    tour.run("manifest", "card/manifest.json")
    tour.tell("At the bench, each disc gets a note, with as few keystrokes as possible.")
    tour.run("session", "note", "1", "w", "first try", *_CATALOGUE)
    tour.run(
        *("session", "note", "2", "f", "qlsynth.vxd is missing", "-d", "Quillon audio"),
        *("--on", "win9x"),
        *_CATALOGUE,
    )
    tour.tell("What came of it, to keep or to publish:")
    tour.run("session", "report", "--html", "session-report.html", *_CATALOGUE)


def _what_next(tour: _Tour, folder: Path, seconds: float) -> None:
    tour.title("Next, with your own files")
    if not tour.surprises:
        say(f"The example took {seconds:.1f} seconds. It is all in {folder}")
    say()
    for command, purpose in (
        ("mediashelf build FOLDER -o DISC.iso", "a driver disc from your own folders"),
        ("mediashelf shelf add FOLDER", "a folder of images; then `mediashelf scan`"),
        ("mediashelf check IMAGE --target win9x", "can that system read this image?"),
        ("mediashelf COMMAND --help", "examples of every command"),
    ):
        say_typed(command)
        say(f"    {purpose}")
