"""Runs inside the virtual machine: prepare a FAT32 card in a USB drive that is pulled out.

The drive is the kernel's own mass-storage function; to pull it the gadget is taken
from its controller, so that the host's driver loses the device in the middle of work.
"""

# ruff: noqa: T201, BLE001  # runs alone, and prints its answers

import os
import subprocess
import sys
import time
import traceback
from pathlib import Path

from pulled_cards import ROUNDS, Card, Puller, put_theirs, run
from session_bench import make_bench

GADGET = Path("/sys/kernel/config/usb_gadget/stick")
IMAGE = Path("/tmp/stick.img")
SIZE = 40 << 20  # FAT32 has at least 65,525 clusters, here of 512 bytes


class UsbCard(Card):
    """A FAT32 card in an emulated USB drive."""

    name = "a FAT32 card in a USB drive that is pulled out"

    def __init__(self, folder):
        super().__init__(folder)
        folder.mkdir(exist_ok=True)
        with IMAGE.open("wb") as image:
            image.truncate(SIZE)
        run("mkfs.fat", "-F", "32", "-s", "1", IMAGE)
        GADGET.mkdir()
        (GADGET / "idVendor").write_text("0x1d6b\n")
        (GADGET / "idProduct").write_text("0x0104\n")
        (GADGET / "strings/0x409").mkdir()
        (GADGET / "strings/0x409/serialnumber").write_text("0123456789ABCDEF\n")
        (GADGET / "configs/c.1/strings/0x409").mkdir(parents=True)
        function = GADGET / "functions/mass_storage.0"
        function.mkdir()
        (function / "lun.0/removable").write_text("1\n")
        (function / "lun.0/file").write_text(f"{IMAGE}\n")
        (GADGET / "configs/c.1/mass_storage.0").symlink_to(function)
        self.plug()

    def pull(self):
        (GADGET / "UDC").write_text("\n")
        run("busybox", "umount", "-l", self.folder)

    def plug(self):
        (GADGET / "UDC").write_text(next(Path("/sys/class/udc").iterdir()).name + "\n")
        end = time.monotonic() + 20
        while True:
            found = sorted(Path("/sys/block").glob("sd*"))
            if found:
                options = ("-t", "vfat", "-o", "iocharset=utf8")
                command = ["busybox", "mount", *options, f"/dev/{found[-1].name}", self.folder]
                if subprocess.run(command, capture_output=True).returncode == 0:
                    return
            assert time.monotonic() < end, "the drive does not come back"
            time.sleep(0.1)

    def repair(self):
        run("busybox", "umount", self.folder)
        device = sorted(Path("/sys/block").glob("sd*"))[-1].name
        checked = subprocess.run(
            ["fsck.fat", "-a", f"/dev/{device}"], capture_output=True, text=True, check=False
        )
        say("fsck.fat -a: " + " / ".join(checked.stdout.splitlines()[1:]))
        (GADGET / "UDC").write_text("\n")
        self.plug()

    def filesystem_check(self):
        """What the file system's own checker says of the image as it is now."""
        done = subprocess.run(
            ["fsck.fat", "-n", IMAGE], capture_output=True, text=True, check=False
        )
        return " / ".join(line for line in done.stdout.splitlines()[1:] if line.strip())


def say(line):
    print(f"RESULT {line}", flush=True)


def main():
    say(f"kernel {os.uname().release}, {UsbCard.name}")
    folder = Path("/tmp/bench")
    folder.mkdir()
    bench = make_bench(folder)
    card = UsbCard(bench.card)
    put_theirs(bench.card)
    os.sync()
    puller = Puller(bench, card, say)
    puller.measure()
    puller.fill_up()
    for number in range(ROUNDS):
        puller.pull_once(number)
    puller.complete()
    card.pull()
    say(f"fsck.fat: {card.filesystem_check()}")
    card.plug()
    puller.complete()
    say(f"stopped {puller.stopped_runs} of {ROUNDS}, checked {puller.repairs} times")
    say("end")


try:
    main()
except BaseException:
    traceback.print_exc(file=sys.stdout)
