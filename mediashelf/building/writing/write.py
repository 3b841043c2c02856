"""Write a planned disc with pycdlib, read it back, and only then give it its name.

What pycdlib 1.22 does otherwise than needed, and what is done about it here:

- The date of today is everywhere, in local time: every date is set from the plan.
- Records are sorted by whole identifiers, which puts ``README.1;1`` before
  ``README.;1`` and breaks ECMA-119 9.3: the records are put in order at the end,
  when nothing is looked up by name any more.
- A Joliet name is refused when it has more than 64 *bytes* in UTF-8, so that 22
  ideograms are too many: the check is replaced by one of 64 characters.
- Both trees get one label, and the shorter limit counts: each is set.
- A source that is too short is filled up silently: see :mod:`.feeding`.
- Equal identifiers are accepted: the plan has none.
- Additions are linear only in sorted order: there are two passes, one a tree.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

from pycdlib import dates, pycdlib, pycdlibexception

from mediashelf.building.naming.trees import Child, PlannedDirectory
from mediashelf.building.pages.index_page import render_index
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.planning.planned_facts import APPLICATION
from mediashelf.building.sources.clock import descriptor_date, record_date
from mediashelf.building.sources.digesting import PassingDigests, hash_bytes
from mediashelf.building.sources.member_reading import CHUNK
from mediashelf.building.sources.reading import check_unchanged, iter_source
from mediashelf.building.tree import Content, DiscFile
from mediashelf.building.writing.blocking import blocking, refuse_blocked
from mediashelf.building.writing.destination import check_output
from mediashelf.building.writing.feeding import Feed
from mediashelf.building.writing.reading_back import read_back_disc
from mediashelf.errors import BuildError
from mediashelf.files import whole_output
from mediashelf.formats.volume import SECTOR_SIZE

_MODIFICATION_DATE = 830  # offset in a volume descriptor

OnBytes = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class BuiltDisc:
    """A disc that was written and read back. ``digests`` are SHA-256 by long path."""

    path: Path
    size: int
    file_count: int
    folder_count: int
    digests: dict[str, str]


def build_disc(
    plan: DiscPlan,
    output: Path,
    *,
    anyway: bool = False,
    replace: bool = True,
    on_bytes: OnBytes = lambda count: None,
) -> BuiltDisc:
    """Write the disc, read it back, and give it its name.

    ``on_bytes`` is called with the bytes just read from sources, then with those
    read back: twice ``plan.content_size`` in all.

    Raises :class:`BlockedError` when the plan has errors (``anyway`` overrides
    those that leave a disc possible), :class:`BuildError` when a source is not
    what was planned or the disc does not read back as it was written, and
    :class:`OutputError` when the output cannot be written or must not be.
    """
    (built,) = build_discs([plan], [output], anyway=anyway, replace=replace, on_bytes=on_bytes)
    return built


def build_discs(
    plans: Sequence[DiscPlan],
    outputs: Sequence[Path],
    *,
    anyway: bool = False,
    replace: bool = True,
    on_bytes: OnBytes = lambda count: None,
) -> list[BuiltDisc]:
    """Write several discs like :func:`build_disc`; none gets its name before all are sound."""
    for plan, output in zip(plans, outputs, strict=True):
        refuse_blocked(blocking(plan.findings, anyway=anyway))
        check_output(plan.recipe, output, replace=replace)
    with ExitStack() as stack:
        # The stack ends with what came first, so the first disc is named first.
        temporaries = [
            stack.enter_context(whole_output(output, replace=replace)) for output in outputs[::-1]
        ][::-1]
        for plan, temporary in zip(plans, temporaries, strict=True):
            with PassingDigests() as digests:
                _DiscWriter(plan, digests, on_bytes).write(temporary)
            read_back_disc(plan, temporary, on_bytes=on_bytes)
    return [_built(plan, output) for plan, output in zip(plans, outputs, strict=True)]


def _built(plan: DiscPlan, path: Path) -> BuiltDisc:
    files = [file for file in plan.iter_files() if file is not plan.catalog]
    digests = {file.long_path: file.content.digest for file in files}
    return BuiltDisc(path, plan.size, len(plan.files), plan.folder_count, digests)


class _Disc(pycdlib.PyCdlib):
    """pycdlib's disc with the length of Joliet names as Joliet counts it."""

    def _joliet_name_and_parent_from_path(self, joliet_path: bytes) -> tuple[bytes, Any]:
        parent, _, name = joliet_path.rpartition(b"/")
        return name.decode("utf-8").encode("utf-16-be"), self._find_joliet_record(parent or b"/")


class _DiscWriter:
    """Writes one disc."""

    def __init__(self, plan: DiscPlan, digests: PassingDigests, on_bytes: OnBytes) -> None:
        self._plan = plan
        self._digests = digests
        self._on_bytes = on_bytes
        self._iso: Any = _Disc()  # pycdlib's types are not meant for this use
        self._file_paths: dict[int, str] = {}  # ISO paths by id() of the file
        self._content_paths: dict[int, str] = {}  # and by id() of the content: its first file
        self._index_feed: Feed | None = None

    def write(self, path: Path) -> None:
        """Write everything to a new file; every content has its digest afterwards."""
        try:
            self._start()
            for directory in self._plan.layout.iso:
                self._add_short_names(directory)
            for directory in self._plan.layout.joliet:
                self._add_long_names(directory)
            self._add_boot_catalog()
            self._arrange()
            with path.open("xb", buffering=CHUNK) as stream:
                self._iso.write_fp(stream, blocksize=CHUNK)
                self._date_descriptors(stream)
            self._keep_digests()
            self._check_unread()
        except pycdlibexception.PyCdlibException as error:
            raise BuildError(f"pycdlib could not write the disc: {error}") from error
        finally:
            self._forget()

    def _start(self) -> None:
        for file in self._plan.sources:
            if not file.own.size:  # pycdlib never asks for its bytes
                file.own.digest = hash_bytes(b"")
        iso, label = self._iso, self._plan.label
        iso.new(interchange_level=1, joliet=3, app_ident_str=APPLICATION)
        iso.pvd.volume_identifier = label.short.encode("ascii").ljust(32)
        iso.joliet_vd.volume_identifier = label.long.ljust(16).encode("utf-16-be")

    def _add_short_names(self, directory: PlannedDirectory) -> None:
        for child in _sorted_as_added(directory):
            path = f"{directory.path}/{child.identifier.decode('ascii')}"
            if isinstance(child.item, PlannedDirectory):
                self._iso.add_directory(iso_path=path)
            elif child.item is not self._plan.catalog:
                self._add_file(child.item, path)

    def _add_file(self, file: DiscFile, path: str) -> None:
        content = file.content
        self._file_paths[id(file)] = path
        first = self._content_paths.setdefault(id(content), path)
        if first != path:
            self._iso.add_hard_link(iso_old_path=first, iso_new_path=path)
            return
        feed = Feed(content.size, partial(self._pass, content))
        if file is self._plan.index:
            self._index_feed = feed
        self._iso.add_fp(feed, content.size, iso_path=path)

    def _add_long_names(self, directory: PlannedDirectory) -> None:
        for child in _sorted_as_added(directory):
            path = f"{directory.path}/{child.name}"
            if isinstance(child.item, PlannedDirectory):
                self._iso.add_directory(joliet_path=path)
            elif child.item is not self._plan.catalog:
                first = self._file_paths[id(child.item)]
                self._iso.add_hard_link(iso_old_path=first, joliet_new_path=path)

    def _add_boot_catalog(self) -> None:
        boot, catalog = self._plan.boot, self._plan.catalog
        if boot is None or catalog is None:
            return
        self._iso.add_eltorito(
            self._content_paths[id(boot.content)],
            bootcatfile=f"{catalog.short_path};1",
            joliet_bootcatfile=catalog.long_path,
            # For a floppy pycdlib counts the sectors itself, to know its kind.
            boot_load_size=None if boot.is_emulated else boot.load_sectors,
            media_name="floppy" if boot.is_emulated else "noemul",
        )

    def _arrange(self) -> None:
        """Put records in their order, and set dates and sizes; from here on nothing is added."""
        iso, layout = self._iso, self._plan.layout
        made = descriptor_date(self._plan.made)
        for volume, root in ((iso.pvd, layout.iso[0]), (iso.joliet_vd, layout.joliet[0])):
            volume.space_size = layout.sectors
            volume.volume_creation_date = _parsed(dates.VolumeDescriptorDate(), made)
            not_given = dates.VolumeDescriptorDate.EMPTY_STRING
            volume.volume_effective_date = _parsed(dates.VolumeDescriptorDate(), not_given)
            waiting = [(root, volume.root_directory_record())]
            while waiting:
                directory, record = waiting.pop()
                waiting += _arrange_records(directory, record)
        if self._index_feed is not None:
            # Contents are written in this order, and the page shows the digests of the others.
            iso.inodes.sort(key=lambda inode: inode.data_fp is self._index_feed)

    def _pass(self, content: Content) -> Iterator[bytes]:
        """Yield the bytes of a content on their way to the disc."""
        index = self._plan.index
        if index is not None and content is index.own:
            pieces = self._iter_index(index)
        else:
            pieces = self._digests.passing(content, iter_source(content))
        for piece in pieces:
            yield piece
            self._on_bytes(len(piece))

    def _iter_index(self, index: DiscFile) -> Iterator[bytes]:
        self._keep_digests()
        plan = self._plan
        page = render_index(plan.recipe.label, plan.trees, plan.pages, plan.notes)
        index.own.digest = hash_bytes(page)
        yield from (page[at : at + CHUNK] for at in range(0, len(page), CHUNK))

    def _keep_digests(self) -> None:
        """Let every source have its digest; none may be another than when it was planned."""
        for content, digest in self._digests.finished():
            if content.digest and content.digest != digest:
                raise BuildError(
                    f"{content.shown_path}: other bytes were read than when the disc was planned, "
                    "under the same size and time; check the medium it is on, then build again"
                )
            content.digest = digest

    def _check_unread(self) -> None:
        """Make sure of what the disc shows without its own bytes having been read just now."""
        for file in self._plan.sources:
            if not file.own.size or file.own.equal_to is not None:
                check_unchanged(file.own)

    def _date_descriptors(self, stream: BinaryIO) -> None:
        """Set the modification dates (ECMA-119 8.4 and 8.5), which pycdlib takes from the clock."""
        made = descriptor_date(self._plan.made)
        for volume in (self._iso.pvd, self._iso.joliet_vd):
            stream.seek(volume.extent_location() * SECTOR_SIZE + _MODIFICATION_DATE)
            stream.write(made)

    def _forget(self) -> None:
        """Free the records, which pycdlib's look-ups by name would keep for the next disc."""
        self._iso._find_iso_record.cache_clear()
        self._iso._find_joliet_record.cache_clear()


def _sorted_as_added(directory: PlannedDirectory) -> list[Child]:
    """Return the children in pycdlib's own order, in which adding them takes linear time."""
    return sorted(directory.children, key=lambda child: child.identifier)


def _arrange_records(
    directory: PlannedDirectory, record: Any
) -> Iterator[tuple[PlannedDirectory, Any]]:
    """Give pycdlib's record of a directory its final form; yield those of its subdirectories."""
    itself, above, *others = record.children
    by_identifier = {other.file_ident: other for other in others}
    in_order = [by_identifier[child.identifier] for child in directory.children]
    record.children = [itself, above, *in_order]
    for described, target in (
        (directory, record),
        (directory, itself),
        (directory.parent or directory, above),
    ):
        target.date = _date(described.folder.modified)
        target.set_data_length(described.size)
    for child, target in zip(directory.children, in_order, strict=True):
        if isinstance(child.item, PlannedDirectory):
            yield child.item, target
        else:
            target.date = _date(child.item.modified)


def _date(seconds: int) -> Any:
    return _parsed(dates.DirectoryRecordDate(), record_date(seconds))


def _parsed(date: Any, data: bytes) -> Any:
    date.parse(data)
    return date
