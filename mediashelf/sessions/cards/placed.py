"""What will happen to a card, and to each disc of it, as values."""

from __future__ import annotations

from enum import StrEnum

from msgspec import Struct

from mediashelf.findings import Finding
from mediashelf.sessions.discs.preflight import CheckedDisc
from mediashelf.sessions.discs.served_bytes import ServedBytes
from mediashelf.sessions.manifests.fields import Confirmed
from mediashelf.sessions.manifests.parts import CardFile, FileDigests
from mediashelf.sessions.reading_back import ReadBack


class Action(StrEnum):
    """What happens for one disc; the words are shown to people."""

    KEEP = "keep"  # the right bytes are there, under the right name
    RENAME = "rename"  # the right bytes are there, under another name of ours
    COPY = "copy"
    CONVERT = "convert"  # the data track of a raw image
    BUILD = "build"
    REPEAT = "repeat"  # the file of an earlier disc is presented again
    NOTHING = "nothing"  # there is nothing that could be served


_WRITING = (Action.COPY, Action.CONVERT, Action.BUILD)


NO_FILE = (Action.REPEAT, Action.NOTHING)  # of its own


class PlacedDisc(Struct, frozen=True):
    """One disc with its place on the card, before and after it is there.

    ``image`` is what is copied or converted; for a recipe it is None, or a local
    build of it. ``on_card`` is what the card gave back: at first of a file that
    stays, with ``old_path`` its name so far; of every disc once it is staged.
    ``expected`` are the digests of the image as it is
    served and ``original`` those of the file that it comes from, where they are known.
    """

    disc: CheckedDisc
    code: str
    path: str
    action: Action
    image: ServedBytes | None = None
    expected: FileDigests | None = None
    original: FileDigests | None = None
    on_card: ReadBack | None = None
    old_path: str = ""

    @property
    def file(self) -> CardFile:
        """The image as a file on the card, where it is by now."""
        assert self.on_card is not None
        return CardFile(self.path, self.on_card.size, self.on_card.digests)

    @property
    def confirmed(self) -> Confirmed:
        """The manifest's word for how the copy was confirmed, which is there by now."""
        assert self.on_card is not None
        return self.on_card.word

    @property
    def write_size(self) -> int:
        """Bytes that are written to the card."""
        return self.disc.size if self.action in _WRITING else 0

    @property
    def work_size(self) -> int:
        """Bytes that staging counts: read from the sources, and read back."""
        plan = self.disc.source.disc_plan
        if self.action is Action.BUILD and plan is not None:
            return 2 * plan.content_size + self.disc.size
        if self.image is None or not self.write_size:
            return 0
        return self.image.read_size + self.write_size


class Arrangement(Struct, frozen=True):
    """Everything that will happen to a card, in order.

    ``obsolete`` are our files of earlier sessions that no disc of this one uses.
    """

    discs: tuple[PlacedDisc, ...]
    obsolete: tuple[CardFile, ...]
    findings: tuple[Finding, ...]

    @property
    def write_size(self) -> int:
        """Bytes that are written to the card."""
        return sum(placed.write_size for placed in self.discs)
