"""The files that Windows' own SetupAPI queues for an install section, and those that we name.

A witness: where it runs under Wine it is Wine's SetupAPI; the published pages decide.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from mediashelf.formats.inf.document import parse_inf
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.systems import InfSystem, find_install_section

if sys.platform != "win32":
    pytest.skip("SetupAPI is a part of Windows", allow_module_level=True)

from setupapi_calls import queued

SYSTEM = InfSystem(True, (6, 1), "amd64")

HEAD = (
    '[Version]\nSignature="$Windows NT$"\nClass=MEDIA\nProvider=Quillon\n'
    "[Manufacturer]\nQuillon=Models,NTamd64\n"
    "[Models.NTamd64]\nQuillon 16=Install,PCI\\VEN_F3D7&DEV_1600\n"
    "[DestinationDirs]\nDefaultDestDir=12\n"
)
PLAIN = "[SourceDisksNames]\n1=d\n2=e,,,\\sub\n[SourceDisksFiles]\na.sys=1\nb.dll=2\nc.dll=2,x64\n"


@pytest.mark.parametrize(
    ("text", "sections"),
    [
        # inf-copyfiles-directive: @file, lists, renamed files.
        ("[Install]\nCopyFiles=@a.sys,List\n[List]\nnew.dll,b.dll\nc.dll,,,2\n", ["Install"]),
        # inf-sourcedisksfiles-section: a disk's path and a file's.
        ("[Install]\nCopyFiles=@c.dll\n", ["Install"]),
        # inf-ddinstall-section: the closest suffix.
        ("[Install]\nCopyFiles=@a.sys\n[Install.NTamd64]\nCopyFiles=@b.dll\n", ["Install.NTamd64"]),
        (
            "[Install.NT]\nCopyFiles=@a.sys\n[Install.NT.CoInstallers]\nCopyFiles=@b.dll\n",
            ["Install.NT", "Install.NT.CoInstallers"],
        ),
        (
            "[Install]\nCopyFiles=@a.sys\n[ClassInstall32]\nCopyFiles=@b.dll\n",
            ["Install", "ClassInstall32"],
        ),
        (
            "[Install]\nCopyFiles=@a.sys\n[Install.Interfaces]\nAddInterface={0f2c},,Face\n"
            "[Face]\nCopyFiles=@c.dll\n",
            ["Install", "Face"],
        ),
    ],
)
def test_the_same_files_are_queued(tmp_path: Path, text: str, sections: list[str]) -> None:
    path = tmp_path / "qla.inf"
    whole = (HEAD + text + PLAIN).replace("\n", "\r\n").encode("ascii")
    path.write_bytes(whole)
    inf = parse_inf(whole)
    install = find_install_section(inf, "Install", SYSTEM)
    assert install == sections[0]
    ours = {file.path.lower() for file in requirements(inf, [install], SYSTEM).files}
    theirs = set().union(*(queued(path, section) for section in sections))
    assert ours == theirs != set()
