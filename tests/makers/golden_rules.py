"""For every readability rule: a target, a disc that breaks it there, and one that nearly does.

Values are those of the sources named in mediashelf/readability/targets; the article
behind each pair stands beside it. KB is the Microsoft Knowledge Base.
"""

from __future__ import annotations

from typing import NamedTuple

from disc_facts import boot, disc, udf, volume
from mediashelf.formats.volume import DiscFacts, VolumeKind

ISO, JOLIET = VolumeKind.ISO9660, VolumeKind.JOLIET


class Golden(NamedTuple):
    """``broken`` breaks ``rule`` for ``target`` at ``where``; ``sound`` does not anywhere."""

    rule: str
    target: str
    broken: DiscFacts
    sound: DiscFacts
    where: str = "/"


def iso(*paths: str, size: int = 5000) -> DiscFacts:
    return disc(iso=dict.fromkeys(paths, size))


def joliet(*paths: str, size: int = 5000) -> DiscFacts:
    """A Joliet tree, and the same contents under short names."""
    short = {
        f"N{number}.TXT" if not path.endswith("/") else f"D{number}/": size
        for number, path in enumerate(paths)
    }
    return disc(iso=short, joliet=dict.fromkeys(paths, size))


def labelled(kind: VolumeKind, label: str) -> DiscFacts:
    return disc(others=[volume(kind, {"A.TXT": 5000}, label=label)])


def deep(levels: int) -> tuple[str, ...]:
    """Directories down to this level, where the root is level 1, and a file in the last."""
    parts = [str(level) for level in range(2, levels + 1)]
    folders = ["/".join(parts[:count]) + "/" for count in range(1, len(parts) + 1)]
    return (*folders, "/".join([*parts, "F.TXT"]))


A_FILE = {"A.TXT": 5000}
LONG_FOLDER = "A" * 62

GOLDEN = (
    # KB Q234781: no UDF in any release of Windows 95; KB Q142372: DOS reads the 8.3 tree.
    Golden("file-system-readable", "dos", disc(others=[udf()]), iso("A.TXT")),
    Golden("file-system-readable", "dos", disc(joliet=A_FILE), disc(iso=A_FILE, joliet=A_FILE)),
    Golden("file-system-readable", "win9x", disc(others=[udf()]), disc(joliet=A_FILE)),
    # TechNet cc961718: UDF is new for Windows 2000.
    Golden("file-system-readable", "nt4", disc(others=[udf()]), disc(joliet=A_FILE)),
    Golden("file-system-readable", "nt5", disc(), disc(others=[udf("NSR02", 0x0102)])),
    # Resource Kit: XP reads 1.02, 1.50, 2.00 and 2.01.
    Golden(
        "udf-readable",
        "nt5",
        disc(others=[udf("NSR03", 0x0250)]),
        disc(others=[udf("NSR03", 0x0201)]),
    ),
    Golden(
        "udf-readable",
        "nt6",
        disc(others=[udf("NSR03", 0x0260)]),
        disc(others=[udf("NSR03", 0x0250)]),
    ),
    # TechNet cc961718: Windows 2000 reads 1.02 and 1.50.
    Golden(
        "udf-readable-by-all",
        "nt5",
        disc(others=[udf("NSR03", 0x0201)]),
        disc(others=[udf("NSR02", 0x0150)]),
    ),
    Golden("udf-tree-checked", "nt6", disc(iso=A_FILE, others=[udf()]), iso("A.TXT")),
    Golden(
        "tree-checked-whole",
        "nt5",
        disc(others=[volume(ISO, A_FILE, is_complete=False)]),
        disc(others=[volume(ISO, A_FILE)]),
    ),
    Golden(
        "tree-names-all-files",
        "dos",
        disc(iso={"A.TXT": 5000}, joliet={"a.txt": 5000, "b.txt": 5000}),
        disc(iso={"A.TXT": 5000, "B.TXT": 5000}, joliet={"a.txt": 5000, "b.txt": 5000}),
        "/b.txt",
    ),
    Golden(
        "tree-accounts-for-disc",
        "dos",
        disc(iso={"README.TXT": 100}, others=[udf()]),
        disc(iso={"ALL.CAB": 9_000_000}, others=[udf()]),
    ),
    Golden("joliet-present", "nt5", disc(iso=A_FILE), disc(iso=A_FILE, joliet=A_FILE)),
    # KB Q93604: Rock Ridge is not supported in Windows NT or Windows 2000.
    Golden(
        "names-outside-rockridge",
        "nt5",
        disc(iso=A_FILE, rockridge={"a long name.text": 5000}),
        disc(iso=A_FILE, rockridge={"a.txt": 5000}),
    ),
    Golden(
        "long-name-seen",
        "dos",
        disc(iso={"LARKSPUR.INF": 5000}, joliet={"Larkspur video.inf": 5000}),
        disc(iso={"LARKSPUR.INF": 5000}, joliet={"Larkspur.inf": 5000}),
        "/LARKSPUR.INF",
    ),
    # KB Q142687: inpage errors when the logical block size is not 2048.
    Golden(
        "block-size-readable",
        "nt4",
        disc(others=[volume(ISO, A_FILE, block_size=512)]),
        disc(others=[volume(ISO, A_FILE, block_size=2048)]),
    ),
    # KB Q120898, Q111757: 65,535 clusters of 2 KB.
    Golden(
        "volume-size-shown",
        "dos",
        disc(iso=A_FILE, size=65_535 * 2048 + 1),
        disc(iso=A_FILE, size=65_535 * 2048),
    ),
    # Common practice: signed 32-bit seeks.
    Golden(
        "file-size", "dos", iso("A.CAB", size=1 << 31), iso("A.CAB", size=(1 << 31) - 1), "/A.CAB"
    ),
    # ECMA-119 9.1.4: 32 bits.
    Golden(
        "section-size",
        "nt5",
        iso("A.CAB", size=1 << 32),
        disc(iso={"A.CAB": [(1 << 32) - 2048, 4096]}),
        "/A.CAB",
    ),
    # ECMA-119 10.1 and 10.2: one section a file below level 3.
    Golden("single-section", "dos", disc(iso={"A.CAB": [4096, 100]}), iso("A.CAB"), "/A.CAB"),
    Golden("label-length", "dos", labelled(ISO, "HARBOURKIOSK"), labelled(ISO, "HARBOUR_KSK")),
    # ECMA-119 7.4.1: 37 d-characters.
    Golden("iso-label-characters", "dos", labelled(ISO, "Kiosk"), labelled(ISO, "KIOSK_1")),
    Golden("joliet-label-length", "nt5", labelled(JOLIET, "K" * 17), labelled(JOLIET, "K" * 16)),
    # KB Q155020: "Windows NT requires using no emulation".
    Golden(
        "boot-method",
        "nt4",
        disc(iso=A_FILE, boot=boot(2)),
        disc(iso=A_FILE, boot=boot(0)),
        "LBA 50",
    ),
    Golden(
        "boot-platform-fits",
        "nt5",
        disc(iso=A_FILE, boot=boot(0, platform=0xEF)),
        disc(iso=A_FILE, boot=boot(0, platform=0)),
        "LBA 50",
    ),
    # KB Q93604: level 2 discs can't be used with MS-DOS; ECMA-119 10.1: 8 and 3.
    Golden("iso-name-form", "dos", iso("LONGNAMES.TXT"), iso("LONGNAME.TXT"), "/LONGNAMES.TXT"),
    Golden("iso-name-form", "dos", iso("A.TEXT"), iso("A.TXT"), "/A.TEXT"),
    Golden("iso-name-form", "dos", iso("A.B.C"), iso("AB.C"), "/A.B.C"),
    Golden("iso-name-form", "dos", iso("DRIVERS.NEW/"), iso("DRIVERS/"), "/DRIVERS.NEW"),
    # KB Q142372: names and directories of fewer than 32 characters.
    Golden(
        "iso-name-length",
        "nt4",
        iso("A" * 28 + ".TXT"),
        iso("A" * 27 + ".TXT"),
        "/" + "A" * 28 + ".TXT",
    ),
    Golden("iso-name-characters", "dos", iso("A-B.TXT"), iso("A_B.TXT"), "/A-B.TXT"),
    # KB Q123067: lower-case names give "File not found".
    Golden("iso-capitals", "nt4", iso("Readme.txt"), iso("README.TXT"), "/Readme.txt"),
    # Joliet Specification 1 and KB Q142372: 64 characters.
    Golden("joliet-name-length", "win9x", joliet("n" * 65), joliet("n" * 64), "/" + "n" * 65),
    # Joliet Specification 1, Allowed Character Set.
    Golden("joliet-name-characters", "nt5", joliet("a;b.txt"), joliet("a,b.txt"), "/a;b.txt"),
    Golden(
        "one-unit-characters",
        "nt4",
        joliet("\U0001f6df.txt"),
        joliet("\u6d77.txt"),
        "/\U0001f6df.txt",
    ),
    # Linux commit 1885d252b3a9: a maximum component length of 110.
    Golden("name-length", "nt5", joliet("n" * 111), joliet("n" * 110), "/" + "n" * 111),
    # Win32, Naming Files: < > : " / \ | ? * and 0 to 31.
    Golden("name-characters", "nt5", joliet('a"b.txt'), joliet("a'b.txt"), '/a"b.txt'),
    # KB Q100108: among others, a space.
    Golden("name-characters", "dos", iso("A B.TXT"), iso("A_B.TXT"), "/A B.TXT"),
    Golden("name-ending", "nt5", joliet("notes."), joliet(".notes"), "/notes."),
    Golden("name-ending", "nt4", joliet("notes "), joliet(" notes"), "/notes "),
    # KB Q123408: only 2.23 takes names that begin with !.
    Golden("name-beginning", "dos", iso("!ABC1234.CFG"), iso("ABC1234!.CFG"), "/!ABC1234.CFG"),
    Golden("plain-names", "win9x", joliet("Prüfung.txt"), joliet("Pruefung.txt"), "/Prüfung.txt"),
    # KB Q74496 has CLOCK$; the Win32 list has not, but COM9 and COM¹.
    Golden("device-name", "dos", iso("CLOCK$"), iso("CLOCKS"), "/CLOCK$"),
    Golden("device-name", "nt5", joliet("com¹"), joliet("com0"), "/com¹"),
    Golden("device-name", "nt5", joliet("Aux/"), joliet("CLOCK$/"), "/Aux"),
    # Win32, Naming Files: NUL.txt and NUL.tar.gz are NUL.
    Golden(
        "device-name-with-extension",
        "nt5",
        joliet("NUL.tar.gz"),
        joliet("NULL.tar.gz"),
        "/NUL.tar.gz",
    ),
    Golden("device-name-with-extension", "dos", iso("COM4.TXT"), iso("COM5.TXT"), "/COM4.TXT"),
    # KB Q159105: HIPPO~A1.PIC can't be opened.
    Golden("tilde-tail", "nt4", joliet("HIPPO~A1.PIC"), joliet("HIPPO~11.PIC"), "/HIPPO~A1.PIC"),
    # KB Q159141: wrong short names for Joliet names that are valid 8.3 names.
    Golden("short-name-kept", "nt4", joliet("Setup.exe"), joliet("Set up program.exe")),
    # KB Q142372 and ECMA-119 6.8.2.1: 8 levels, the root is the first.
    Golden("directory-depth", "dos", iso(*deep(9)), iso(*deep(8)), "/2/3/4/5/6/7/8/9"),
    Golden("directory-depth", "nt4", iso(*deep(9)), iso(*deep(8)), "/2/3/4/5/6/7/8/9"),
    # KB Q156795: 64 characters; KB Q154059: 66 with drive and colon.
    Golden(
        "directory-path-length",
        "dos",
        iso(f"{LONG_FOLDER}/", f"{LONG_FOLDER}/A/"),
        iso(f"{LONG_FOLDER}/", f"{LONG_FOLDER[1:]}/A/"),
        f"/{LONG_FOLDER}/A",
    ),
    Golden(
        "path-length",
        "dos",
        iso(f"{LONG_FOLDER}/", f"{LONG_FOLDER}/A"),
        iso(f"{LONG_FOLDER}/", f"{LONG_FOLDER[1:]}/A"),
        f"/{LONG_FOLDER}/A",
    ),
    # KB Q148754: 259 characters. Win32: MAX_PATH 260 with the null at the end.
    *(
        Golden(
            "path-length",
            target,
            joliet("/".join(["n" * 63] * 4) + "/n"),
            joliet("/".join(["n" * 63] * 4)),
            "/" + "/".join(["n" * 63] * 4) + "/n",
        )
        for target in ("win9x", "nt4", "nt5", "nt6")
    ),
    Golden(
        "joliet-path-size",
        "nt5",
        joliet("n" * 60 + "/" + "n" * 59),
        joliet("n" * 60 + "/" + "n" * 58),
        "/" + "n" * 60 + "/" + "n" * 59,
    ),
    # KB Q123408: version 2.22 assumes files sorted by ASCII code value.
    Golden("records-in-order", "dos", iso("B.TXT", "A.TXT"), iso("A.TXT", "B.TXT")),
    Golden("records-in-order", "dos", iso("D/", "D/Z", "D/A"), iso("D/", "D/A", "D/Z"), "/D"),
    Golden(
        "paths-distinct",
        "nt5",
        disc(others=[volume(ISO, {"A.TXT": 1, "/A.TXT": 1})]),
        iso("A.TXT", "B.TXT"),
        "/A.TXT",
    ),
    Golden(
        "names-distinct-without-case",
        "nt5",
        joliet("readme.txt", "README.TXT"),
        joliet("readme", "README.TXT"),
        "/README.TXT",
    ),
    Golden(
        "names-distinct-without-case",
        "dos",
        iso("README.TXT", "readme.txt"),
        iso("README.TXT", "readme"),
        "/readme.txt",
    ),
    # KB Q135174 and Q142372: in MS-DOS mode only the 8.3 tree is there.
    Golden(
        "first-phase-reads",
        "win9x",
        disc(iso={"LONG_NAME.TEXT": 1}, joliet=A_FILE, boot=boot(2)),
        disc(iso=A_FILE, joliet=A_FILE, boot=boot(2)),
    ),
)
