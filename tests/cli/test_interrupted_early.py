"""Ctrl-C while the program is still loading ends as it does at any other moment."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from interrupting import interrupt, start_python

# Waits at a module that every command, or this command, loads; says so, and is interrupted.
STOP_AT = """
import sys, time
class Stop:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            print("there", flush=True)
            time.sleep(60)
sys.meta_path.insert(0, Stop())
sys.argv = ["mediashelf", "list"]
from mediashelf.__main__ import run
run()
"""


@pytest.mark.parametrize(
    "module", ["mediashelf.cli.main", "click", "mediashelf.cli.keeping.list_images"]
)
def test_interrupted_while_loading(tmp_path: Path, module: str) -> None:
    environment = {**os.environ, "MEDIASHELF_CATALOGUE": str(tmp_path / "none.sqlite")}
    with start_python(STOP_AT.format(module=module), env=environment) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "there\n"
        interrupt(run)
        _, told = run.communicate(timeout=30)
    assert run.returncode == 130
    assert "Traceback" not in told
