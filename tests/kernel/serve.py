"""Present the discs of a card through the Linux mass-storage function, from its manifest alone.

An example for authors of emulators: it reads nothing but the manifest, and
knows nothing of mediashelf. Needs configfs, libcomposite and a USB device controller.
"""

import json
from pathlib import Path

CONFIGFS = Path("/sys/kernel/config/usb_gadget")


class Drive:
    """One emulated drive with one lun."""

    def __init__(self, manifest: Path, controller: str) -> None:
        self.card = manifest.resolve().parent
        self.manifest = json.loads(manifest.read_text("utf-8"))
        if (self.manifest["format"], self.manifest["version"]) != ("mediashelf-card", 2):
            raise SystemExit(f"{manifest}: not a card manifest of version 2")
        self.gadget = CONFIGFS / "card"
        self.lun = self.gadget / "functions/mass_storage.0/lun.0"
        self.controller = controller

    def start(self) -> None:
        """Make the drive and present the start disc before the host can look."""
        self.gadget.mkdir()
        (self.gadget / "idVendor").write_text("0x1d6b\n")  # for tests inside one machine only
        (self.gadget / "idProduct").write_text("0x0104\n")
        (self.gadget / "strings/0x409").mkdir()
        (self.gadget / "strings/0x409/serialnumber").write_text("0123456789ABCDEF\n")
        (self.gadget / "configs/c.1/strings/0x409").mkdir(parents=True)
        self.lun.parent.mkdir()
        (self.gadget / "configs/c.1/mass_storage.0").symlink_to(self.lun.parent)
        start = self.manifest["start"]
        self.present(next(d for d in self.manifest["discs"] if d["position"] == start))
        (self.gadget / "UDC").write_text(self.controller + "\n")

    def present(self, disc: dict) -> None:
        """Write a disc's lun settings in the order in which they are listed."""
        for setting in disc["lun"]:
            value = setting["value"]
            if setting["attribute"] == "file":
                value = str(self.card / value)
            self.write(setting["attribute"], value)

    def eject(self, *, forced: bool = False) -> None:
        """Take the disc out; OSError EBUSY while the host holds the door locked."""
        for setting in self.manifest["forced_eject" if forced else "eject"]:
            self.write(setting["attribute"], setting["value"])

    def write(self, attribute: str, value: str) -> None:
        with (self.lun / attribute).open("wb", buffering=0) as out:
            out.write(value.encode() + b"\n")
