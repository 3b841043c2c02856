"""Cards that are pulled while they are prepared, and plugged in again.

Used by tests, by a script that prints every round, and inside a virtual machine
where the card is a USB device that really goes away.
"""

from __future__ import annotations

import errno
import hashlib
import os
import random
import shutil
import subprocess
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from mediashelf.errors import MediashelfError, StagingError
from mediashelf.findings import Severity
from mediashelf.jobs.session_recipes import recipe_planner
from mediashelf.readability.targets import load_targets
from mediashelf.sessions import prepare
from mediashelf.sessions.cards.confirm import check_card
from mediashelf.sessions.cards.lock import HeldCard
from mediashelf.sessions.cards.pulled import TWO_NAMES_RULE
from mediashelf.sessions.discs import served_bytes
from mediashelf.sessions.manifests.manifest import read_manifest
from mediashelf.sessions.plans.session_plan import load_plan
from mediashelf.sessions.prepare import hold_session
from plan_texts import NoLibrary
from session_bench import Bench, noise

ROUNDS = 10
TMPFS_SIZE = 6 << 20
FAT32_SIZE = 40 << 20  # FAT32 has at least 65,525 clusters, here of 512 bytes

THEIRS = {
    "holiday.jpg": noise("holiday", 300_000),
    "LETTERS/To the harbour master.txt": b"Dear Sir,\r\n",
    "03-Y7H-SLIDES.ISO": b"my own slides",  # a name that we would take
    ".hidden": b"mine too",
}


class Card(ABC):
    """A card that can be pulled: ``folder`` is where it appears."""

    name = ""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @abstractmethod
    def pull(self) -> None:
        """Take the card out, whatever is being written."""

    @abstractmethod
    def plug(self) -> None:
        """Put it in again."""

    def close(self) -> None:  # noqa: B027  # most kinds leave nothing behind
        """Clean up when the card is no longer needed."""

    def repair(self) -> None:
        """Have its file system checked, as prepare asks for some."""
        raise AssertionError(f"no checker for {self.name}")

    def check_place(self) -> None:
        """While the card is out: nothing of ours may be in its place."""
        assert not self.folder.exists() or not list(self.folder.iterdir())


class RenamedCard(Card):
    """A folder that is renamed away; needs no rights. An empty one takes its place."""

    name = "a folder that is renamed away"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._away = folder.with_name("pulled")
        folder.mkdir(exist_ok=True)

    def pull(self) -> None:
        self.folder.rename(self._away)
        self.folder.mkdir()

    def plug(self) -> None:
        self.folder.rmdir()
        self._away.rename(self.folder)


class TmpfsCard(Card):
    """A small file system in memory, unmounted in the middle of work."""

    name = f"a tmpfs of {TMPFS_SIZE >> 20} MiB that is unmounted"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        folder.mkdir(exist_ok=True)
        self._device = folder.with_name("device")
        self._device.mkdir()
        run("mount", "-t", "tmpfs", "-o", f"size={TMPFS_SIZE}", "tmpfs", self._device)
        self.plug()

    def pull(self) -> None:
        run("umount", "--lazy", self.folder)

    def plug(self) -> None:
        run("mount", "--bind", self._device, self.folder)

    def close(self) -> None:
        subprocess.run(["umount", "--lazy", self.folder], check=False, capture_output=True)
        run("umount", self._device)


class Fat32Card(Card):
    """A FAT32 image on a loop device, unmounted in the middle of work."""

    name = "a loop-mounted FAT32 image that is unmounted"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        folder.mkdir(exist_ok=True)
        self._image = folder.with_name("card.img")
        with self._image.open("wb") as image:
            image.truncate(FAT32_SIZE)
        run("mkfs.fat", "-F", "32", "-s", "1", self._image)
        self.plug()

    def pull(self) -> None:
        run("umount", "--lazy", self.folder)

    def plug(self) -> None:
        run("mount", "-t", "vfat", "-o", "loop", self._image, self.folder)

    def repair(self) -> None:
        run("umount", self.folder)
        subprocess.run(["fsck.fat", "-a", self._image], check=False, capture_output=True)
        self.plug()

    def close(self) -> None:
        subprocess.run(["umount", "--lazy", self.folder], check=False, capture_output=True)


def missing_for(kind: type[Card]) -> str:
    """Say what this system lacks for a kind of card, or nothing."""
    if kind is RenamedCard:
        return ""
    if os.name != "posix" or os.geteuid() != 0 or not shutil.which("mount"):
        return "needs root and mount"
    if kind is Fat32Card:
        types = Path("/proc/filesystems")
        if not shutil.which("mkfs.fat"):
            return "needs mkfs.fat (dosfstools)"
        if not types.exists() or "vfat" not in types.read_text().split():
            return "this kernel has no vfat"
    return ""


@contextmanager
def open_card(kind: type[Card], folder: Path) -> Iterator[Card]:
    """Give a card; ``OSError`` or ``CalledProcessError`` where the system refuses to mount."""
    card = kind(folder)
    try:
        yield card
    finally:
        card.close()


def run(*command: object) -> None:
    subprocess.run([str(word) for word in command], check=True, capture_output=True)


def put_theirs(folder: Path) -> None:
    """Put somebody's own files on the card."""
    for name, data in THEIRS.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(data)


def check_theirs(folder: Path) -> None:
    """Fail when a file of theirs is not what it was."""
    for name, data in THEIRS.items():
        assert (folder / name).read_bytes() == data, f"{name} is not as it was"


def check_ours(folder: Path, known: set[str]) -> str:
    """Fail when an image under a final name is neither whole nor empty; say what is there.

    An empty one is what a checker of FAT leaves of a file with two names.
    """
    whole = 0
    for path in folder.glob("*.iso"):
        if not path.stat().st_size:
            continue
        assert hashlib.sha256(path.read_bytes()).hexdigest() in known, f"{path.name} is not whole"
        whole += 1
    has_manifest = (folder / "manifest.json").exists()
    if has_manifest:
        read_manifest(folder / "manifest.json")
    return f"{whole} whole images, {'a manifest' if has_manifest else 'no manifest'}"


class Puller:
    """Prepares a bench's card again and again, and pulls it."""

    def __init__(self, bench: Bench, card: Card, say: Callable[[str], None] = print) -> None:
        self.bench, self.card, self.say = bench, card, say
        self.known: set[str] = set()
        self.seconds = 0.0
        self.stopped_runs = self.repairs = 0

    def measure(self) -> None:
        """Prepare the card undisturbed, and remember what belongs on it and how long it took."""
        start = time.monotonic()
        assert self._prepare_in_child() == 0
        self.seconds = time.monotonic() - start
        names = [disc.path for disc in read_manifest(self.card.folder / "manifest.json").discs]
        self.known = {
            hashlib.sha256((self.card.folder / name).read_bytes()).hexdigest() for name in names
        }
        self.say(f"undisturbed: {self.seconds:.2f} s, {len(self.known)} images")

    def fill_up(self) -> None:
        """Ask for more than fits: an error in words, nothing half done."""
        plan = self.bench.plan.read_text()
        large = self.bench.folder / "library" / "large.iso"
        large.write_bytes(self.bench.slides.read_bytes())
        with large.open("r+b") as stream:
            stream.truncate(self._free() + (1 << 20))
        self.bench.write_plan('image = "library/large.iso"')
        try:
            self.bench.prepare(anyway=True)
        except StagingError as error:
            assert "the card is full" in str(error), error
            self.say(f"filled up: {error}")
        else:
            raise AssertionError("a card without room took everything")
        large.unlink()
        self.bench.plan.write_text(plan)
        assert not list(self.card.folder.glob("*partial"))
        check_theirs(self.card.folder)

    def pull_once(self, number: int) -> None:
        """Pull at a moment that ``number`` decides, plug in, and look at everything."""
        if number % 3 == 0:  # begin again with a card on which nothing of ours is whole
            self._clear()
        # Runs that find something on the card are shorter than the first.
        moment = random.Random(number).uniform(0.02, 0.6) * self.seconds
        ready, child = self._start_child()
        os.read(ready, 1)  # it has the card in its hands
        os.close(ready)
        time.sleep(moment)
        self.card.pull()
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        self.stopped_runs += code != 0
        if code == 0:  # it took no longer; a run that was measured on a busy machine tells too much
            self.seconds = min(self.seconds, moment)
        self.card.check_place()
        self.card.plug()
        state = check_ours(self.card.folder, self.known)
        check_theirs(self.card.folder)
        if self._must_be_checked():
            self._repair()
            state += ", file system checked as prepare asks"
        self.say(f"  pulled at {moment:5.2f} s (exit {code}): {state}; theirs untouched")

    def _repair(self) -> None:
        self.card.repair()
        self.repairs += 1
        check_theirs(self.card.folder)

    def _clear(self) -> None:
        try:
            for path in self.card.folder.iterdir():
                if path.name not in THEIRS and path.is_file():
                    path.unlink()
        except OSError as error:
            if error.errno != errno.EROFS:
                raise
            self.say("  Linux made the card read-only while somebody deleted files")
            self._repair()
            self._clear()
        os.sync()  # what somebody deletes just before pulling a card may come back spoiled

    def _must_be_checked(self) -> bool:
        """Whether prepare refuses to go on before the file system is checked."""
        plan, library, targets = load_plan(self.bench.plan), NoLibrary(), load_targets()
        planner = recipe_planner(targets, plan.targets)
        with hold_session(plan, self.card.folder, library, targets, plan_recipe=planner) as session:
            return any(one.rule == TWO_NAMES_RULE for one in session.findings)

    def complete(self) -> None:
        """Run once more, tidied: everything is there, and nothing else of ours."""
        try:
            self.bench.prepare(tidy=True)
        except StagingError as error:
            if "fsck.fat" not in str(error):
                raise
            self.say(f"stopped: {error}")
            self._repair()
            self.bench.prepare(tidy=True)
        manifest = read_manifest(self.card.folder / "manifest.json")
        assert len(manifest.discs) == len(self.known)
        found = list(check_card(manifest, self.card.folder))
        assert max((one.severity for one in found), default=Severity.NOTE) is Severity.NOTE
        names = {path.name for path in self.card.folder.iterdir()}
        ours = {file.path for file in manifest.files} | {"manifest.json"}
        extra = names ^ (ours | {name.partition("/")[0] for name in THEIRS})
        assert not extra, f"too many or missing: {sorted(extra)}"
        assert check_ours(self.card.folder, self.known)
        check_theirs(self.card.folder)
        self.say(f"run again, tidied: {len(manifest.images)} images, the manifest agrees")

    def _free(self) -> int:
        status = os.statvfs(self.card.folder)
        return status.f_bavail * status.f_frsize

    def _prepare_in_child(self) -> int:
        ready, child = self._start_child()
        os.close(ready)
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])

    def _start_child(self) -> tuple[int, int]:
        """Prepare in a process of its own, slowly, and end with the exit code of prepare.

        Returns a pipe that tells when the card is held, and the process.
        """
        ready, tell = os.pipe()
        child = os.fork()
        if child:
            os.close(tell)
            return ready, child
        code = 99
        try:
            slow_down()
            announce(tell)
            self.bench.prepare()
            code = 0
        except MediashelfError as error:
            code = error.exit_code
        finally:
            os._exit(code)


def announce(tell: int) -> None:
    """Write a byte to ``tell`` as soon as the card is held."""
    hold_card = prepare.hold_card

    @contextmanager
    def announced(card: Path) -> Iterator[HeldCard]:
        with hold_card(card) as held:
            with suppress(BrokenPipeError):
                os.write(tell, b"1")
            yield held

    prepare.hold_card = announced


def slow_down() -> None:
    """Read sources in small pieces with pauses, so that a pull can come in every phase."""
    read: Any = served_bytes._read

    def slowly(*place: Any) -> int:
        time.sleep(0.004)
        return int(read(*place))

    served_bytes.CHUNK = 1 << 17
    served_bytes._read = slowly
