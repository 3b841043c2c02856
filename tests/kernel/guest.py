"""Runs inside the virtual machine: serve each disc, read it back as a host, print what was seen.

Every line of the answer starts with ``RESULT `` and is one JSON object.
"""

import errno
import fcntl
import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
import traceback
from pathlib import Path

from serve import Drive

DEVICE = Path("/dev/sr0")
MOUNT = Path("/mnt/disc")
CARD = Path("/mnt/fat32")
LOCK_DOOR = 0x5329  # CDROM_LOCKDOOR, include/uapi/linux/cdrom.h
BLOCK = 2048


def tell(kind, **facts):
    print("RESULT " + json.dumps({"kind": kind, **facts}), flush=True)


def open_disc(seconds=60.0):
    """Open the host's drive as soon as it has a disc in it."""
    end = time.monotonic() + seconds
    while True:
        try:
            return os.open(DEVICE, os.O_RDONLY)
        except OSError as error:
            if time.monotonic() > end:
                raise
            if error.errno not in (errno.ENOMEDIUM, errno.ENOENT, errno.ENXIO, errno.EIO):
                raise
            time.sleep(0.1)


def size_seen():
    disc = open_disc()
    try:
        return os.lseek(disc, 0, os.SEEK_END)
    finally:
        os.close(disc)


def read_back(size):
    digest = hashlib.sha256()
    disc = open_disc()
    try:
        left = size
        while left:
            data = os.read(disc, min(left, 1 << 20))
            if not data:
                break
            digest.update(data)
            left -= len(data)
    finally:
        os.close(disc)
    return digest.hexdigest()


def listing(options):
    subprocess.run(
        ["busybox", "mount", "-t", "iso9660", "-o", options, str(DEVICE), str(MOUNT)], check=True
    )
    try:
        found = []
        for folder, names, files in os.walk(MOUNT):
            base = "/" + os.path.relpath(folder, MOUNT) if folder != str(MOUNT) else ""
            found += [[f"{base}/{name}", -1] for name in names]
            found += [
                [f"{base}/{name}", os.stat(os.path.join(folder, name)).st_size] for name in files
            ]
        return sorted(found)
    finally:
        subprocess.run(["busybox", "umount", str(MOUNT)], check=True)


def attempt(action, **options):
    try:
        action(**options)
    except OSError as error:
        return error.errno
    return 0


def seconds_until(size, most=10.0):
    """How long it takes the host to see a disc of this size; ``most`` when it never does."""
    start = time.monotonic()
    while time.monotonic() - start < most:
        if size_seen() == size:
            return time.monotonic() - start
        time.sleep(0.05)
    return most


def open_at_once():
    os.close(os.open(DEVICE, os.O_RDONLY))


def write_nothing(drive):
    with (drive.lun / "file").open("wb", buffering=0) as out:
        os.write(out.fileno(), b"")


def fill_card():
    """Put what prepare wrote on a FAT32 card, and take the card out and in again."""
    command = ("busybox", "mount", "-t", "vfat", "-o", "iocharset=utf8", "/dev/vdb", CARD)
    CARD.mkdir(parents=True, exist_ok=True)
    subprocess.run(command, check=True)
    shutil.copytree("/card", CARD, dirs_exist_ok=True, ignore=shutil.ignore_patterns("lost+found"))
    subprocess.run(["busybox", "umount", str(CARD)], check=True)
    subprocess.run(command, check=True)


def tell_names():
    """What the host calls the drive."""
    device = Path("/sys/block/sr0/device")
    end = time.monotonic() + 20
    while not device.exists() and time.monotonic() < end:
        time.sleep(0.1)
    names = {key: (device / key).read_text().rstrip("\n") for key in ("vendor", "model", "rev")}
    tell("names", **names)


def serve_as_disk(drive, disc):
    """A hybrid image is a USB disk: blocks of 512 bytes, read-only, with its partition table."""
    end = time.monotonic() + 20
    block = Path("/sys/block/sda")
    while not block.exists() and time.monotonic() < end:
        time.sleep(0.1)
    time.sleep(2)  # until the host has read the size
    data = Path("/dev/sda").read_bytes()
    tell(
        "disk",
        position=disc["position"],
        sha256=hashlib.sha256(data).hexdigest(),
        size=len(data),
        read_only=(block / "ro").read_text().strip(),
        block_size=(block / "queue/logical_block_size").read_text().strip(),
    )


def serve_all(drive):
    for number, disc in enumerate(drive.manifest["discs"]):
        if number:
            drive.eject()
            drive.present(disc)
        if disc["presentation"] == "disk":
            (drive.gadget / "UDC").write_text("\n")  # a host asks for the kind of drive once
            (drive.gadget / "UDC").write_text(os.listdir("/sys/class/udc")[0] + "\n")
            serve_as_disk(drive, disc)
            (drive.gadget / "UDC").write_text("\n")
            drive.eject()
            drive.present(drive.manifest["discs"][0])
            (drive.gadget / "UDC").write_text(os.listdir("/sys/class/udc")[0] + "\n")
            continue
        noticed = seconds_until(disc["served_blocks"] * disc["block_size"])
        size = size_seen()
        tell(
            "disc",
            position=disc["position"],
            size=size,
            noticed=round(noticed, 2),
            sha256=read_back(min(size, disc["size"])),
            joliet=listing("ro,norock,iocharset=utf8"),
            primary=listing("ro,norock,nojoliet,map=off"),
        )


def cycle_power(drive, controller):
    """The board restarts with the PC: an installer that was used does not come back by itself."""
    for disc in drive.manifest["discs"]:
        if disc["presentation"] == "disk":
            continue
        drive.eject()
        drive.present(disc)
        (drive.gadget / "UDC").write_text("\n")
        drive.write("file", "")  # a board that was off has nothing in its drive
        drive.present(drive.first_disc())
        (drive.gadget / "UDC").write_text(controller + "\n")
        file = (drive.lun / "file").read_text().strip()
        size = size_seen() if file else 0
        tell("cycle", position=disc["position"], erases=disc["erases"], file=file, size=size)
    drive.eject()
    drive.present(drive.manifest["discs"][0])
    size_seen()  # the host may still be asking the empty drive what it is


def change_discs(drive):
    """A disc that is mounted or locked stays; one that is let go can be taken out."""
    options = ["-t", "iso9660", "-o", "ro", str(DEVICE), str(MOUNT)]
    subprocess.run(["busybox", "mount", *options], check=True)
    mounted = attempt(drive.eject)
    subprocess.run(["busybox", "umount", str(MOUNT)], check=True)
    nothing = attempt(write_nothing, drive=drive)
    still_there = (drive.lun / "file").read_text().strip() != ""
    eject = attempt(drive.eject)
    absent = attempt(open_at_once)
    tell(
        "change",
        mounted=mounted,
        nothing=nothing,
        still_there=still_there,
        eject=eject,
        open=absent,
        file=(drive.lun / "file").read_text(),
    )


def lock_the_door(drive):
    """The host locks the door: a plain eject is refused, a forced one is not."""
    drive.present(drive.manifest["discs"][0])
    disc = open_disc()
    fcntl.ioctl(disc, LOCK_DOOR, 1)
    locked = attempt(drive.eject)
    swapped = attempt(drive.present, disc=drive.manifest["discs"][1])
    forced = attempt(drive.eject, forced=True)
    fcntl.ioctl(disc, LOCK_DOOR, 0)  # else the host keeps locking every later disc
    os.close(disc)
    tell(
        "lock",
        eject=locked,
        present=swapped,
        forced_eject=forced,
        file=(drive.lun / "file").read_text(),
    )


def try_limits(drive):
    """299 blocks and a bit are refused, 1,152,000 blocks are cut."""
    drive.present(drive.manifest["discs"][0])
    for name, size in (("short", 614_399), ("least", 614_400), ("long", 1_152_000 * BLOCK)):
        path = Path("/tmp") / name
        with path.open("wb") as image:
            image.truncate(size)
        attempt(drive.eject)
        refused = attempt(drive.write, attribute="file", value=str(path))
        time.sleep(1.5)
        tell("limit", name=name, size=size, errno=refused, seen=0 if refused else size_seen())
    # A setting that is written while a disc is in.
    tell("busy", ro=attempt(drive.write, attribute="ro", value="1"))


def main():
    controller = os.listdir("/sys/class/udc")[0]
    fill_card()
    drive = Drive(CARD / "manifest.json")
    drive.start(controller)
    tell_names()
    serve_all(drive)
    cycle_power(drive, controller)
    change_discs(drive)
    lock_the_door(drive)
    try_limits(drive)
    subprocess.run(["busybox", "umount", str(CARD)], check=False)  # a disc may still be in
    os.sync()


try:
    MOUNT.mkdir(parents=True, exist_ok=True)
    main()
except BaseException:
    traceback.print_exc(file=sys.stdout)
tell("end")
