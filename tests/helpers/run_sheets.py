"""Pages read as a browser does, and what hands at the bench can act on."""

from __future__ import annotations

from html.parser import HTMLParser

from msgspec.structs import replace

from session_samples import FINDING


class Collector(HTMLParser):
    """Collects elements, attributes and text of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.open: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.attributes += attrs
        if tag not in ("meta", "input"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


FOR_HANDS = replace(
    FINDING,
    rule="first-disc-boots",
    target="",
    where="library/a.iso",
    message="The first disc does not boot",
    remedy="Put the disc that starts the machine first",
)
PLAN = b"""
name = "n"
targets = ["win9x", "dos"]
[machine]
processor = "450 MHz"
memory = "256MB"
disk = "4GB"
firmware = "bios"
usb_boot = true
settings = ["Boot order: USB first"]
notes = "The key is on the sticker under the case"
[[machine.part]]
what = "Quillon Audio 16"
where = "third slot"
jumpers = "IRQ 5"
[[step]]
do = "Take 768 MB out"
[[step]]
do = "Make the partitions"
system = "dos"
partitions = [{ system = "dos", filesystem = "FAT16", size = "500MB" }]
[[step]]
do = "Restart"
system = "win9x"
after = "a"
[[step]]
do = "Look at the drive"
before = "b"
[[disc]]
image = "a"
[[disc]]
image = "b"
"""
