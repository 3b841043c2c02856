"""Forty invented driver packages and a machine of twelve devices, the same every time.

What is right about them is known from how they are made: which device gets which
package, and which files are not there.
"""

from __future__ import annotations

import os
import random
import zipfile
from dataclasses import dataclass, field
from pathlib import Path

DATE = 929_181_600  # 12 June 1999, 10:00 UTC

VENDORS = {
    0xF2C4: "Larkspur Video",
    0xF3D7: "Quillon Audio",
    0xF4B9: "Ternfield LAN",
    0xF6E2: "Mossgate Chipset",
    0xF7D3: "Foghorn Modems",
}

# Slot, class, vendor, device, subsystem; what ``win9x`` finds; words for the package.
MACHINE: tuple[tuple[str, str, int, int, int | None, str], ...] = (
    ("00:00.0", "0600", 0xF6E2, 0x2000, None, "Mossgate Chipset/bridge/BRIDGE.INF"),
    ("00:07.0", "0601", 0xF6E2, 0x2001, None, "Mossgate Chipset/bridge/BRIDGE.INF"),
    ("00:07.1", "0101", 0xF6E2, 0x2011, None, "Mossgate Chipset/ide/IDE.INF"),
    ("00:07.2", "0c03", 0xF6E2, 0x2038, None, "Mossgate Chipset/usb/USB.INF"),
    ("00:09.0", "0401", 0xF3D7, 0x1600, 0x0001F3D7, "Quillon Audio/Quillon 16 board/QLA16.INF"),
    ("00:0a.0", "0400", 0xF3D7, 0x1700, None, "Quillon Audio/capture/CAPTURE.INF"),
    ("00:0b.0", "0200", 0xF4B9, 0x0100, None, "Ternfield LAN/10-100 second/TERN2.INF"),
    ("00:0c.0", "0780", 0xF7D3, 0x0056, None, "Foghorn Modems/modem/MODEM.INF"),
    ("00:0d.0", "0100", 0xF6E2, 0x3000, None, ""),  # nobody has a driver for it
    ("00:0e.0", "0703", 0xF7D3, 0x0090, None, ""),  # only for NT systems
    ("01:00.0", "0300", 0xF2C4, 0x0301, None, "Larkspur Video/Accelerator 3/LKVX3.INF"),
    ("01:01.0", "0300", 0xF2C4, 0x0900, None, ""),  # only as one of its kind, see GENERIC
)
GENERIC = {"01:01.0": "Larkspur Video/any display/ANY.INF"}


@dataclass
class Package:
    """One package: INF, models as identifiers, files with their place below its folder."""

    inf: str  # path below the drivers, parts joined by /
    identifiers: tuple[str, ...]
    files: dict[str, str]  # name → folder below the INF's, or ""
    size: int
    signature: str = "$CHICAGO$"
    version: str = "03/18/1999,4.10.3.204"
    absent: tuple[str, ...] = ()  # files that the INF names and that are not there

    @property
    def folder(self) -> str:
        return self.inf.rpartition("/")[0]

    @property
    def maker(self) -> str:
        return self.inf.partition("/")[0]

    def inf_text(self) -> str:
        disks = list(dict.fromkeys(self.files.values()))
        return "\r\n".join(
            [
                f"; {self.maker} - example data, describes no real device",
                "[Version]",
                f'Signature="{self.signature}"',
                "Class=Display",
                "Provider=%Maker%",
                f"DriverVer={self.version}",
                "[Manufacturer]",
                "%Maker%=Models",
                "[Models]",
                *(f"%Maker% {number}=Install,{one}" for number, one in enumerate(self.identifiers)),
                "[Install]",
                "CopyFiles=Files",
                "[Files]",
                *self.files,
                "[DestinationDirs]",
                "DefaultDestDir=11",
                "[SourceDisksNames]",
                *(
                    f"{number}=%Maker%,,,{chr(92) + place if place else ''}"
                    for number, place in enumerate(disks, 1)
                ),
                "[SourceDisksFiles]",
                *(f"{name}={disks.index(place) + 1}" for name, place in self.files.items()),
                "[Strings]",
                f'Maker="{self.maker}"',
                "",
            ]
        )


@dataclass
class FortyPackages:
    """Where everything was written, and what is in it."""

    folder: Path
    packages: list[Package] = field(default_factory=list)

    @property
    def recipe(self) -> Path:
        return self.folder / "kiosk.toml"

    @property
    def machine(self) -> Path:
        return self.folder / "kiosk.txt"

    def expected_covers(self) -> list[tuple[str, str]]:
        """What each device has for win9x: a word and the INF's path in lower case."""
        torn = {package.inf for package in self.packages if package.absent}
        covers = []
        for slot, *_, inf in MACHINE:
            generic = GENERIC.get(slot, "")
            word = "incomplete" if inf in torn else "covered" if inf else "none"
            covers.append((word, f"/{inf or generic}".lower() if inf or generic else ""))
        return covers

    def absent(self) -> set[tuple[str, str]]:
        """INF and name of every file that is asked for and not there."""
        return {
            (f"/{package.inf}".lower(), name.lower())
            for package in self.packages
            for name in package.absent
        }


def pci(vendor: int, device: int, subsystem: int | None = None) -> str:
    rest = f"&SUBSYS_{subsystem:08X}" if subsystem is not None else ""
    return f"PCI\\VEN_{vendor:04X}&DEV_{device:04X}{rest}"


def make_packages() -> list[Package]:
    """The packages for the machine, some that lose against them, and many for other boards."""
    made = [
        Package(
            "Mossgate Chipset/bridge/BRIDGE.INF",
            (pci(0xF6E2, 0x2000), pci(0xF6E2, 0x2001)),
            {"BRIDGE.VXD": ""},
            60_000,
        ),
        Package(
            "Mossgate Chipset/ide/IDE.INF", (pci(0xF6E2, 0x2011),), {"MGIDE.MPD": "win"}, 90_000
        ),
        Package("Mossgate Chipset/usb/USB.INF", (pci(0xF6E2, 0x2038),), {"MGUSB.SYS": ""}, 40_000),
        Package(
            "Quillon Audio/Quillon 16 board/QLA16.INF",
            (pci(0xF3D7, 0x1600, 0x0001F3D7),),
            {"QLA16.VXD": "", "QLSYNTH.VXD": "synth"},
            700_000,
            absent=("QLSYNTH.VXD",),
        ),
        # The chip alone ranks behind the board.
        Package(
            "Quillon Audio/any board/QLANY.INF", (pci(0xF3D7, 0x1600),), {"QLANY.VXD": ""}, 300_000
        ),
        Package(
            "Quillon Audio/capture/CAPTURE.INF", (pci(0xF3D7, 0x1700),), {"QLCAP.DRV": ""}, 500_000
        ),
        Package(
            "Ternfield LAN/10-100 first/TERN1.INF",
            (pci(0xF4B9, 0x0100),),
            {"TERN.VXD": ""},
            200_000,
            version="01/25/1998,4.0.2.7",
        ),
        # Equal rank, later date.
        Package(
            "Ternfield LAN/10-100 second/TERN2.INF",
            (pci(0xF4B9, 0x0100),),
            {"Ternfield network adapter.vxd": ""},
            260_000,
        ),
        Package(
            "Foghorn Modems/modem/MODEM.INF",
            (pci(0xF7D3, 0x0056),),
            {"FOGHORN.VXD": "", "FOGVOICE.WAV": "sounds"},
            900_000,
        ),
        Package(
            "Foghorn Modems/nt/FOGNT.INF",
            (pci(0xF7D3, 0x0090),),
            {"FOGNT.SYS": ""},
            150_000,
            signature="$WINDOWS NT$",
        ),
        Package(
            "Larkspur Video/Accelerator 3/LKVX3.INF",
            (pci(0xF2C4, 0x0301),),
            {"LKVX3.DRV": "", "LKVX3.VXD": ""},
            1_200_000,
        ),
        Package(
            "Larkspur Video/any display/ANY.INF", ("PCI\\CC_0300",), {"ANYVGA.DRV": ""}, 80_000
        ),
    ]
    randomness = random.Random(40)
    while len(made) < 40:
        number = len(made)
        vendor = randomness.choice(list(VENDORS))
        name = f"{VENDORS[vendor]}/Series {number}, release {randomness.randint(1, 9)}"
        absent = (f"PART{number}.VXD",) if number % 9 == 0 else ()
        made.append(
            Package(
                f"{name}/OEM{number}.INF",
                (pci(vendor, 0x4000 + number),),
                {f"DRV{number}.VXD": "", **dict.fromkeys(absent, "disk2")},
                randomness.randint(20, 500) * 1000,
                absent=absent,
            )
        )
    return made


def write_packages(folder: Path) -> FortyPackages:
    """Write the drivers, some of them as an archive, the machine, and a recipe."""
    made = FortyPackages(folder, make_packages())
    archived = {package.inf for package in made.packages if package.maker == "Foghorn Modems"}
    with zipfile.ZipFile(folder / "foghorn.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for package in made.packages:
            for name, data in _files(package).items():
                if package.inf in archived:
                    information = zipfile.ZipInfo(
                        name.removeprefix("Foghorn Modems/"), (1999, 6, 12, 10, 0, 0)
                    )
                    archive.writestr(information, data, zipfile.ZIP_DEFLATED)
                    continue
                path = folder / "drivers" / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(data)
                os.utime(path, (DATE, DATE))
    made.machine.write_text(machine_text())
    made.recipe.write_text(RECIPE)
    return made


def _files(package: Package) -> dict[str, bytes]:
    present = {name: place for name, place in package.files.items() if name not in package.absent}
    files = {package.inf: package.inf_text().encode("ascii")}
    for name, place in present.items():
        path = "/".join(part for part in (package.folder, place, name) if part)
        files[path] = random.Random(path).randbytes(package.size // len(present))
    return files


def machine_text() -> str:
    """The machine as ``lspci -nnvmm`` prints it."""
    records = []
    for slot, device_class, vendor, device, subsystem, _ in MACHINE:
        lines = [
            f"Slot:\t{slot}",
            f"Class:\tDevice class [{device_class}]",
            f"Vendor:\t{VENDORS[vendor]} [{vendor:04x}]",
            f"Device:\tBoard {device:04x} [{device:04x}]",
        ]
        if subsystem is not None:
            lines += [
                f"SVendor:\t{VENDORS[vendor]} [{subsystem & 0xFFFF:04x}]",
                f"SDevice:\tBoard [{subsystem >> 16:04x}]",
            ]
        records.append("\n".join(lines))
    return "\n\n".join(records) + "\n"


RECIPE = """\
label = "Kiosk drivers"
targets = ["win9x"]
machine = "kiosk.txt"
capacity = "2300 sectors"

[[folder]]
from = "drivers"

[[folder]]
from = "foghorn.zip"
to = "/Foghorn Modems"
notes = "Voice files are for the exhibition only."
"""
