"""A small virtual machine of Debian packages: a generic kernel, busybox, Python, nothing installed.

Packages are downloaded by the system's own package manager and unpacked into a
folder; the kernel is never installed. The machine runs under software emulation.
Beside the guests' programs it holds mediashelf with the libraries that it needs, as
they are installed here; they run there only when both have the same Python.
"""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
from pathlib import Path

HERE = Path(__file__).parent

PROGRAMS = (
    *("qemu-system-x86_64", "busybox", "modprobe", "depmod", "cpio", "apt-get", "dpkg-deb"),
    *("mke2fs", "mkfs.fat"),
)

PYTHON_PACKAGES = (
    "python3.11-minimal",
    "libpython3.11-minimal",
    "libpython3.11-stdlib",
    "libc6",
    "libexpat1",
    "zlib1g",
    "libbz2-1.0",
    "liblzma5",
    "libssl3",
    "libgcc-s1",
    "dosfstools",
)

GUEST_PYTHON = (3, 11)  # of the packages above

LIBRARIES = (
    "mediashelf",
    "anyascii",
    "click",
    "fastcrc",
    "jinja2",
    "markupsafe",
    "msgspec",
    "platformdirs",
    "pycdlib",
    "tqdm",
    "wcwidth",
    "xxhash",
)

MODULES = (
    "virtio_pci",
    "virtio_blk",
    "ext4",
    "configfs",
    "dummy_hcd",
    "usb_f_mass_storage",
    "usb-storage",
    "sr_mod",
    "sd_mod",
    "isofs",
    "vfat",
    "nls_cp437",
    "nls_ascii",
    "nls_utf8",
)

INIT = """#!/bin/busybox sh
/bin/busybox mkdir -p /proc /sys /dev /tmp /mnt /card /sbin /usr/sbin
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
mount -t tmpfs -o size=300m tmp /tmp
while read module; do insmod $module; done < /modules.txt
mount -t configfs config /sys/kernel/config
mount -t ext4 -o ro /dev/vda /card
export PATH=/usr/sbin:/sbin:/usr/bin:/bin
export PYTHONDONTWRITEBYTECODE=1
program=$(sed 's/.*guest=\\([^ ]*\\).*/\\1/' /proc/cmdline)
cd /guest && PYTHONPATH=/libraries:/helpers /usr/bin/python3.11 $program
poweroff -f
"""


def missing_programs() -> list[str]:
    """Return the programs that this machine lacks."""
    return [name for name in PROGRAMS if shutil.which(name) is None]


def download(folder: Path) -> None:
    """Download the packages into ``folder`` and unpack them below ``root`` and ``kernel``."""
    kernel = _generic_kernel()
    subprocess.run(
        ["apt-get", "download", "-qq", kernel, *PYTHON_PACKAGES],
        cwd=folder,
        check=True,
        capture_output=True,
    )
    for package in folder.glob("*.deb"):
        place = folder / ("kernel" if package.name.startswith("linux-image") else "root")
        subprocess.run(["dpkg-deb", "-x", package, place], check=True)
        package.unlink()


def _generic_kernel() -> str:
    shown = subprocess.run(
        ["apt-cache", "depends", "linux-image-amd64"], check=True, capture_output=True, text=True
    ).stdout
    found = re.search(r"Depends: (linux-image-\S+)", shown)
    assert found, "the package lists name no generic kernel"
    return found[1]


def make_initial_system(folder: Path) -> tuple[Path, Path]:
    """Return the kernel and an initial file system that holds everything the guests need."""
    kernel = next((folder / "kernel" / "boot").glob("vmlinuz-*"))
    release = kernel.name.removeprefix("vmlinuz-")
    root = folder / "root"
    for useless in ("usr/share/doc", "usr/share/man", "usr/share/lintian", "usr/share/binfmts"):
        shutil.rmtree(root / useless, ignore_errors=True)
    for name in ("libc.so.6", "ld-linux-x86-64.so.2"):
        assert list(root.rglob(name)), name
    (root / "lib64").mkdir(exist_ok=True)
    (root / "bin").mkdir(exist_ok=True)
    shutil.copy(shutil.which("busybox") or "", root / "bin" / "busybox")
    _copy_python(HERE, root / "guest")
    for name in ("makers", "helpers"):
        _copy_python(HERE.parent / name, root / "helpers")
    for name in LIBRARIES:
        _copy_library(name, root / "libraries")
    _copy_modules(folder / "kernel", release, root)
    (root / "init").write_text(INIT)
    (root / "init").chmod(0o755)
    archive = folder / "initial.cpio"
    names = "\n".join(str(path.relative_to(root)) for path in sorted(root.rglob("*")))
    with archive.open("wb") as out:
        subprocess.run(
            ["cpio", "-o", "-H", "newc", "--quiet"],
            cwd=root,
            input=names.encode(),
            stdout=out,
            check=True,
        )
    return kernel, archive


def _copy_python(source: Path, target: Path) -> None:
    target.mkdir(exist_ok=True)
    for path in source.glob("*.py"):
        shutil.copy(path, target)


def _copy_library(name: str, target: Path) -> None:
    spec = importlib.util.find_spec(name)
    assert spec is not None and spec.origin is not None, name
    ignored = shutil.ignore_patterns("__pycache__", "tests")
    shutil.copytree(Path(spec.origin).parent, target / name, ignore=ignored)


def _copy_modules(kernel: Path, release: str, root: Path) -> None:
    """Copy the modules the guest loads, and list them in the order in which they load."""
    subprocess.run(["depmod", "-b", kernel, release], check=True, capture_output=True)
    order: list[str] = []
    for module in MODULES:
        shown = subprocess.run(
            ["modprobe", "-d", kernel, "-S", release, "--show-depends", module],
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        for line in shown.splitlines():
            word, _, path = line.strip().partition(" ")
            if word == "insmod" and path.split()[0] not in order:
                order.append(path.split()[0])
    (root / "modules").mkdir(exist_ok=True)
    for path in order:
        shutil.copy(path, root / "modules")
    (root / "modules.txt").write_text("".join(f"/modules/{Path(path).name}\n" for path in order))


def make_card_image(card: Path, output: Path) -> None:
    """Write a file system image that holds the card's files."""
    size = sum(path.stat().st_size for path in card.rglob("*") if path.is_file())
    with output.open("wb") as image:
        image.truncate(size * 5 // 4 + (16 << 20))
    subprocess.run(["mke2fs", "-q", "-t", "ext4", "-d", card, output], check=True)


def make_fat32_image(card: Path, output: Path) -> None:
    """Write an empty FAT32 file system with room for the card's files; the guest fills it."""
    size = sum(path.stat().st_size for path in card.rglob("*") if path.is_file())
    with output.open("wb") as image:
        image.truncate(size + (40 << 20))  # FAT32 has at least 65,525 clusters, here of 512 bytes
    subprocess.run(["mkfs.fat", "-F", "32", "-s", "1", output], check=True, capture_output=True)


def run(
    kernel: Path, initial: Path, card: Path, program: str, *, fat32: Path, seconds: float
) -> str:
    """Start the machine with a guest's program; return what it printed when it is off again.

    The guest may write into the second disk, ``fat32``, alone.
    """
    command = [
        "qemu-system-x86_64",
        *("-machine", "q35", "-accel", "tcg,thread=multi", "-smp", "2", "-m", "1024"),
        *("-kernel", str(kernel), "-initrd", str(initial)),
        *("-append", f"console=ttyS0 quiet panic=-1 guest={program}"),
        *("-drive", f"file={card},if=virtio,format=raw,readonly=on"),
        *("-drive", f"file={fat32},if=virtio,format=raw"),
        *("-nographic", "-no-reboot", "-nodefaults", "-serial", "stdio", "-monitor", "none"),
    ]
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=seconds, stdin=subprocess.DEVNULL
    )
    return done.stdout
