"""Writes manual pages from the help: ``mediashelf.1``, and one for each command.

usage: python .ci/packaging/man_pages.py FOLDER    (man(7) says what the requests mean)
"""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import click

from mediashelf import __version__
from mediashelf.cli.main import main


def day() -> str:
    """Return today's date, or that of SOURCE_DATE_EPOCH (reproducible-builds.org)."""
    seconds = int(os.environ.get("SOURCE_DATE_EPOCH", time.time()))
    return time.strftime("%Y-%m-%d", time.gmtime(seconds))


def written(text: str) -> str:
    """Return a text as roff writes it: no character of it is a request or an escape."""
    escaped = text.replace("\\", r"\e").replace("-", r"\-").replace("'", r"\(aq")
    return re.sub(r"^(?=[.\\]\(aq|\.)", r"\\&", escaped, flags=re.MULTILINE)


def prose(text: str) -> Iterator[str]:
    r"""Yield the paragraphs of a help text; one that begins with ``\b`` keeps its lines."""
    apart = text.strip().replace("\n\b\n", "\n\n\b\n")
    for number, paragraph in enumerate(re.split(r"\n\s*\n", apart)):
        lines = [line.rstrip() for line in paragraph.splitlines()]
        if number:
            yield ".PP"
        if lines[0].strip() == "\b":
            yield ".nf"
            yield from map(written, lines[1:])
            yield ".fi"
        else:
            yield written(" ".join(line.strip() for line in lines))


def options(command: click.Command, context: click.Context) -> Iterator[str]:
    rows = [row for each in command.get_params(context) if (row := each.get_help_record(context))]
    if rows:
        yield ".SH OPTIONS"
    for names, told in rows:
        yield from (".TP", rf"\fB{written(names)}\fR", written(told or ""))


def page(command: click.Command, name: str, parent: click.Context | None) -> Iterator[str]:
    context = click.Context(command, parent, info_name=name.split()[-1], **command.context_settings)
    title = name.replace(" ", "-")
    yield f'.TH "{title.upper()}" 1 "{day()}" "mediashelf {__version__}"'
    yield ".ad l"  # paths and options are long words
    yield from (".SH NAME", rf"{written(title)} \- {written(command.get_short_help_str(100))}")
    pieces = " ".join(command.collect_usage_pieces(context))
    yield from (".SH SYNOPSIS", rf"\fB{written(name)}\fR {written(pieces)}")
    yield ".SH DESCRIPTION"
    yield from prose(command.help or "")
    yield from options(command, context)
    if command.epilog:
        yield from (".SH EXAMPLES",)
        yield from prose(re.sub(r"^Examples:\n", "", command.epilog.strip(), flags=re.MULTILINE))
    if isinstance(command, click.Group):
        yield ".SH SEE ALSO"
        names = command.list_commands(context)
        yield ", ".join(rf"\fB{written(f'{title}-{each}')}\fR(1)" for each in names)


def commands() -> Iterator[tuple[str, click.Command, click.Context | None]]:
    """Yield every command with its whole name, and the context that it is called in."""
    waiting: list[tuple[str, click.Command, click.Context | None]] = [("mediashelf", main, None)]
    while waiting:
        name, command, parent = waiting.pop(0)
        yield name, command, parent
        if isinstance(command, click.Group):
            context = click.Context(command, parent, info_name=name.split()[-1])
            for each in command.list_commands(context):
                inner = command.get_command(context, each)
                if inner is not None and not inner.hidden:
                    waiting.append((f"{name} {each}", inner, context))


def write_pages(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, command, parent in commands():
        text = "\n".join(page(command, name, parent)) + "\n"
        (folder / f"{name.replace(' ', '-')}.1").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write_pages(Path(sys.argv[1]))
