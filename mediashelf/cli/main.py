"""The command group; commands are imported only when they are called."""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
from typing import Any

import click

from mediashelf import __version__
from mediashelf.errors import MediashelfError, OutputError

INTERRUPTED = 130  # 128 + SIGINT, as shells report it
PIPE_CLOSED = 141  # 128 + SIGPIPE

# The order is the one shown in the help. Each value is a module in
# mediashelf.cli and the command object in it.
COMMANDS: dict[str, str] = {
    "demo": "demo:demo",
    "shelf": "library.shelf:shelf",
    "scan": "library.scan:scan",
    "list": "library.list_images:list_images",
    "find": "library.find:find",
    "show": "image.show:show",
    "audit": "library.audit:audit",
    "checksums": "library.checksums:checksums",
    "check": "discs.check:check",
    "targets": "discs.targets:targets",
    "build": "discs.build:build",
    "recipe": "discs.recipe:recipe",
    "drivers": "discs.drivers:drivers",
    "convert": "image.convert:convert",
    "mend": "image.mend:mend",
    "plan": "bench.plan:plan",
    "prepare": "bench.prepare:prepare",
    "manifest": "bench.manifest:manifest",
    "session": "bench.session:session",
    "timer": "library.timer:timer",
}


class MediashelfGroup(click.Group):
    """Loads commands on demand and turns our errors into exit codes, in one place."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        place = COMMANDS.get(cmd_name)
        if place is None:
            return None
        module, _, attribute = place.partition(":")
        command: click.Command = getattr(
            importlib.import_module(f"mediashelf.cli.{module}"), attribute
        )
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            raise _with_suggestion(error, args) from error

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except MediashelfError as error:
            from mediashelf.text import printable

            lines = str(error).splitlines()
            raise _Shown("\n".join(printable(line) for line in lines), error.exit_code) from error
        except BrokenPipeError:
            # The reader went away (`| head`); there is nobody left to tell.
            _silence_standard_output()
            raise SystemExit(PIPE_CLOSED) from None
        except OSError as error:
            # Whatever reads or writes files says more than this; here it is mostly the
            # answer itself that could not be written, for example to a full disk.
            place = error.filename or "standard output"
            _silence_standard_output()
            raise _Shown(f"{place}: {error.strerror or error}", OutputError.exit_code) from error
        except KeyboardInterrupt:
            click.echo("\nStopped. What was finished is kept.", err=True)
            raise SystemExit(INTERRUPTED) from None


def _silence_standard_output() -> None:
    """Let the interpreter's own last flush go nowhere."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


class _Shown(click.ClickException):
    """An error of ours in the form that click prints."""

    def __init__(self, message: str, exit_code: int) -> None:
        super().__init__(message)
        self.exit_code = exit_code  # type: ignore[misc]  # click documents it as settable


def _with_suggestion(error: click.UsageError, args: list[str]) -> click.UsageError:
    import difflib

    near = difflib.get_close_matches(args[0] if args else "", COMMANDS, n=1)
    if not near:
        return error
    return click.UsageError(f"{error.message.rstrip('.')}. Did you mean {near[0]!r}?", error.ctx)


@click.group(
    cls=MediashelfGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
    epilog="Start with: mediashelf demo",
)
@click.version_option(__version__, prog_name="mediashelf")
def main() -> None:
    """Keep disc images sound, build driver discs, prepare discs for a bench session.

    Exit codes: 0 clean; 1 findings at or above --fail-on; 2 wrong usage;
    3 and up one for each kind of error (see the README); 130 stopped by Ctrl-C.
    """
