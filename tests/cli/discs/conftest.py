"""A machine and a folder of driver packages for it."""

from __future__ import annotations

from pathlib import Path

import pytest

from driver_examples import inf_text
from drivers_runs import MACHINE, SOUND, VIDEO


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    path = tmp_path / "machine.txt"
    path.write_text(MACHINE)
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three packages; the one for sound names a file that is not there."""
    top = tmp_path / "drivers"
    for name, text, files in [
        ("Larkspur Video/lkv.inf", inf_text(f"{VIDEO}&SUBSYS_001EF2C4"), ["lkv.sys"]),
        ("Old Larkspur/lkv.inf", inf_text(VIDEO, version="01/01/2003,9.0.0.0"), ["lkv.sys"]),
        (
            "Quillon/qla.inf",
            inf_text(
                SOUND, copies="CopyFiles=@qla.sys,@qlsynth.sys", files="qla.sys=1\r\nqlsynth.sys=1"
            ),
            ["qla.sys"],
        ),
    ]:
        path = top / name
        path.parent.mkdir(parents=True)
        path.write_bytes(text.encode("cp1252"))
        for file in files:
            path.with_name(file).write_bytes(name.encode())
    return top
