"""A setup program for 64-bit processors is seen in its header."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from make_files import make_mz, make_ne, make_pe
from make_image import make_iso
from mediashelf.image import open_image
from mediashelf.sessions.discs.setup_program import machine_of, needs_64_bit
from session_bench import Bench, make_bench

X64, X86 = 0x8664, 0x014C


def program(machine: int) -> bytes:
    data = bytearray(make_pe().data)
    at = struct.unpack_from("<I", data, 60)[0]
    struct.pack_into("<H", data, at + 4, machine)
    return bytes(data)


@pytest.mark.parametrize(
    ("files", "expected"),
    [
        ({"SETUP.EXE": program(X64)}, True),
        ({"SETUP.EXE": program(X86)}, False),
        ({"SOURCES/SETUP.EXE": program(X64)}, True),
        ({"SETUP.EXE": program(X86), "SOURCES/SETUP.EXE": program(X64)}, False),
        ({"TOOLS/SETUP.EXE": program(X64)}, False),
        ({"SETUP.EXE": make_ne().data}, False),
        ({"SETUP.EXE": make_mz()}, False),
        ({"SETUP.EXE": b"no program"}, False),
        ({"README.TXT": b"x"}, False),
        ({"AMD64/TXTSETUP.SIF": b"x", "I386/DRIVER.CAB": b"x"}, True),
        ({"I386/TXTSETUP.SIF": b"x", "AMD64/README.TXT": b"x"}, False),
    ],
)
def test_the_first_setup_program_decides(
    tmp_path: Path, files: dict[str, bytes], expected: bool
) -> None:
    path = tmp_path / "disc.iso"
    path.write_bytes(make_iso(files, label="DISC", joliet=3).data)
    with open_image(path) as image:
        assert needs_64_bit(image) is expected


def test_a_program_cut_anywhere_is_no_trouble() -> None:
    whole = program(X64)
    assert machine_of(whole) == X64
    for size in range(64, len(whole), 7):
        assert machine_of(whole[:size]) in (X64, None)


def test_prepare_tells_it(tmp_path: Path) -> None:
    bench: Bench = make_bench(tmp_path)
    files = {"SETUP.EXE": program(X64), "BIG.BIN": bytes(700_000)}
    bench.system.write_bytes(make_iso(files, label="SYSTEM", joliet=3).data)
    bench.plan.write_text(
        'name = "n"\ntargets = ["nt6"]\n[machine]\nprocessor_bits = 32\n'
        '[[disc]]\nimage = "library/system.iso"\n'
    )
    rules = [one.rule for one in bench.prepare().manifest.open_findings]
    assert "disc-is-64-bit-only" in rules
