"""Running commands as a person would, with a catalogue and a library of its own."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from made_library import DATE, tide_image, write
from mediashelf.cli.main import main


@dataclass
class Shelf:
    """A folder ``home`` and a catalogue beside it; ``run`` gives commands the catalogue."""

    folder: Path
    width: int = 100
    runner: CliRunner = field(default_factory=CliRunner)

    @classmethod
    def with_shelves(cls, folder: Path, *names: str) -> Shelf:
        """Return one whose catalogue has these shelves: new folders, with nothing in them."""
        made = cls(folder)
        for name in names:
            (folder / name).mkdir()
            made.run("shelf", "add", folder / name)
        return made

    @classmethod
    def with_discs(cls, folder: Path, count: int) -> Shelf:
        """Return one with so many discs on record at ``home``, called ``0.iso`` and so on."""
        made = cls.with_shelves(folder, "home")
        for number in range(count):
            write(made.home / f"{number}.iso", tide_image(number), DATE)
        made.run("scan")
        return made

    @property
    def home(self) -> Path:
        return self.folder / "home"

    @property
    def catalogue(self) -> Path:
        return self.folder / "catalogue.sqlite"

    def run(self, *arguments: str | Path, input: str | None = None, code: int = 0) -> Result:
        """Run a command and require its exit code; a traceback is never the answer."""
        environment = {
            "MEDIASHELF_CATALOGUE": str(self.catalogue),
            "COLUMNS": str(self.width),
        }
        words = [os.fspath(argument) for argument in arguments]
        result = self.runner.invoke(main, words, env=environment, input=input)
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == code, result.output
        return result

    def json(self, *arguments: str | Path, code: int = 0) -> Any:
        """Run a command with ``--json`` and return what it printed, which is ASCII."""
        text = self.run(*arguments, "--json", code=code).stdout
        assert text.isascii()
        return json.loads(text)
