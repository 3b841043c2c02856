"""For every readability rule: a target, a disc that breaks it there, and one that nearly does.

Each pair names the text that it is checked against; "own behaviour" is what no text asks
for. KB is the Microsoft Knowledge Base.
"""

from __future__ import annotations

from typing import NamedTuple

from disc_facts import boot, disc, udf, volume
from mediashelf.formats.volume import DiscFacts, VolumeKind

ISO, JOLIET = VolumeKind.ISO9660, VolumeKind.JOLIET


class Golden(NamedTuple):
    """``broken`` breaks ``rule`` for ``target`` at ``where``; ``sound`` does not anywhere.

    ``source`` is where it is published that this is so.
    """

    rule: str
    target: str
    source: str
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
    Golden(
        "file-system-readable",
        "dos",
        "Microsoft KB Q142372: DOS systems read the 8.3 tree",
        disc(others=[udf()]),
        iso("A.TXT"),
    ),
    Golden(
        "file-system-readable",
        "dos",
        "Microsoft KB Q142372: DOS systems read the 8.3 tree",
        disc(joliet=A_FILE),
        disc(iso=A_FILE, joliet=A_FILE),
    ),
    Golden(
        "file-system-readable",
        "win9x",
        "Microsoft KB Q142372: Joliet",
        disc(),
        disc(joliet=A_FILE),
    ),
    Golden(
        "file-system-readable",
        "nt4",
        "TechNet cc961718: UDF is new for the family after",
        disc(others=[udf()]),
        disc(joliet=A_FILE),
    ),
    Golden(
        "file-system-readable",
        "nt5",
        "TechNet cc961718: UDF 1.02 is read",
        disc(),
        disc(others=[udf("NSR02", 0x0102)]),
    ),
    Golden(
        "udf-readable",
        "nt5",
        "Windows XP Professional Resource Kit (2003): 1.02, 1.50, 2.0 and 2.01",
        disc(others=[udf("NSR03", 0x0250)]),
        disc(others=[udf("NSR03", 0x0201)]),
    ),
    Golden(
        "udf-readable",
        "nt6",
        "quoted elsewhere: a book names 2.50",
        disc(others=[udf("NSR03", 0x0260)]),
        disc(others=[udf("NSR03", 0x0250)]),
    ),
    Golden(
        "udf-readable-by-all",
        "nt5",
        "TechNet cc961718: 1.02 and 1.50",
        disc(others=[udf("NSR03", 0x0201)]),
        disc(others=[udf("NSR02", 0x0150)]),
    ),
    Golden(
        "udf-read-by-some",
        "win9x",
        "Microsoft KB Q218617 of later members, Q234781 of the first",
        disc(others=[udf("NSR02", 0x0102)]),
        disc(iso=A_FILE, others=[udf("NSR02", 0x0102)]),
    ),
    Golden(
        "udf-tree-checked",
        "nt6",
        "own behaviour: says what was not read",
        disc(iso=A_FILE, others=[udf()]),
        iso("A.TXT"),
    ),
    Golden(
        "tree-checked-whole",
        "nt5",
        "own behaviour: says what was not read",
        disc(others=[volume(ISO, A_FILE, is_complete=False)]),
        disc(others=[volume(ISO, A_FILE)]),
    ),
    Golden(
        "tree-names-all-files",
        "dos",
        "Microsoft KB Q142372: DOS systems read the 8.3 tree",
        disc(iso={"A.TXT": 5000}, joliet={"a.txt": 5000, "b.txt": 5000}),
        disc(iso={"A.TXT": 5000, "B.TXT": 5000}, joliet={"a.txt": 5000, "b.txt": 5000}),
        "/b.txt",
    ),
    Golden(
        "tree-accounts-for-disc",
        "dos",
        "common practice: a small tree beside UDF",
        disc(iso={"README.TXT": 100}, others=[udf()]),
        disc(iso={"ALL.CAB": 9_000_000}, others=[udf()]),
    ),
    Golden(
        "joliet-present",
        "nt5",
        "Microsoft KB Q93604: Joliet is read",
        disc(iso=A_FILE),
        disc(iso=A_FILE, joliet=A_FILE),
    ),
    Golden(
        "names-outside-rockridge",
        "nt5",
        "Microsoft KB Q93604: Rock Ridge is not supported",
        disc(iso=A_FILE, rockridge={"a long name.text": 5000}),
        disc(iso=A_FILE, rockridge={"a.txt": 5000}),
    ),
    Golden(
        "long-name-seen",
        "dos",
        "Microsoft KB Q142372: DOS systems read the 8.3 tree",
        disc(iso={"LARKSPUR.INF": 5000}, joliet={"Larkspur video.inf": 5000}),
        disc(iso={"LARKSPUR.INF": 5000}, joliet={"Larkspur.inf": 5000}),
        "/LARKSPUR.INF",
    ),
    Golden(
        "block-size-readable",
        "nt4",
        "Microsoft KB Q142687: inpage errors when the block size is not 2048",
        disc(others=[volume(ISO, A_FILE, block_size=512)]),
        disc(others=[volume(ISO, A_FILE, block_size=2048)]),
    ),
    Golden(
        "volume-size-shown",
        "dos",
        "Microsoft KB Q120898 and Q111757: 65,535 clusters of 2 KB",
        disc(iso=A_FILE, size=65_535 * 2048 + 1),
        disc(iso=A_FILE, size=65_535 * 2048),
    ),
    Golden(
        "file-size",
        "dos",
        "common practice: signed 32-bit seeks",
        iso("A.CAB", size=1 << 31),
        iso("A.CAB", size=(1 << 31) - 1),
        "/A.CAB",
    ),
    Golden(
        "section-size",
        "nt5",
        "ECMA-119 9.1.4: 32 bits",
        iso("A.CAB", size=1 << 32),
        disc(iso={"A.CAB": [(1 << 32) - 2048, 4096]}),
        "/A.CAB",
    ),
    Golden(
        "single-section",
        "dos",
        "common practice: ECMA-119 10.1 and 10.2 have one section a file below level 3",
        disc(iso={"A.CAB": [4096, 100]}),
        iso("A.CAB"),
        "/A.CAB",
    ),
    Golden(
        "label-length",
        "dos",
        "from memory: 11 characters",
        labelled(ISO, "HARBOURKIOSK"),
        labelled(ISO, "HARBOUR_KSK"),
    ),
    Golden(
        "iso-label-characters",
        "dos",
        "ECMA-119 7.4.1: 37 d-characters",
        labelled(ISO, "Kiosk"),
        labelled(ISO, "KIOSK_1"),
    ),
    Golden(
        "joliet-label-length",
        "nt5",
        "computed: 32 bytes (ECMA-119 8.4.6) of UCS-2",
        labelled(JOLIET, "K" * 17),
        labelled(JOLIET, "K" * 16),
    ),
    Golden(
        "boot-method",
        "nt4",
        "Microsoft KB Q155020: Windows NT requires using no emulation",
        disc(iso=A_FILE, boot=boot(2)),
        disc(iso=A_FILE, boot=boot(0)),
        "LBA 50",
    ),
    Golden(
        "boot-platform-fits",
        "nt5",
        "common practice: BIOS firmware only",
        disc(iso=A_FILE, boot=boot(0, platform=0xEF)),
        disc(iso=A_FILE, boot=boot(0, platform=0)),
        "LBA 50",
    ),
    Golden(
        "iso-name-form",
        "dos",
        "Microsoft KB Q93604: level 2 is not for MS-DOS; ECMA-119 10.1: 8 and 3",
        iso("LONGNAMES.TXT"),
        iso("LONGNAME.TXT"),
        "/LONGNAMES.TXT",
    ),
    Golden(
        "iso-name-form",
        "dos",
        "Microsoft KB Q93604: level 2 is not for MS-DOS; ECMA-119 10.1: 8 and 3",
        iso("A.TEXT"),
        iso("A.TXT"),
        "/A.TEXT",
    ),
    Golden(
        "iso-name-form",
        "dos",
        "Microsoft KB Q93604: level 2 is not for MS-DOS; ECMA-119 10.1: 8 and 3",
        iso("A.B.C"),
        iso("AB.C"),
        "/A.B.C",
    ),
    Golden(
        "iso-name-form",
        "dos",
        "Microsoft KB Q93604: level 2 is not for MS-DOS; ECMA-119 10.1: 8 and 3",
        iso("DRIVERS.NEW/"),
        iso("DRIVERS/"),
        "/DRIVERS.NEW",
    ),
    Golden(
        "iso-name-length",
        "nt4",
        "Microsoft KB Q142372: fewer than 32 characters",
        iso("A" * 28 + ".TXT"),
        iso("A" * 27 + ".TXT"),
        "/" + "A" * 28 + ".TXT",
    ),
    Golden(
        "iso-name-characters",
        "dos",
        "ECMA-119 7.4.1: 37 d-characters",
        iso("A-B.TXT"),
        iso("A_B.TXT"),
        "/A-B.TXT",
    ),
    Golden(
        "iso-capitals",
        "nt4",
        "Microsoft KB Q142372; KB Q123067: File not found",
        iso("Readme.txt"),
        iso("README.TXT"),
        "/Readme.txt",
    ),
    Golden(
        "joliet-name-length",
        "win9x",
        "Microsoft KB Q142372; Joliet Specification 1: 64 characters",
        joliet("n" * 65),
        joliet("n" * 64),
        "/" + "n" * 65,
    ),
    Golden(
        "joliet-name-characters",
        "nt5",
        "Joliet Specification 1, Allowed Character Set",
        joliet("a;b.txt"),
        joliet("a,b.txt"),
        "/a;b.txt",
    ),
    Golden(
        "one-unit-characters",
        "nt4",
        "Joliet Specification 1: UCS-2",
        joliet("\U0001f6df.txt"),
        joliet("\u6d77.txt"),
        "/\U0001f6df.txt",
    ),
    Golden(
        "name-length",
        "nt5",
        "Linux commit 1885d252b3a9: a maximum component length of 110",
        joliet("n" * 111),
        joliet("n" * 110),
        "/" + "n" * 111,
    ),
    Golden(
        "name-characters",
        "nt5",
        'Win32 documentation, Naming Files: < > : " / \\ | ? * and 0 to 31',
        joliet('a"b.txt'),
        joliet("a'b.txt"),
        '/a"b.txt',
    ),
    Golden(
        "name-characters",
        "dos",
        "Microsoft KB Q100108: among others, a space",
        iso("A B.TXT"),
        iso("A_B.TXT"),
        "/A B.TXT",
    ),
    Golden(
        "name-ending",
        "nt5",
        "Win32 documentation, Naming Files: no space or period at the end",
        joliet("notes."),
        joliet(".notes"),
        "/notes.",
    ),
    Golden(
        "name-ending",
        "nt4",
        "Win32 documentation, Naming Files: no space or period at the end",
        joliet("notes "),
        joliet(" notes"),
        "/notes ",
    ),
    Golden(
        "name-beginning",
        "dos",
        "Microsoft KB Q123408: only 2.23 takes names that begin with !",
        iso("!ABC1234.CFG"),
        iso("ABC1234!.CFG"),
        "/!ABC1234.CFG",
    ),
    Golden(
        "plain-names",
        "win9x",
        "from memory: the system's code page",
        joliet("Prüfung.txt"),
        joliet("Pruefung.txt"),
        "/Prüfung.txt",
    ),
    Golden(
        "device-name",
        "dos",
        "Microsoft KB Q74496: CLOCK$ is reserved",
        iso("CLOCK$"),
        iso("CLOCKS"),
        "/CLOCK$",
    ),
    Golden(
        "device-name",
        "nt5",
        "Win32 documentation, Naming Files: AUX and COM¹, not CLOCK$ or COM0",
        joliet("com¹"),
        joliet("com0"),
        "/com¹",
    ),
    Golden(
        "device-name",
        "nt5",
        "Win32 documentation, Naming Files: AUX and COM¹, not CLOCK$ or COM0",
        joliet("Aux/"),
        joliet("CLOCK$/"),
        "/Aux",
    ),
    Golden(
        "device-name-with-extension",
        "nt5",
        "Win32 documentation, Naming Files: NUL.tar.gz is NUL",
        joliet("NUL.tar.gz"),
        joliet("NULL.tar.gz"),
        "/NUL.tar.gz",
    ),
    Golden(
        "device-name-with-extension",
        "dos",
        "common practice: with any extension",
        iso("COM4.TXT"),
        iso("COM5.TXT"),
        "/COM4.TXT",
    ),
    Golden(
        "tilde-tail",
        "nt4",
        "Microsoft KB Q159105: HIPPO~A1.PIC can't be opened",
        joliet("HIPPO~A1.PIC"),
        joliet("HIPPO~11.PIC"),
        "/HIPPO~A1.PIC",
    ),
    Golden(
        "short-name-kept",
        "nt4",
        "Microsoft KB Q159141: Joliet names that are valid 8.3 names",
        joliet("Setup.exe"),
        joliet("Set up program.exe"),
    ),
    Golden(
        "directory-depth",
        "dos",
        "Microsoft KB Q142372: 8 levels; KB Q93604: DOS needs the stricter level 1",
        iso(*deep(9)),
        iso(*deep(8)),
        "/2/3/4/5/6/7/8/9",
    ),
    Golden(
        "directory-depth",
        "nt4",
        "Microsoft KB Q142372: 8 levels",
        iso(*deep(9)),
        iso(*deep(8)),
        "/2/3/4/5/6/7/8/9",
    ),
    Golden(
        "directory-path-length",
        "dos",
        "Microsoft KB Q156795: 64 characters",
        iso(f"{LONG_FOLDER}/", f"{LONG_FOLDER}/A/"),
        iso(f"{LONG_FOLDER}/", f"{LONG_FOLDER[1:]}/A/"),
        f"/{LONG_FOLDER}/A",
    ),
    Golden(
        "path-length",
        "dos",
        "Microsoft KB Q154059: 66 with drive and colon",
        iso(f"{LONG_FOLDER}/", f"{LONG_FOLDER}/A"),
        iso(f"{LONG_FOLDER}/", f"{LONG_FOLDER[1:]}/A"),
        f"/{LONG_FOLDER}/A",
    ),
    *(
        Golden(
            "path-length",
            target,
            "Microsoft KB Q148754: 259; Win32 documentation, Naming Files: MAX_PATH",
            joliet("/".join(["n" * 63] * 4) + "/n"),
            joliet("/".join(["n" * 63] * 4)),
            "/" + "/".join(["n" * 63] * 4) + "/n",
        )
        for target in ("win9x", "nt4", "nt5", "nt6")
    ),
    Golden(
        "joliet-path-size",
        "nt5",
        "common practice: 240 bytes",
        joliet("n" * 60 + "/" + "n" * 59),
        joliet("n" * 60 + "/" + "n" * 58),
        "/" + "n" * 60 + "/" + "n" * 59,
    ),
    Golden(
        "records-in-order",
        "dos",
        "Microsoft KB Q123408: 2.22 assumes files sorted by ASCII code value",
        iso("B.TXT", "A.TXT"),
        iso("A.TXT", "B.TXT"),
    ),
    Golden(
        "records-in-order",
        "dos",
        "Microsoft KB Q123408: 2.22 assumes files sorted by ASCII code value",
        iso("D/", "D/Z", "D/A"),
        iso("D/", "D/A", "D/Z"),
        "/D",
    ),
    Golden(
        "paths-distinct",
        "nt5",
        "by definition: one path names one entry",
        disc(others=[volume(ISO, {"A.TXT": 1, "/A.TXT": 1})]),
        iso("A.TXT", "B.TXT"),
        "/A.TXT",
    ),
    Golden(
        "names-distinct-without-case",
        "nt5",
        "from memory: case is ignored",
        joliet("readme.txt", "README.TXT"),
        joliet("readme", "README.TXT"),
        "/README.TXT",
    ),
    Golden(
        "names-distinct-without-case",
        "dos",
        "from memory: case is ignored",
        iso("README.TXT", "readme.txt"),
        iso("README.TXT", "readme"),
        "/readme.txt",
    ),
    Golden(
        "first-phase-reads",
        "win9x",
        "Microsoft KB Q135174 and Q142372: in MS-DOS mode only the 8.3 tree is there",
        disc(iso={"LONG_NAME.TEXT": 1}, joliet=A_FILE, boot=boot(2)),
        disc(iso=A_FILE, joliet=A_FILE, boot=boot(2)),
    ),
)
