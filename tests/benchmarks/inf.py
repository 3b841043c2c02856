"""Parse a large INF, and survey a tree of many: MB/s and seconds.

Usage: python tests/benchmarks/inf.py
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "makers"))

from driver_examples import inf_text, make_tree
from mediashelf.drivers.findings import check_survey
from mediashelf.drivers.machines.reading import parse_machine
from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.surveying import survey
from mediashelf.formats.inf.checks import check_inf
from mediashelf.formats.inf.document import parse_inf


def large_inf(count: int) -> bytes:
    """Return an INF with every kind of line: ids, comments, quotes, continuation, strings."""
    lines = ["; Larkspur Video, invented", "[Version]", 'Signature="$CHICAGO$"', "Class=Display"]
    lines += ["DriverVer=03/18/1999,4.10.3.204", "[Manufacturer]", "%Mfg%=Models,NTx86", ""]
    for section in ("Models", "Models.NTx86"):
        lines.append(f"[{section}]")
        lines += [
            f"%Dev{n}.Desc% = Install_{n % 40}, PCI\\VEN_F2C4&DEV_{n:04X}&SUBSYS_0001F2C4"
            for n in range(count)
        ]
    for n in range(40):
        lines += [f"[Install_{n}.NT]", "CopyFiles=@lkvx3.sys, Copy.Drv ; both forms"]
        lines += [f"AddReg=Registry_{n}", "", f"[Registry_{n}]"]
        for value in range(count // 20):
            lines.append(f'HKR, Settings, "Value{value}", %REG_DWORD%, {value:#x} ; comment')
        for _ in range(count // 40):
            lines += ["HKR,, Displays, %REG_MULTI_SZ%, lkvx3, \\", "   lkvx4"]
    lines += ["[SourceDisksFiles]", *(f"file{n}.sys = 1,,{n}" for n in range(count))]
    lines += ["[Strings]", *(f'Dev{n}.Desc = "Larkspur Video {n}"' for n in range(count))]
    return "\r\n".join(lines).encode()


def rate(label: str, data: bytes, work: Callable[[], object]) -> None:
    """Print the best of five runs in MB/s of ``data``."""
    best = 1e9
    for _ in range(5):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    print(f"{label:<40} {len(data) / best / 1e6:7.1f} MB/s  ({len(data):,} bytes, {best:.3f} s)")


def main() -> None:
    data = large_inf(10_000)
    wide = b"\xff\xfe" + data.decode().encode("utf-16-le")
    parsed = parse_inf(data)
    rate("parse", data, lambda: parse_inf(data))
    rate("parse, UTF-16", wide, lambda: parse_inf(wide))
    rate("all checks of a parsed text", data, lambda: list(check_inf(parsed, where="x")))

    files: dict[str, str | bytes] = {}
    for number in range(500):
        ids = [
            f"PCI\\VEN_F2C4&DEV_{(number * 7 + n) % 65536:04X}&SUBSYS_{n:04X}F2C4"
            for n in range(300)
        ]
        files[f"/Package {number}/lkv.inf"] = inf_text(*ids)
        files[f"/Package {number}/lkv.sys"] = b"x"
    tree = make_tree(files)
    devices = parse_machine(
        "".join(f"PCI\\VEN_F2C4&DEV_{n * 50:04X}&SUBSYS_0001F2C4&REV_01\n\n" for n in range(30))
    ).devices
    start = time.perf_counter()
    found = find_packages(tree)
    read = time.perf_counter()
    result = survey([(tree, found)], FAMILIES["nt5"], "nt5", devices)
    count = len(list(check_survey(result)))
    done = time.perf_counter()
    print(f"500 packages, 150,000 models, 30 devices: read {read - start:.2f} s, ", end="")
    print(f"survey {done - read:.2f} s, {count} findings")


if __name__ == "__main__":
    main()
