"""Texts of systems that name their devices, for tests that read them whole or damaged."""

from __future__ import annotations

LSUSB_DETAILS = """\

Bus 001 Device 002: ID f1b2:0003 Quillon Camera 3
Device Descriptor:
  bLength                18
  bDeviceClass            0
  bDeviceSubClass         0
  bDeviceProtocol         0
  idVendor           0xf1b2 Quillon
  bcdDevice            1.07
  Configuration Descriptor:
    bNumInterfaces          {interfaces}
    Interface Descriptor:
      bInterfaceNumber        0
      bInterfaceClass         8 Mass Storage
      bInterfaceSubClass      6 SCSI
      bInterfaceProtocol     80 Bulk-Only
    Interface Descriptor:
      bInterfaceClass         3 Human Interface Device
"""


def hex_list(*texts: str, encoding: str = "utf-16-le") -> str:
    """Return a list of texts as an export of the registry has it, in lines of 20 bytes."""
    data = ("\0".join(texts) + "\0\0").encode(encoding)
    rows = [data[at : at + 20].hex(",") for at in range(0, len(data), 20)]
    return "hex(7):" + ",\\\n  ".join(rows)
