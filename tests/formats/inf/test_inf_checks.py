"""Problems of INF texts: every rule fires on its own damage, and the sound text has none."""

from __future__ import annotations

import pytest

from mediashelf.findings import Severity
from mediashelf.formats.inf.checks import MAX_SHOWN, check_inf
from mediashelf.formats.inf.document import parse_inf
from mediashelf.formats.inf.rules import RULES

SOUND = """\
; Ternfield LAN, invented
[Version]
Signature="$CHICAGO$"
Class=Net
Provider=%Maker%
DriverVer=01/25/2000,5.0.2.7
CatalogFile=tlan.cat
[Manufacturer]
%Maker%=Models,NTx86
[Models]
%Lan%=Install,PCI\\VEN_F4B9&DEV_0100
[Models.NTx86]
%Lan%=Install,PCI\\VEN_F4B9&DEV_0100
[Install]
CopyFiles=Files
[Install.NT]
CopyFiles=@tlan.sys
AddReg=Reg
[Install.NT.Services]
AddService=tlan,2,Service
AddService=,2
[Service]
ServiceBinary=%12%\\tlan.sys
[Reg]
HKR,,Path,,x
[Files]
tlan.vxd
[DestinationDirs]
DefaultDestDir=12
Files=11
[SourceDisksNames]
1=%Disk%,,,\\lan
[SourceDisksFiles]
tlan.vxd=1
tlan.sys=1
[Strings]
Maker="Ternfield LAN"
Lan="Ternfield LAN 10/100"
Disk="Ternfield disk"
"""


def rules(text: str | bytes) -> dict[str, str]:
    """Return where each rule was found."""
    data = text if isinstance(text, bytes) else text.encode("cp1252")
    return {finding.rule: finding.where for finding in check_inf(parse_inf(data), where="/X.INF")}


def test_sound_text_has_no_findings() -> None:
    assert rules(SOUND) == {}


# What is replaced, by what, and a text on the line that the finding must name.
DAMAGE = {
    "undecoded-text": ("Ternfield LAN 10/100", "Ternfield \x81", ""),
    "code-page-text": ("Ternfield disk", "Ternfield d\xefsk", ""),
    "text-before-section": ("; Ternfield", "Ternfield", "Ternfield LAN, inv"),
    "zero-bytes": ("[Files]", "[Files]\0", "[Files]"),
    "text-after-end": ('Disk="Ternfield disk"\n', 'Disk="Ternfield disk"\n\x1a[More]\n', "\x1a"),
    "section-not-closed": ("[Files]", "[Files", "[Files\n"),
    "text-after-section": ("[Files]", "[Files] x", "[Files] x"),
    "section-name-blanks": ("[Files]", "[ Files ]", "[ Files"),
    "section-name-long": ("; Ternfield", f"[{'a' * 256}]\n;", "[aaa"),
    "field-long": ("tlan.vxd\n", f"tlan.vxd\n[Other]\n{'a' * 4096}\n", "aaaa"),
    "quote-not-closed": ('"Ternfield disk"', '"Ternfield disk', 'Disk="'),
    "continuation-joins-entry": ("1=%Disk%,,,\\lan", "1=%Disk%,,,\\\n2=%Disk%", "2=%Disk%"),
    "continuation-before-section": ("1=%Disk%,,,\\lan", "1=%Disk%,,,\\", "1=%Disk%"),
    "continuation-at-end": ('Disk="Ternfield disk"\n', "Disk=Ternfield disk\\", "Disk=Tern"),
    "inf-signature": ('"$CHICAGO$"', '"CHICAGO"', "Signature"),
    "signature-windows-95": ('"$CHICAGO$"', '"$Windows 95$"', "Signature"),
    "class-missing": ("Class=Net\n", "", "[Version]"),
    "class-name-long": ("Class=Net", f"Class={'N' * 33}", "[Version]"),
    "driver-version-absent": ("DriverVer=01/25/2000,5.0.2.7\n", "", "[Version]"),
    "driver-version-form": ("01/25/2000", "25/01/2000", "DriverVer"),
    "models-section-missing": ("%Maker%=Models,NTx86", "%Maker%=Model", "%Maker%="),
    "models-platform-missing": ("Models,NTx86", "Models,NTx86,NTia64", "%Maker%="),
    "install-section-missing": ("Install,PCI", "Instal,PCI", "Instal,"),
    "copy-section-missing": ("[Files]", "[File]", "CopyFiles=Files"),
    "registry-section-missing": ("[Reg]", "[Rog]", "AddReg=Reg"),
    "service-section-missing": ("[Service]", "[Servic]", "AddService="),
    "copies-inf": ("tlan.vxd\n[", "tlan.vxd\ntlan.inf\n[", "tlan.inf"),
    "catalog-is-listed": ("tlan.sys=1", "tlan.sys=1\ntlan.cat=1", "tlan.cat=1"),
    "copy-without-destination": ("DefaultDestDir=12\n", "", "CopyFiles=@"),
    "file-without-source-disk": ("tlan.sys=1\n", "", "CopyFiles=@"),
    "source-disk-undefined": ("tlan.sys=1", "tlan.sys=2", "tlan.sys=2"),
    "duplicate-source-file": ("tlan.sys=1", "tlan.sys=1\nTLAN.SYS=1,sub", "TLAN.SYS=1"),
    "duplicate-source-disk": ("1=%Disk%,,,\\lan", "1=%Disk%,,,\\lan\n1=%Disk%", "1=%Disk%\n"),
    "undefined-string": ("1=%Disk%", "1=%Disc%", "1=%Disc%"),
    "duplicate-string": ('Lan="', 'Lan="other"\nLan="', 'Lan="Tern'),
    "string-long": ("Ternfield disk", "T" * 513, "TTT"),
}


@pytest.mark.parametrize("rule", DAMAGE)
def test_damage_is_found_with_its_line(rule: str) -> None:
    old, new, needle = DAMAGE[rule]
    assert old in SOUND
    text = SOUND.replace(old, new, 1)
    line = text[: text.index(needle)].count("\n") + 1
    where = f"/X.INF line {line}" if needle else "/X.INF"
    assert rules(text.encode("latin-1")).get(rule) == where


def test_an_empty_driver_version_is_called_so() -> None:
    found = check_inf(parse_inf(SOUND.replace("01/25/2000,5.0.2.7", "").encode()), where="/X.INF")
    assert "DriverVer is empty; expected" in next(iter(found)).message


def test_utf_8_is_found() -> None:
    assert "utf-8-inf" in rules(b"\xef\xbb\xbf" + SOUND.encode())


@pytest.mark.parametrize("order", ["le", "be"])
def test_utf_16_without_a_mark_is_a_note(order: str) -> None:
    wide = SOUND.encode(f"utf-16-{order}")
    (finding,) = check_inf(parse_inf(wide), where="/X.INF")
    assert (finding.rule, finding.severity) == ("utf-16-inf", Severity.NOTE)
    assert rules("\ufeff".encode(f"utf-16-{order}") + wide) == {}


def test_every_rule_has_a_case() -> None:
    beyond_limits = {"text-not-read-on", "line-cut", "strings-cut"}  # see test_inf_bounds.py
    assert set(DAMAGE) | {"utf-8-inf", "utf-16-inf"} | beyond_limits == set(RULES)


def test_copy_files_page_example_names_an_undefined_disk() -> None:
    # The page inf-copyfiles-directive repeats the SourceDisks example with disk id 2,
    # which its own [SourceDisksNames] does not define.
    text = SOUND.replace("@tlan.sys", "@tern154.sys")
    text = text.replace("1=%Disk%,,,\\lan", "1=%Disk%,,,\\WinNT")
    example = text.replace("tlan.sys=1", "tern154.sys = 2,\\x86")
    (finding,) = check_inf(parse_inf(example.encode()), where="/X.INF")
    assert finding.rule == "source-disk-undefined"
    assert finding.severity is Severity.ERROR
    assert finding.found == "tern154.sys is on disk 2"
    # The control is the example as inf-sourcedisksfiles-section has it.
    assert rules(text.replace("tlan.sys=1", "tern154.sys = 1,\\x86")) == {}


def test_a_disk_of_another_platform_is_defined() -> None:
    assert rules(SOUND.replace("[SourceDisksNames]", "[SourceDisksNames.amd64]")) == {}


def test_registry_sections_of_other_infs_are_not_missing() -> None:
    # inf-ddinstall-section: Include names INFs that have further sections for this installation.
    text = SOUND.replace("[Reg]", "[Rog]").replace("AddReg=Reg", "AddReg=Reg\nInclude=net.inf")
    assert rules(text) == {}
    assert rules(text.replace("[Service]", "[Serv]")) == {}  # [Install.NT.Services] is of it


def test_strings_with_the_name_of_a_directive_name_no_section() -> None:
    assert rules(SOUND + 'AddReg="%A% is set up"\n') == {}


@pytest.mark.parametrize("rule", ["copy-section-missing", "file-without-source-disk"])
def test_what_other_infs_may_define_is_not_missing(rule: str) -> None:
    if rule == "copy-section-missing":
        text = SOUND.replace("[Files]", "[File]").replace(
            "CopyFiles=Files", "CopyFiles=Files\nInclude=net.inf"
        )
    else:
        text = SOUND.replace("tlan.sys=1\n", "").replace("Class=", "LayoutFile=layout.inf\nClass=")
    assert rule not in rules(text)


def test_variables_in_registry_data_are_no_undefined_strings() -> None:
    assert rules(SOUND + "[Reg]\nHKR,,Path,0x20000,%SystemRoot%\\lan\n") == {}


@pytest.mark.parametrize("text", ["[autorun]\nopen=setup.exe\n", "", "[Options]\nfoo\n", "\0\0"])
def test_other_texts_have_no_findings(text: str) -> None:
    assert rules(text) == {}


@pytest.mark.parametrize("name", ["Version", "Manufacturer"])
def test_blanks_that_hide_a_driver_are_named(name: str) -> None:
    found = rules(SOUND.replace(f"[{name}]", f"[{name} ]"))
    assert "section-name-blanks" in found


def test_many_findings_of_one_rule_are_counted() -> None:
    text = SOUND + "[SourceDisksFiles.x86]\n" + "".join(f"f{i}.sys=9\n" for i in range(1000))
    found = [finding.message for finding in check_inf(parse_inf(text.encode()), where="x")]
    assert len(found) == MAX_SHOWN + 1
    assert found[-1] == f"{1000 - MAX_SHOWN} more of this rule"
