"""Present the discs of a card through the Linux mass-storage function, from its manifest alone.

An example for authors of emulators: it reads nothing but the manifest, keeps which disc it
presented last, and needs configfs, libcomposite and a USB device controller.
"""

import json
from pathlib import Path


class Drive:
    gadget = Path("/sys/kernel/config/usb_gadget/card")
    lun = gadget / "functions/mass_storage.0/lun.0"

    def __init__(self, manifest: Path, memory: Path | None = None) -> None:
        self.card = manifest.resolve().parent
        self.manifest = json.loads(manifest.read_text("utf-8"))
        if (self.manifest["format"], self.manifest["version"]) != ("mediashelf-card", 4):
            raise SystemExit(f"{manifest}: not a card manifest of version 4")
        self.discs = {f"{d['position']} {d['code']}\n": d for d in self.manifest["discs"]}
        self.memory = memory or self.card / "last-disc.txt"

    def start(self, controller: str) -> None:
        """Make the drive and present the start disc before the host can look."""
        for folder in ("configs/c.1/strings/0x409", "functions/mass_storage.0", "strings/0x409"):
            (self.gadget / folder).mkdir(parents=True)
        (self.gadget / "idVendor").write_text("0x1d6b\n")  # for tests inside one machine only
        (self.gadget / "configs/c.1/mass_storage.0").symlink_to(self.lun.parent)
        self.apply(self.manifest["drive"])
        self.present(self.first_disc())
        (self.gadget / "UDC").write_text(controller + "\n")

    def first_disc(self) -> dict | None:
        """Return what to present without being asked: never a disc that erases a second time."""
        start = self.manifest["start"]
        disc = next((d for d in self.discs.values() if start in ("last", d["position"])), None)
        if start == "last" and self.memory.exists():
            disc = self.discs.get(self.memory.read_text())
            disc = disc if disc and not disc["erases"] else None
        return disc if disc and disc["servable"] else None

    def present(self, disc: dict | None) -> None:
        """Write the disc's settings in order, remember it, insert it; None: an empty drive."""
        *settings, file = (disc or self.manifest["discs"][0])["lun"]
        self.apply(settings)
        if disc:
            self.memory.write_text(f"{disc['position']} {disc['code']}\n")
            self.write("file", str(self.card / file["value"]))

    def eject(self, *, forced: bool = False) -> None:
        """Take the disc out; OSError EBUSY while the host holds the door locked."""
        self.apply(self.manifest["forced_eject" if forced else "eject"])

    def apply(self, settings: list[dict]) -> None:
        for setting in settings:
            self.write(setting["attribute"], setting["value"])

    def write(self, attribute: str, value: str) -> None:
        with (self.lun / attribute).open("wb", buffering=0) as out:
            out.write(value.encode() + b"\n")
