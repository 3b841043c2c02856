"""On a fast card an image is copied while the one before is read back; nothing else differs."""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from msgspec.structs import replace

from mediashelf.errors import StagingError
from mediashelf.integrity.fixity.digests import Digests
from mediashelf.sessions.cards import copying, staging
from mediashelf.sessions.cards.placed import PlacedDisc
from mediashelf.sessions.discs.served_bytes import ServedBytes
from mediashelf.sessions.reading_back import ReadBack, read_back_file
from session_bench import DRIVER_DISC, SLIDES_DISC, SYSTEM_DISC, Bench, make_bench, slides_image

OnBytes = Callable[[int], None]

copy_image = copying.copy_image


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setattr(copying, "FAST", 0)
    bench = make_bench(tmp_path)
    (bench.folder / "library" / "more.iso").write_bytes(slides_image(600_000))
    more = SLIDES_DISC.replace("slides.iso", "more.iso")
    bench.write_plan(SYSTEM_DISC, SLIDES_DISC, more, DRIVER_DISC)
    return bench


class Copies:
    """What was copied, in order: names, and whether that was ahead of their turn."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.done: list[tuple[str, bool]] = []
        self.ahead: Callable[[], object] = lambda: None  # called before those are copied
        monkeypatch.setattr(copying, "copy_image", self._copy)

    def _copy(
        self, placed: PlacedDisc, image: ServedBytes, temporary: Path, *, on_bytes: OnBytes
    ) -> Digests:
        is_ahead = threading.current_thread() is not threading.main_thread()
        self.done.append((image.path.name, is_ahead))
        if is_ahead:
            self.ahead()
        return copy_image(placed, image, temporary, on_bytes=on_bytes)


@pytest.fixture
def copies(monkeypatch: pytest.MonkeyPatch) -> Copies:
    return Copies(monkeypatch)


IN_TURN = [("system.iso", False), ("slides.iso", False), ("more.iso", False)]
AHEAD = [("system.iso", False), ("slides.iso", True), ("more.iso", True)]


def partials(bench: Bench) -> list[Path]:
    return list(bench.card.glob(".*partial"))


def test_the_card_is_the_same_either_way(
    bench: Bench, copies: Copies, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted: list[int] = []
    bench.prepare(on_bytes=counted.append)
    assert copies.done == AHEAD
    ahead, count = bench.on_card(), sum(counted)
    for path in bench.card.iterdir():
        path.unlink()
    copies.done.clear()
    counted.clear()
    monkeypatch.setattr(copying, "FAST", 1 << 60)
    bench.prepare(on_bytes=counted.append)
    assert copies.done == IN_TURN
    assert (bench.on_card(), sum(counted)) == (ahead, count)


def test_without_much_room_each_waits_for_its_turn(
    bench: Bench, copies: Copies, monkeypatch: pytest.MonkeyPatch
) -> None:
    read_card = copying.read_card
    monkeypatch.setattr(copying, "read_card", lambda card: replace(read_card(card), free=900_000))
    bench.prepare()
    assert copies.done == IN_TURN


def test_what_has_no_room_ahead_is_copied_again_in_its_turn(bench: Bench, copies: Copies) -> None:
    def fail() -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    copies.ahead = fail
    bench.prepare()
    assert copies.done == [IN_TURN[0], AHEAD[1], IN_TURN[1], AHEAD[2], IN_TURN[2]]
    assert len(bench.images_on_card()) == 4
    assert partials(bench) == []


def test_a_card_that_fails_ahead_is_an_error(bench: Bench, copies: Copies) -> None:
    def fail_once() -> None:
        copies.ahead = lambda: None
        raise OSError(errno.EIO, "Input/output error")

    copies.ahead = fail_once
    with pytest.raises(StagingError, match=r"SLIDES.*: Input/output error\. Check the card"):
        bench.prepare()
    assert copies.done == AHEAD[:2]
    assert len(bench.images_on_card()) == 1
    assert partials(bench) == []


def test_a_source_that_cannot_be_read_ahead_is_an_error(bench: Bench, copies: Copies) -> None:
    def fail_once() -> None:
        copies.ahead = lambda: None
        raise StagingError("slides.iso: cannot be read: Input/output error")

    copies.ahead = fail_once
    with pytest.raises(StagingError, match=r"slides\.iso: cannot be read"):
        bench.prepare()
    assert copies.done == AHEAD[:2]
    assert partials(bench) == []


def test_what_somebody_removed_is_copied_again(
    bench: Bench, copies: Copies, monkeypatch: pytest.MonkeyPatch
) -> None:
    replace_file = Path.replace

    def gone(old: Path, new: Path) -> Path:
        if "SLIDES" in old.name and "SLIDES" in new.name and new.name.endswith("partial"):
            old.unlink()
        return replace_file(old, new)

    monkeypatch.setattr(Path, "replace", gone)
    bench.prepare()
    assert ("slides.iso", True) in copies.done
    assert ("slides.iso", False) in copies.done
    assert len(bench.images_on_card()) == 4
    assert partials(bench) == []


def test_a_source_that_changes_meanwhile_is_an_error(bench: Bench, copies: Copies) -> None:
    def grow() -> None:
        with bench.slides.open("ab") as stream:
            stream.write(bytes(2048))

    copies.ahead = grow
    with pytest.raises(StagingError, match=r"slides\.iso: changed after it was checked"):
        bench.prepare()
    assert len(bench.images_on_card()) == 1
    assert partials(bench) == []


@pytest.mark.parametrize("stop", [StagingError("the card fails"), KeyboardInterrupt()])
def test_nothing_is_left_of_it_when_the_card_fails(
    bench: Bench, copies: Copies, monkeypatch: pytest.MonkeyPatch, stop: BaseException
) -> None:
    begun = threading.Event()
    copies.ahead = begun.set

    def fail(path: Path, *, on_bytes: OnBytes) -> ReadBack:
        assert begun.wait(10)
        raise stop

    with monkeypatch.context() as patch:
        patch.setattr(staging, "read_back_file", fail)
        with pytest.raises(type(stop)):
            bench.prepare()
    assert copies.done == AHEAD[:2]
    assert bench.images_on_card() == []
    assert partials(bench) == []


def test_it_ends_at_the_next_piece_when_nobody_waits_for_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, read_served, late = threading.Event(), copying.read_served, []

    def read(image: ServedBytes, take: Callable[[bytes], object], *, on_bytes: OnBytes) -> None:
        if threading.current_thread() is threading.main_thread():
            read_served(image, take, on_bytes=on_bytes)
            return
        begun.set()
        for _ in range(1000):
            on_bytes(1)
            time.sleep(0.01)
        late.append(image)

    def fail(path: Path, *, on_bytes: OnBytes) -> ReadBack:
        assert begun.wait(10)
        raise StagingError("the card fails")

    monkeypatch.setattr(copying, "read_served", read)
    monkeypatch.setattr(staging, "read_back_file", fail)
    with pytest.raises(StagingError, match="the card fails"):
        bench.prepare()
    assert begun.is_set()
    assert not late
    assert partials(bench) == []


def test_a_copy_that_was_made_ahead_is_read_back_from_the_card(
    bench: Bench, copies: Copies, monkeypatch: pytest.MonkeyPatch
) -> None:
    def spoil(path: Path, *, on_bytes: OnBytes) -> ReadBack:
        if "SLIDES" in path.name:
            with path.open("r+b") as stream:
                stream.write(b"\xde\xad")
        return read_back_file(path, on_bytes=on_bytes)

    monkeypatch.setattr(staging, "read_back_file", spoil)
    with pytest.raises(StagingError, match="the bytes read back differ"):
        bench.prepare()
    assert copies.done[:2] == AHEAD[:2]
    assert len(bench.images_on_card()) == 1
    assert partials(bench) == []
