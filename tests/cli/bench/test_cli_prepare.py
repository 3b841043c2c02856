"""``mediashelf prepare``: exit codes, text, JSON, narrow terminals, the catalogue."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from make_image import make_iso
from mediashelf.cli.main import main
from mediashelf.jobs import session_prepare
from mediashelf.sessions import prepare as preparing
from mediashelf.sessions.cards import staging
from mediashelf.sessions.reading_back import ReadBack, read_back_file
from session_bench import SLIDES_DISC, SYSTEM_DISC, Bench, make_bench, noise


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return make_bench(tmp_path)


def run(*arguments: object, columns: int = 100, epoch: str = "946684800") -> Result:
    return CliRunner(env={"COLUMNS": str(columns), "SOURCE_DATE_EPOCH": epoch}).invoke(
        main, [str(one) for one in arguments], catch_exceptions=False
    )


def prepare(bench: Bench, *options: object, columns: int = 100) -> Result:
    return run("prepare", bench.plan, "--to", bench.card, *options, columns=columns)


def test_a_card_is_prepared_and_agrees_with_its_manifest(bench: Bench) -> None:
    result = prepare(bench)
    assert result.exit_code == 0, result.output
    assert "Tide-table kiosk, for Kiosk PC, 1999" in result.stdout
    assert "3 images on the card, every byte read back and verified." in result.stdout
    assert result.stderr == ""
    assert run("manifest", bench.card).exit_code == 0
    manifest = json.loads((bench.card / "manifest.json").read_text())
    assert manifest["created"] == "2000-01-01T00:00:00Z"
    sheets = [file["path"] for file in manifest["other_files"]]
    assert sheets == ["run-sheet.html", "run-sheet.txt"]
    assert "Install the system" in (bench.card / "run-sheet.txt").read_text()
    assert "is there, kept" in prepare(bench).stdout


def test_two_cards_of_one_plan_are_the_same_bytes(bench: Bench) -> None:
    prepare(bench)
    first = bench.on_card()
    other = bench.folder / "other card"
    other.mkdir()
    run("prepare", bench.plan, "--to", other)
    assert {path.name: path.read_bytes() for path in other.iterdir()} == first


def test_json_has_the_documented_shape(bench: Bench) -> None:
    result = prepare(bench, "--json")
    document = json.loads(result.stdout)
    assert result.stdout.isascii()
    assert (document["command"], document["version"]) == ("prepare", 1)
    assert document["is_prepared"] is True
    assert [disc["action"] for disc in document["discs"]] == ["copy", "build", "copy"]
    assert all(len(disc["digests"]["sha256"]) == 64 for disc in document["discs"])
    assert {disc["confirmed"] for disc in document["discs"]} <= {"device", "cache"}
    assert document["write_size"] == sum(disc["size"] for disc in document["discs"])
    for finding in document["findings"]:
        assert finding["disc"] in (1, 2, 3, None)
        assert finding["rule"]


NOTHING, KEPT = "\nStopped; nothing was written.\n", "\nStopped. What was finished is kept.\n"


@pytest.mark.parametrize(("image", "told"), [(1, NOTHING), (2, KEPT)])
def test_ctrl_c_says_whether_an_image_is_whole(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, image: int, told: str
) -> None:
    read: list[Path] = []

    def stop(path: Path, *, on_bytes: Callable[[int], None]) -> ReadBack:
        read.append(path)
        if len(read) == image:
            raise KeyboardInterrupt
        return read_back_file(path, on_bytes=on_bytes)

    monkeypatch.setattr(staging, "read_back_file", stop)
    result = prepare(bench)
    assert (result.exit_code, result.stderr) == (130, told)
    assert len(bench.images_on_card()) == image - 1
    assert (bench.on_card() == {}) == (told is NOTHING)


@pytest.mark.parametrize(
    ("step", "told"),
    [("refuse_blocked_session", NOTHING), ("stage_session", NOTHING), ("keep_prepared", KEPT)],
)
def test_ctrl_c_before_and_after_the_images(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, step: str, told: str
) -> None:
    def stop(*what: object, **options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(session_prepare, step, stop)
    result = prepare(bench)
    assert (result.exit_code, result.stderr) == (130, told)


@pytest.mark.parametrize("is_tidied", [False, True])
def test_ctrl_c_when_an_older_image_was_removed(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, is_tidied: bool
) -> None:
    bench.write_plan(SYSTEM_DISC, SLIDES_DISC)
    prepare(bench)
    bench.write_plan(SYSTEM_DISC)

    def stop(*what: object, **options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(preparing, "stage_discs", stop)
    result = prepare(bench, *["--tidy"] * is_tidied)
    assert (result.exit_code, result.stderr) == (130, KEPT if is_tidied else NOTHING)
    assert len(bench.images_on_card()) == 2 - is_tidied


def test_a_dry_run_changes_nothing(bench: Bench) -> None:
    result = prepare(bench, "--dry-run")
    assert result.exit_code == 0
    assert bench.on_card() == {}
    assert "to copy, about" in result.stdout
    assert "Nothing was changed." in result.stdout
    document = json.loads(prepare(bench, "--dry-run", "--json").stdout)
    assert (document["is_prepared"], document["is_dry_run"]) == (False, True)
    assert document["discs"][0]["digests"] is None
    assert document["seconds"] >= 1


def test_a_dry_run_says_what_the_run_does(bench: Bench) -> None:
    """Own behaviour: of a card that had all discs it said "build", and asked for their room."""
    prepare(bench)
    before = json.loads(prepare(bench, "--dry-run", "--json").stdout)
    after = json.loads(prepare(bench, "--json").stdout)
    actions = [[disc["action"] for disc in document["discs"]] for document in (before, after)]
    assert actions == [["keep"] * 3] * 2


def damage(bench: Bench) -> None:
    data = bench.slides.read_bytes()
    bench.slides.write_bytes(data[: len(data) * 2 // 3])


def test_errors_end_with_exit_code_12_after_they_are_listed(bench: Bench) -> None:
    damage(bench)
    result = prepare(bench)
    assert result.exit_code == 12
    assert "-- disc 3, SLIDES" in result.stdout
    assert "image-is-whole" in result.stdout
    assert "nothing was copied" in result.stderr
    assert bench.on_card() == {}
    result = prepare(bench, "--json")
    assert result.exit_code == 12
    document = json.loads(result.stdout)
    assert document["is_prepared"] is False
    assert "image-is-whole" in {finding["rule"] for finding in document["findings"]}
    assert prepare(bench, "--dry-run").exit_code == 12


def test_anyway_goes_on_and_says_so(bench: Bench) -> None:
    damage(bench)
    result = prepare(bench, "--anyway")
    assert result.exit_code == 1  # the findings are still there
    assert "recorded as open in the manifest" in result.stdout
    sheet = " ".join((bench.card / "run-sheet.txt").read_text().split())
    assert "Errors for: win9x" in sheet
    assert prepare(bench, "--anyway", "--fail-on", "never").exit_code == 0
    # The copy is what the manifest says, so the card itself is sound.
    assert "card-" not in run("manifest", bench.card).stdout


@pytest.mark.parametrize("columns", [40, 60, 200])
def test_any_width_is_enough(bench: Bench, columns: int) -> None:
    damage(bench)
    lines = prepare(bench, "--anyway", columns=columns).stdout.splitlines()
    long = [line for line in lines if len(line) > columns and " " in line.strip()]
    assert long == []


def test_quiet_prints_only_what_needs_attention(bench: Bench) -> None:
    assert prepare(bench, "-q").stdout == ""
    damage(bench)
    result = prepare(bench, "-q", "--anyway")
    assert "image-is-whole" in result.stdout
    assert "note " not in result.stdout


def test_what_the_machine_needs_comes_in_the_order_of_acting(bench: Bench) -> None:
    plan = bench.plan.read_text().replace('machine = "Kiosk PC, 1999"\n', "")
    machine = '[machine]\nmemory = "2GB"\ndisk = "160GB"\nfirmware = "uefi"\n\n[[disc]]'
    bench.plan.write_text(plan.replace("[[disc]]", machine, 1))
    prepare(bench)
    wanted = ["UEFI firmware", "the file cache can leave", "28-bit addressing", "modulo 64 GB"]
    shown = " ".join(prepare(bench).stdout.split())
    sheet = " ".join((bench.card / "run-sheet.txt").read_text().split())
    for text in (shown, sheet):
        places = [text.index(words) for words in wanted]
        assert places == sorted(places)


def test_pad_is_an_option_too_and_is_said(bench: Bench) -> None:
    small = make_iso({"A.TXT": b"a"}, label="SMALL", joliet=3)
    (bench.folder / "library" / "small.iso").write_bytes(small.data)
    bench.write_plan('image = "library/small.iso"')
    assert prepare(bench).exit_code == 12
    result = prepare(bench, "--pad")
    assert result.exit_code == 0, result.output
    assert "copy, padded" in result.stdout
    document = json.loads(prepare(bench, "--pad", "--json").stdout)
    (disc,) = document["discs"]
    assert disc["padding"] == 300 * 2048 - len(small.data)
    assert (disc["action"], disc["track"], disc["size"]) == ("keep", None, 300 * 2048)
    assert disc["code"] in disc["path"]


def test_tidy_names_what_it_removed(bench: Bench) -> None:
    prepare(bench)
    bench.write_plan(SYSTEM_DISC)
    assert "2 files of earlier sessions" in prepare(bench).stdout
    result = prepare(bench, "--tidy")
    assert "removed: 02-X2C-KIOSKDRV.iso" in result.stdout
    assert bench.images_on_card() == ["01-K4E-KIOSK-SYSTEM.iso"]


@pytest.mark.parametrize(
    ("plan", "exit_code", "message"),
    [
        (None, 3, "does not exist"),
        ("name = 1", 6, "name is 1, expected text"),
        ('name = "n"\ntargets = ["dos"]\n[[disc]]\nimage = "x.iso"', 6, "x.iso does not exist"),
        ('name = "n"\ntargets = ["doz"]\n[[disc]]\nimage = "library/system.iso"', 7, "'dos'"),
    ],
)
def test_errors_end_with_their_exit_codes(
    bench: Bench, plan: str | None, exit_code: int, message: str
) -> None:
    if plan is None:
        bench.plan.unlink()
    else:
        bench.plan.write_text(plan)
    result = prepare(bench)
    assert result.exit_code == exit_code
    assert message in result.stderr


def test_a_missing_card_ends_with_exit_code_13(bench: Bench) -> None:
    bench.card.rmdir()
    result = prepare(bench)
    assert result.exit_code == 13
    assert "plug the card in" in result.stderr


def test_a_moment_that_is_none_is_a_usage_error(bench: Bench) -> None:
    result = run("prepare", bench.plan, "--to", bench.card, epoch="yesterday")
    assert result.exit_code == 2
    assert "SOURCE_DATE_EPOCH is 'yesterday'" in result.stderr


def test_the_catalogue_finds_discs_and_notices_decay(bench: Bench) -> None:
    catalogue = bench.folder / "catalogue.sqlite"
    assert run("shelf", "add", bench.system.parent, "--catalogue", catalogue).exit_code == 0
    assert run("scan", "--catalogue", catalogue).exit_code == 0
    bench.write_plan('find = "kiosk system"')
    result = prepare(bench, "--catalogue", catalogue)
    assert result.exit_code == 0, result.output
    assert bench.images_on_card() == ["01-K4E-KIOSK-SYSTEM.iso"]
    status = bench.system.stat()
    with bench.system.open("r+b") as stream:
        stream.seek(1_900_000)
        stream.write(b"rot")
    os.utime(bench.system, ns=(status.st_atime_ns, status.st_mtime_ns))
    result = prepare(bench, "--catalogue", catalogue)
    assert result.exit_code == 12
    assert "bytes-as-recorded" in result.stdout


def test_a_good_copy_in_place_of_a_damaged_one_is_welcome(bench: Bench) -> None:
    """The digest of an image that was damaged when it was recorded vouches for nothing."""
    good = bench.slides.read_bytes()
    bench.slides.write_bytes(good[: len(good) // 2])
    catalogue = bench.folder / "catalogue.sqlite"
    run("shelf", "add", bench.system.parent, "--catalogue", catalogue)
    run("scan", "--catalogue", catalogue)
    assert prepare(bench, "--catalogue", catalogue).exit_code == 12
    bench.slides.write_bytes(good)
    assert prepare(bench, "--catalogue", catalogue).exit_code == 0


def test_hostile_names_do_not_reach_the_terminal_raw(bench: Bench) -> None:
    hostile = make_iso({"A.TXT": noise("a", 700_000)}, label="\x1b[2JPWNED", joliet=3)
    name = "slides\x1b]0;x\x07.iso"
    (bench.folder / "library" / name).write_bytes(hostile.data)
    bench.write_plan('image = "library/slides\\u001b]0;x\\u0007.iso"\npurpose = "\\u001b[2J"')
    for options in ([], ["--json"], ["--anyway"]):
        result = prepare(bench, *options)
        assert "\x1b" not in result.stdout + result.stderr
        assert "\x07" not in result.stdout + result.stderr
    for path in bench.card.glob("run-sheet.*"):
        assert "\x1b" not in path.read_text()
