"""An INF with everything in it, and seeded ways to spoil it."""

from __future__ import annotations

import random
import string

SEED_TEXT = '''\
; Larkspur Video, invented
[Version]
Signature="$Windows NT$"
Class=Display
Provider=%Maker%
LayoutFile=layout.inf
CatalogFile.NTx86=lkv.cat
DriverVer=03/18/1999,4.10.3.204
[Manufacturer]
%Maker%=Models,NTx86,NTx86.5.1,NTamd64....0x80
[Models]
%Lkv%=Install,PCI\\VEN_F2C4&DEV_0301,PCI\\CC_0300
[Models.NTx86]
"Larkspur, ""three"""=Install,PCI\\VEN_F2C4&DEV_0301&SUBSYS_0001F2C4, \\
    PCI\\VEN_F2C4&DEV_0302 ; the second
[Install]
CopyFiles=Files,@lkv.vxd
[Install.NT]
Include=display.inf
Needs=Display.Common
CopyFiles=Files
[Files]
lkv.sys,lkv_nt.sys,,0x20
"lkv help.hlp"
[DestinationDirs]
DefaultDestDir=12
[SourceDisksNames]
1="Disk",lkv.cab,,\\WinNT,0x10,lkv.tag
[SourceDisksNames.x86]
1="Disk",,,"\\"
[SourceDisksFiles]
lkv_nt.sys=1,x86,1024
lkv.vxd=1
[Strings]
Maker="Larkspur Video"
[Strings.0407]
Lkv="Larkspur 100%% ; three"
'''

SNIPPETS = ["[", "]", '"', '""', "%", "%%", "\\", "\\\n", ",", "=", ";", "\n", "\r", "\0", "\x1a"]
SNIPPETS += ["[Manufacturer]\n", "[Strings]\n", "%Maker%", "%a%", ".NT", "..\\..\\", "0x", "\ufeff"]


def mutate(text: str, random_: random.Random) -> bytes:
    for _ in range(random_.randint(1, 12)):
        at = random_.randrange(len(text) + 1)
        length = random_.choice([0, 1, 1, 3, 40])
        kind = random_.randrange(5)
        if kind == 0:
            text = text[:at] + text[at + length :]
        elif kind == 1:
            text = text[:at] + random_.choice(SNIPPETS) + text[at:]
        elif kind == 2:
            text = text[:at] + random_.choice(string.printable) + text[at + 1 :]
        elif kind == 3:
            other = random_.randrange(len(text) + 1)
            text = text[:at] + text[other : other + length * 5] + text[at:]
        else:
            text = text[:at] + chr(random_.randrange(0x110000 - 0x800) % 0xD800) + text[at:]
    encoding = random_.choice(["cp1252", "utf-8", "utf-16", "utf-16-le", "utf-16-be"])
    data = bytearray(text.encode(encoding, "replace"))
    for _ in range(random_.choice([0, 0, 0, 5])):
        data[random_.randrange(len(data))] = random_.randrange(256)
    return bytes(data)
