"""What ``mediashelf mend`` prints: JSON, narrow terminals, quiet, wrong usage."""

from __future__ import annotations

from typing import Any

import pytest

from cli_runs import Shelf
from made_library import write
from mediashelf.errors import InputError, OutputError
from mended_shelf import BLOCKED, MIB, TIDE, copies, flat, spoiled


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["home/tide.iso"], "Name the image to write with -o"),
        (["home/tide.iso", "x.iso", "-n"], "Say which files are the copies"),
        (["{folder}/elsewhere/0.iso", "-n"], "give at least two other copies with --from"),
        (["home/tide.iso", "-n", "--tries", "-1"], "--tries"),
    ],
)
def test_wrong_usage(shelf: Shelf, arguments: list[str], words: str) -> None:
    copies(shelf, TIDE)
    given = [argument.format(folder=shelf.folder) for argument in arguments]
    assert words in flat(shelf.run("mend", *given, code=2).stderr)


def test_wrong_files(shelf: Shelf) -> None:
    [copy] = copies(shelf, TIDE)
    wrong, refused = InputError.exit_code, OutputError.exit_code
    tide, output = shelf.home / "tide.iso", shelf.folder / "x.iso"
    assert "is a folder" in shelf.run("mend", shelf.home, "-n", code=wrong).stderr
    shelf.run("mend", shelf.home / "gone.iso", "--from", copy, "-n", code=wrong)
    shelf.run("mend", tide, "--from", shelf.folder / "gone.iso", "-o", output, code=wrong)
    result = shelf.run("mend", tide, "--from", copy, "-o", tide, code=refused)
    assert "is the image itself" in result.stderr
    result = shelf.run("mend", tide, "--from", copy, "-o", copy, "--replace", code=refused)
    assert "is one of the copies" in result.stderr
    assert not output.exists()


def test_json(shelf: Shelf) -> None:
    shared = 2 * MIB
    first, second = copies(shelf, spoiled(shared), spoiled(4 * MIB, shared + 3 * 2048))
    output = shelf.folder / "mended.iso"
    document: dict[str, Any] = shelf.json(
        "mend", "home/tide.iso", "--from", first, "--from", second, "-o", output
    )
    assert list(document) == [
        "command",
        "version",
        "image",
        "output",
        "dry_run",
        "outcome",
        "is_written",
        "size",
        "block_size",
        "digests",
        "proved_by",
        "files",
        "parts",
        "touched",
        "findings",
    ]
    assert (document["command"], document["version"]) == ("mend", 1)
    assert document["is_written"] is True
    assert document["digests"] == document["proved_by"]["digests"]
    assert document["files"][1] == {
        "file": str(first),
        "size": len(TIDE),
        "sectors_given": 2,
        "sectors_unreadable": 0,
        "sectors_blank": 0,
        "sectors_overruled": 0,
        "blocks_sampled": 0,
        "blocks_sampled_right": 0,
    }
    changed = {
        "offset": shared + 2 * 2048,
        "length": 2048,
        "first_lba": shared // 2048 + 2,
        "last_lba": shared // 2048 + 2,
    }
    part = document["parts"][0]
    assert (part["how"], part["from"], part["changed"]) == ("sectors", [1], [changed])
    assert (part["first_lba"], part["last_lba"], part["possible"]) == (1024, 1535, 8)
    assert document["parts"][1]["how"] == "copy"
    assert document["touched"]["open"] == []
    assert [each["path"] for each in document["touched"]["mended"]] == ["/FILLER.DAT"]
    assert document["findings"] == []


def test_json_of_what_was_refused(shelf: Shelf) -> None:
    # Both hold wrong bytes in all of one block: more combinations than JSON numbers keep.
    [copy] = copies(shelf, spoiled(2 * MIB, length=MIB))
    document = shelf.json(
        "mend",
        "home/tide.iso",
        "--from",
        copy,
        "-o",
        shelf.folder / "x.iso",
        "--tries",
        "9",
        code=BLOCKED,
    )
    assert document["outcome"] == "incomplete"
    assert document["is_written"] is False
    [part] = [each for each in document["parts"] if each["how"] == "not-mended"]
    assert (part["tried"], part["possible"]) == (9, None)
    assert "of about 10^154" in document["findings"][0]["message"]


def test_quiet(shelf: Shelf) -> None:
    [copy] = copies(shelf, TIDE + b"padding")
    output = shelf.folder / "mended.iso"
    arguments = ["mend", "home/tide.iso", "-q", "--from"]
    assert shelf.run(*arguments, copy, "-o", output).output == ""
    [copy] = copies(shelf, spoiled(2 * MIB + 5000))
    out = shelf.run(*arguments, copy, "-o", output, "--replace", code=BLOCKED).stdout
    assert out.startswith("error block-can-be-mended")
    assert output.read_bytes() == TIDE


def test_forty_columns(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(shelf.folder)
    shelf.width = 40
    copies(shelf, spoiled(2 * MIB), spoiled(2 * MIB + 5000), spoiled(5000))
    names = [f"elsewhere/{number}.iso" for number in range(3)]
    runs = [
        shelf.run("mend", "home/tide.iso", "--from", names[0], "-o", "a.iso"),
        shelf.run("mend", "home/tide.iso", "--from", names[1], "-o", "b.iso", code=BLOCKED),
        shelf.run("mend", names[0], "--from", *names[1:], "-o", "c.iso", code=1),
        shelf.run("mend", names[0], "--from", names[1], "-o", "d.iso", code=BLOCKED),
    ]
    for result in runs:
        assert max(map(len, result.stdout.splitlines())) <= 40


def test_names_cannot_steer_a_terminal(shelf: Shelf) -> None:
    copy = write(shelf.folder / "c\x1b[31m\u202e.iso", TIDE + b"padding")
    result = shelf.run("mend", "home/tide.iso", "--from", copy, "-o", shelf.folder / "m\x1b]0;.iso")
    assert "\x1b" not in result.output
    assert "\u202e" not in result.output


def test_many_parts_are_counted(shelf: Shelf) -> None:
    places = [2048 * number for number in range(40, 2400, 60)]
    image, *others = copies(shelf, spoiled(*places), TIDE, TIDE)
    out = shelf.run("mend", image, "--from", *others, "-n", code=1).stdout
    assert "… and 28 more parts; --json lists all" in out
