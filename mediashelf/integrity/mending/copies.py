"""The files that bytes may come from: opened only for reading, read as far as they can be."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from mediashelf.errors import InputError
from mediashelf.file_view import FileView, open_view
from mediashelf.formats.fields import View
from mediashelf.formats.raw.layout import HEAD_SIZE, detect_layout
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.image import ClosableView
from mediashelf.integrity.mending.values import CopyReport, Piece, sector_count
from mediashelf.trees.opening import open_tree
from mediashelf.trees.tree import Tree
from mediashelf.trees.wrappings import ONE_FILE, Wrapping, detect_wrapping


class Copy:
    """One open file. What could not be read of it is counted in ``report``."""

    def __init__(self, path: Path, view: ClosableView) -> None:
        self.report = CopyReport(path, view.size)
        self._view = view

    def read(self, offset: int, size: int) -> Piece:
        """Return ``size`` bytes as far as the file has them; a cut sector counts as missing."""
        piece, unreadable = self._read(offset, size)
        self.report.unreadable += unreadable
        return piece

    def peek(self, offset: int, size: int) -> Piece:
        """Return the same for bytes that are read at another time too: nothing is counted."""
        return self._read(offset, size)[0]

    def _read(self, offset: int, size: int) -> tuple[Piece, int]:
        try:
            data = self._view.read(offset, size)
        except OSError:
            return self._read_by_sector(offset, size)
        if len(data) == size:
            return Piece(data), 0
        missing = range(len(data) // SECTOR_SIZE, sector_count(size))
        return Piece(data.ljust(size, b"\0"), frozenset(missing)), 0

    def _read_by_sector(self, offset: int, size: int) -> tuple[Piece, int]:
        """Read around what the medium has lost, and count that."""
        data = bytearray(size)
        missing, unreadable = set(), 0
        for index in range(sector_count(size)):
            start = index * SECTOR_SIZE
            wanted = min(SECTOR_SIZE, size - start)
            try:
                sector = self._view.read(offset + start, wanted)
            except OSError:
                unreadable += 1
                missing.add(index)
                continue
            data[start : start + len(sector)] = sector
            if len(sector) < wanted:
                missing.add(index)
        return Piece(bytes(data), frozenset(missing)), unreadable

    def is_raw(self) -> bool:
        """Tell whether the file looks as if it held raw sectors."""
        layout = detect_layout(self.peek(0, HEAD_SIZE).data)
        return layout is not None and layout.size != SECTOR_SIZE

    def has_lbas(self) -> bool:
        """Tell whether an offset in the file tells the block of a disc that it is in."""
        if self.is_raw():
            return False
        try:
            return detect_wrapping(self._view) in (None, Wrapping.DISC)
        except OSError:  # the medium does not give its beginning
            return True

    def close(self) -> None:
        self._view.close()


class _Expanded:
    """What a compressed copy holds."""

    def __init__(self, tree: Tree, inside: View) -> None:
        self._tree = tree
        self._inside = inside
        self.size = inside.size

    def read(self, offset: int, size: int) -> bytes:
        return self._inside.read(offset, size)

    def close(self) -> None:
        self._tree.close()


class Copies:
    """The image, the named copies, and more that are opened only when they are asked for.

    Of a copy that is compressed, and an image that is not, what it holds is taken.

    Raises :class:`InputError` when the image or a named copy cannot be opened. Two
    names of one file count once: it would agree with itself. ``set_aside`` holds the
    files that are not used, with the reason.
    """

    def __init__(self, image: Path, named: Sequence[Path], more: Sequence[Path] = ()) -> None:
        self.opened: list[Copy] = []
        self.set_aside: list[tuple[Path, str]] = []
        self._waiting = list(more)
        self._known: dict[tuple[int, int], Path] = {}
        self._is_compressed = False
        try:
            for path in (image, *named):
                twin = self._open(path)
                if twin is not None:
                    self.set_aside.append((path, f"is the same file as {twin}"))
        except BaseException:
            self.close()
            raise
        self.named_count = len(self.opened)

    def __iter__(self) -> Iterator[Copy]:
        """Yield the image, then the copies, opening those that wait one by one."""
        place = 0
        while True:
            while place == len(self.opened) and self._waiting:
                self._open_waiting()
            if place == len(self.opened):
                return
            yield self.opened[place]
            place += 1

    def _open_waiting(self) -> None:
        path = self._waiting.pop(0)
        try:
            self._open(path)
        except InputError as error:
            self.set_aside.append((path, str(error)))

    def _open(self, path: Path) -> Path | None:
        """Open a file, unless it is open already; then return the name that it has here."""
        view = open_view(path)
        with suppress(OSError):
            status = path.stat()
            twin = self._known.setdefault((status.st_dev, status.st_ino), path)
            if twin is not path:
                view.close()
                return twin
        self.opened.append(Copy(path, self._inside(path, view)))
        return None

    def _inside(self, path: Path, view: FileView) -> ClosableView:
        try:
            wrapping = detect_wrapping(view)
        except OSError:  # the medium does not give its beginning
            return view
        if not self.opened:
            self._is_compressed = wrapping in ONE_FILE
        if wrapping not in ONE_FILE or self._is_compressed:
            return view
        view.close()
        tree = open_tree(str(path))
        if tree.expanded is None:
            tree.close()
            return open_view(path)
        return _Expanded(tree, tree.expanded)

    def close(self) -> None:
        """Close every file."""
        for copy in self.opened:
            copy.close()
