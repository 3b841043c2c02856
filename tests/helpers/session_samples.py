"""A sample manifest, a card for it, and ways to make many."""

from __future__ import annotations

import hashlib
from pathlib import Path

from hypothesis import strategies as st
from msgspec.structs import replace

from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.sessions.emulator import Presentation
from mediashelf.sessions.manifests.disc import ManifestDisc
from mediashelf.sessions.manifests.manifest import render_manifest
from mediashelf.sessions.manifests.parts import (
    BootWay,
    CardFile,
    Contents,
    FileDigests,
    LunWrite,
    OpenFinding,
    Origin,
)
from mediashelf.sessions.manifests.values import Manifest, ManifestSession

FINDING = OpenFinding(
    rule="joliet-name-length",
    severity="warning",
    target="win9x",
    where="/Slides/A name that goes on and on.bmp",
    count=3,
    message="The name has 70 characters, 64 are read",
    remedy="Shorten the name in the source folder",
    source="common practice",
)


SOME_DIGESTS = FileDigests("0123456789abcdef" * 2, "fedcba9876543210" * 4)
CODES = ("K7C", "M2A", "T4X", "A3H", "P6E", "X2K", "C7Y")


def lun_for(path: str, cdrom: str = "1") -> tuple[LunWrite, ...]:
    return (
        LunWrite("cdrom", cdrom),
        LunWrite("ro", "1"),
        LunWrite("removable", "1"),
        LunWrite("file", path),
    )


def sample_disc(position: int = 1, path: str = "01-K7C-KIOSK-SYSTEM.iso") -> ManifestDisc:
    return ManifestDisc(
        position=position,
        code=CODES[position - 1],
        repeats=None,
        path=path,
        label="KIOSK_SYSTEM",
        purpose="Install the system",
        expect="Blue screen, asks for the language",
        size=300 * 2048,
        presentation="optical",
        servable=True,
        block_size=2048,
        served_blocks=300,
        erases=True,
        digests=SOME_DIGESTS,
        confirmed="device",
        origin=Origin("copied", "kiosk-system.iso", 300 * 2048, SOME_DIGESTS),
        lun=lun_for(path),
        boot=(BootWay("floppy-1.44MB", "x86"),),
        targets=("dos", "win9x"),
        passed=("dos",),
        after=(),
        contents=Contents(5, 1, ("FILES/", "SETUP.EXE")),
        open_findings=(FINDING,),
    )


def sample_manifest() -> Manifest:
    first = sample_disc()
    drivers = replace(
        sample_disc(2, "02-M2A-KIOSKDRV.iso"),
        label="KIOSKDRV",
        origin=Origin("built", "driver-disc.toml", None, None),
        boot=(),
        erases=False,
        after=(1,),
        open_findings=(),
    )
    again = replace(first, position=3, repeats=1, purpose="The installer asks for it again")
    return Manifest(
        created="2026-11-25T07:00:00Z",
        created_by="mediashelf 0.1.0",
        session=ManifestSession("Tide-table kiosk", "Kiosk PC, 1999"),
        start="last",
        eject=(LunWrite("file", ""),),
        forced_eject=(LunWrite("forced_eject", "1"),),
        drive=(LunWrite("inquiry_string", "Linux   TIDE DISCS      1   "),),
        discs=(first, drivers, again),
        open_findings=(FINDING,),
        other_files=(CardFile("run-sheet.txt", 900, FileDigests("a" * 32, "b" * 64)),),
        earlier_files=(CardFile("01-OLD.iso", 614_400, FileDigests("c" * 32, "d" * 64)),),
    )


SYSTEM, DRIVERS, SHEET, OLD = (
    "01-K7C-KIOSK-SYSTEM.iso",
    "02-M2A-KIOSKDRV.iso",
    "run-sheet.txt",
    "01-OLD.iso",
)


def put(card: Path, name: str, size: int) -> CardFile:
    """Write a file of bytes that depend on its name, and describe it."""
    block = hashlib.sha256(name.encode()).digest()
    (card / name).write_bytes((block * (size // 32 + 1))[:size])
    whole = digest_file(card / name, algorithms=["xxh3_128", "sha256"]).whole
    return CardFile(name, size, FileDigests(whole["xxh3_128"], whole["sha256"]))


def copied(file: CardFile) -> Origin:
    """The origin of a plain copy."""
    return Origin("copied", "some.iso", file.size, file.digests)


def make_card(folder: Path) -> Path:
    """Make a card just as its manifest says, without the file of the earlier session."""
    system = put(folder, SYSTEM, 300 * 2048)
    drivers = put(folder, DRIVERS, 300 * 2048)
    manifest = sample_manifest()
    first, second, again = manifest.discs
    manifest = replace(
        manifest,
        discs=(
            replace(first, digests=system.digests, origin=copied(system)),
            replace(second, digests=drivers.digests),
            replace(again, digests=system.digests, origin=copied(system)),
        ),
        other_files=(put(folder, SHEET, 900),),
    )
    (folder / "manifest.json").write_bytes(render_manifest(manifest))
    return folder


# Text as the form allows it: any character but control characters and halves of pairs.
texts = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=40)
digests = st.builds(
    FileDigests,
    st.text("0123456789abcdef", min_size=32, max_size=32),
    st.text("0123456789abcdef", min_size=64, max_size=64),
)
sizes = st.integers(0, 2**53 - 1)
findings = st.builds(
    OpenFinding,
    rule=texts,
    severity=st.sampled_from(["error", "warning", "note"]),
    target=texts,
    where=texts,
    count=st.integers(1, 10**9),
    message=texts,
    remedy=texts,
    source=texts,
)
finding_lists = st.lists(findings, max_size=3).map(tuple)
boot_ways = st.builds(
    BootWay,
    st.sampled_from(["no-emulation", "floppy-1.44MB", "hard-disk", "unknown"]),
    st.sampled_from(["x86", "efi", "unknown"]),
)
drive_writes = st.builds(
    LunWrite,
    st.just("inquiry_string"),
    st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=28),
)
_part = st.text(
    st.characters(exclude_categories=("Cs", "Cc"), exclude_characters='/\\:*?"<>|'), max_size=12
).map(lambda text: f"{text}x")
paths = st.lists(_part, min_size=1, max_size=3).map("/".join)


@st.composite
def card_files(draw: st.DrawFn, path: str) -> CardFile:
    return CardFile(path, draw(sizes), draw(digests))


@st.composite
def origins(draw: st.DrawFn, size: int, found: FileDigests) -> Origin:
    how = draw(st.sampled_from(["copied", "padded", "converted", "built"]))
    name = draw(texts)
    if how == "built":
        return Origin("built", name, None, None)
    if how == "copied":
        return Origin("copied", name, size, found)
    padding = draw(st.integers(0, size))
    if how == "padded":
        padding, original = max(padding, min(size, 1)), draw(digests)
        return Origin("copied", name, size - padding, original if padding else found, padding)
    return Origin("converted", name, draw(sizes), draw(digests), padding)


@st.composite
def discs(draw: st.DrawFn, position: int, path: str) -> ManifestDisc:
    size = draw(sizes)
    found = draw(digests)
    targets = tuple(draw(st.lists(texts, unique=True, max_size=4)))
    is_optical = draw(st.booleans())
    presentation: Presentation = "optical" if is_optical else "disk"
    served = min(size // 2048, 1_151_999) if size >= 300 * 2048 else 0
    if not is_optical:
        served = size // 512
    return ManifestDisc(
        position=position,
        code=CODES[position - 1],
        repeats=None,
        path=path,
        label=draw(texts),
        purpose=draw(texts),
        expect=draw(texts),
        size=size,
        presentation=presentation,
        servable=size >= 300 * 2048 and size // 2048 < 1_152_000 if is_optical else size >= 512,
        block_size=2048 if is_optical else 512,
        served_blocks=served,
        erases=draw(st.booleans()),
        digests=found,
        confirmed=draw(st.sampled_from(["device", "cache"])),
        origin=draw(origins(size, found)),
        lun=lun_for(path, cdrom="1" if is_optical else "0"),
        boot=tuple(draw(st.lists(boot_ways, max_size=2))),
        targets=targets,
        passed=targets[: draw(st.integers(0, 4))],
        after=tuple(range(1, position))[: draw(st.integers(0, 3))],
        contents=Contents(draw(sizes), draw(sizes), tuple(draw(st.lists(texts, max_size=4)))),
        open_findings=draw(finding_lists),
    )


@st.composite
def manifests(draw: st.DrawFn) -> Manifest:
    def distinct(path: str) -> str:
        return path.casefold()

    names = draw(st.lists(paths, min_size=3, max_size=7, unique_by=distinct))
    names = [f"{number}{name}" for number, name in enumerate(names)]
    images = [draw(discs(number, path)) for number, path in enumerate(names[2:], start=1)]
    if draw(st.booleans()):
        images.append(replace(images[0], position=len(images) + 1, repeats=1))
    return Manifest(
        created="2026-11-25T07:00:00Z",
        created_by=draw(texts),
        session=ManifestSession(draw(texts), draw(texts)),
        start=draw(st.one_of(st.integers(1, len(images)), st.sampled_from(["none", "last"]))),
        eject=(LunWrite("file", ""),),
        forced_eject=(LunWrite("forced_eject", "1"),),
        drive=tuple(draw(st.lists(drive_writes, max_size=1))),
        discs=tuple(images),
        open_findings=draw(finding_lists),
        other_files=(draw(card_files(names[0])),),
        earlier_files=(draw(card_files(names[1])),),
    )
