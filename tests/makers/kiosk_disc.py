"""A small driver disc: three devices of a kiosk, two INF packages, a recipe that names both."""

from __future__ import annotations

import os
from pathlib import Path

from driver_packages import inf_text

DATE = 929_181_600
MACHINE = """\
01:00.0 VGA compatible controller [0300]: Larkspur Video Accelerator 3 [f2c4:0301]
00:0b.0 Ethernet controller [0200]: Ternfield LAN 10/100 [f4b9:0100]
00:0c.0 Communication controller [0780]: Device [f7d3:0056]
"""


FILES = {
    "drivers/Larkspur Video/LKV.INF": inf_text(
        "Larkspur", "Larkspur 3", "PCI\\VEN_F2C4&DEV_0301", "LKV.VXD"
    ).encode(),
    "drivers/Larkspur Video/LKV.VXD": b"v" * 300_000,
    "drivers/Ternfield LAN/TERN.INF": inf_text(
        "Ternfield", "Ternfield LAN", "PCI\\VEN_F4B9&DEV_0100", "longterndriver.vxd"
    ).encode(),
    "drivers/Ternfield LAN/longterndriver.vxd": b"n" * 290_000,
    "drivers/DOS/TESTLAN.COM": b"d" * 4000,
    "kiosk.txt": MACHINE.encode(),
}
RECIPE = """\
label = "KIOSK"
targets = ["win9x"]
machine = "kiosk.txt"

[[folder]]
from = "drivers"
"""


def write_kiosk(folder: Path, recipe: str = RECIPE) -> None:
    """Write the drivers, the machine's file and ``disc.toml`` into a folder."""
    for name, data in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        os.utime(path, (DATE, DATE))
    (folder / "disc.toml").write_text(recipe)
