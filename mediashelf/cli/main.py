"""The command group; commands are imported only when they are called."""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
from collections.abc import Iterator
from typing import Any, NamedTuple

import click

from mediashelf import __version__
from mediashelf.cli.console import prepare_streams
from mediashelf.cli.help_text import HelpFormatter
from mediashelf.cli.paging import paged
from mediashelf.cli.telling import ShownError, internal_error, shown_usage, tell
from mediashelf.errors import MediashelfError, OutputError
from mediashelf.version import version_text

INTERRUPTED = 130  # 128 + SIGINT, as shells report it; __main__.py has it before this is loaded
PIPE_CLOSED = 141  # 128 + SIGPIPE


class Place(NamedTuple):
    """Where a command is (module in mediashelf.cli and object in it), and its line of help."""

    path: str
    help: str


# Grouped and ordered as in the help, which imports no command.
JOBS: dict[str, dict[str, Place]] = {
    "To begin with": {
        "demo": Place("demo:demo", "Run all three jobs on an invented example."),
    },
    "Job 1: build a driver disc": {
        "recipe": Place("discs.recipe:recipe", "Begin a recipe: what goes on a disc, and where."),
        "build": Place("discs.build:build", "Build a disc from a recipe or from folders."),
        "drivers": Place("discs.drivers:drivers", "Which device has a driver there?"),
        "check": Place("discs.check:check", "Which systems can read this disc, and why not?"),
        "targets": Place("discs.targets:targets", "What each system can read, with sources."),
    },
    "Job 2: audit a library": {
        "shelf": Place("library.shelf:shelf", "Register the folders that hold images."),
        "scan": Place("library.scan:scan", "Record what is new, changed, moved or missing."),
        "audit": Place("library.audit:audit", "Is every image as recorded, and sound inside?"),
        "mend": Place("image.mend:mend", "Repair a damaged image from other copies."),
        "list": Place("keeping.list_images:list_command", "List the images on record."),
        "find": Place("keeping.find:find", "Which image is it, or holds this file?"),
        "describe": Place("keeping.describe:describe", "Say what you know of a disc."),
        "compare": Place("image.compare:compare", "What differs between two images or folders?"),
        "show": Place("image.show:show", "What is in an image, and what happened to it?"),
        "extract": Place("image.extract:extract", "Take files out of an image or archive."),
        "convert": Place("image.convert:convert", "Turn a raw image into one that can be served."),
        "checksums": Place("library.checksums:checksums", "Write or check a checksum list."),
        "catalogue": Place("keeping.catalogue:catalogue", "Save, restore, check the catalogue."),
        "timer": Place("timer.command:timer", "Audit a part of the library every night."),
    },
    "Job 3: prepare a bench session": {
        "plan": Place("bench.plan:plan", "Begin a session plan, or see what it comes to."),
        "prepare": Place("bench.prepare:prepare", "Put checked discs on a card, in order."),
        "manifest": Place("bench.manifest:manifest", "Check a card on the board."),
        "session": Place("bench.session:session", "Note at the bench what worked; report it."),
    },
}

_GO_ON = {"demo", "scan", "audit", "prepare"}  # called again, these do only what is left

click.Context.formatter_class = HelpFormatter

COMMANDS = {name: place for places in JOBS.values() for name, place in places.items()}


class MediashelfGroup(click.Group):
    """Loads commands on demand and turns our errors into exit codes, in one place."""

    def main(self, *args: Any, **options: Any) -> Any:
        prepare_streams()
        if "_MEDIASHELF_COMPLETE" in os.environ:
            importlib.import_module("mediashelf.cli.completion")
        return super().main(*args, **options)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        width = max(map(len, COMMANDS))
        for job, places in JOBS.items():
            with formatter.section(job):
                rows = [(name.ljust(width), place.help) for name, place in places.items()]
                formatter.write_dl(rows)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        place = COMMANDS.get(cmd_name)
        if place is None:
            return None
        module, _, attribute = place.path.partition(":")
        command: click.Command = getattr(
            importlib.import_module(f"mediashelf.cli.{module}"), attribute
        )
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            found = super().resolve_command(ctx, args)
        except click.UsageError as error:
            raise _with_suggestion(error, args) from error
        ctx.with_resource(paged(found[0]))
        return found

    def make_context(self, *arguments: Any, **options: Any) -> click.Context:
        try:
            return super().make_context(*arguments, **options)
        except click.UsageError as error:
            raise shown_usage(error) from error
        except KeyboardInterrupt:
            raise SystemExit(INTERRUPTED) from None

    def invoke(self, ctx: click.Context) -> Any:
        try:
            try:
                return super().invoke(ctx)
            finally:
                sys.stdout.flush()
        except click.UsageError as error:
            raise shown_usage(error) from error
        except MediashelfError as error:
            raise ShownError([*map(str, error.args), *_advice(error)], error.exit_code) from error
        except BrokenPipeError:
            # The reader went away (`| head`); there is nobody left to tell.
            _silence_standard_output()
            raise SystemExit(PIPE_CLOSED) from None
        except OSError as error:
            # Whatever reads or writes files says more than this; here it is mostly the
            # answer itself that could not be written, for example to a full disk.
            place = error.filename or "standard output"
            _silence_standard_output()
            words = f"{place}: {error.strerror or error}"
            raise ShownError([words], OutputError.exit_code) from error
        except (click.ClickException, click.Abort, click.exceptions.Exit):
            raise
        except Exception as error:
            # Python's own answer would end with 1, as findings do.
            raise internal_error(error) from error
        except KeyboardInterrupt:
            is_kept = ctx.invoked_subcommand in _GO_ON
            after = "What was finished is kept" if is_kept else "No unfinished file was left behind"
            tell(f"\nStopped. {after}.")
            raise SystemExit(INTERRUPTED) from None


def _silence_standard_output() -> None:
    """Let the interpreter's own last flush go nowhere."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _advice(error: MediashelfError) -> Iterator[str]:
    """Yield what to do where the system's own words do not tell it."""
    if not isinstance(error.__cause__, OSError):
        return
    from mediashelf.system import advice  # not for the help, which asks nothing of the system

    if words := advice(error.__cause__):
        yield words


def _with_suggestion(error: click.UsageError, args: list[str]) -> click.UsageError:
    import difflib

    near = difflib.get_close_matches(args[0] if args else "", COMMANDS, n=1)
    if not near:
        return error
    return click.UsageError(f"{error.message.rstrip('.')}. Did you mean {near[0]!r}?", error.ctx)


@click.group(
    cls=MediashelfGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
    epilog="Each command has examples: mediashelf build --help",
)
@click.version_option(__version__, message=version_text())
def main() -> None:
    """Keep disc images sound, build driver discs, prepare discs for a bench session.

    Commands that use the database of images take --catalogue FILE, or MEDIASHELF_CATALOGUE;
    those that use target files of your own take --targets-folder FOLDER, or
    MEDIASHELF_TARGETS. By default both are in the platform's data folder.

    Exit codes: 0 clean; 1 findings at or above --fail-on; 2 wrong usage;
    3 and up one for each kind of error (see the README); 70 an internal error;
    130 stopped by Ctrl-C.
    """
