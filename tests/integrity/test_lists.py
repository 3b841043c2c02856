"""Folders against checksum lists, and lists against the programs that others check them with."""

from __future__ import annotations

import os
import shutil
import subprocess
import zlib
from pathlib import Path

import pytest

from mediashelf.errors import InputError, OutputError
from mediashelf.findings import Severity
from mediashelf.formats.lists.values import ListForm
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.lists import reading
from mediashelf.integrity.lists.comparing import compare_with_lists
from mediashelf.integrity.lists.reading import ListReport, ListState
from mediashelf.integrity.lists.writing import write_list

FILES = {
    "read me.txt": b"tide tables",
    "a/one.sys": b"1" * 5000,
    "a/b/two.sys": b"2" * 70000,
    "empty": b"",
    "back\\slash": b"3",
    "line\nbreak": b"4",
    "return\rhere": b"5",
    " lead": b"6",
    "*star": b"7",
    "(x) = y": b"8",
    "été": b"9",
}
if os.name == "nt":  # which has no such characters in names of files
    FILES = {name: data for name, data in FILES.items() if not set(name) & set("\\\n\r*")}
COREUTILS = {"md5": "md5sum", "sha1": "sha1sum", "sha256": "sha256sum", "sha512": "sha512sum"}
COREUTILS["b2"] = "b2sum"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = tmp_path / "files"
    for name, data in FILES.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return root


def states(report: ListReport) -> dict[str, str]:
    return {row.name: row.state.value for row in report.rows}


def run(*command: str, cwd: Path) -> subprocess.CompletedProcess[bytes]:
    program = shutil.which(command[0])
    if program is None:
        pytest.skip(f"{command[0]} is not installed")
    return subprocess.run([program, *command[1:]], cwd=cwd, capture_output=True, check=False)


@pytest.mark.parametrize("form", [ListForm.PLAIN, ListForm.TAGGED])
@pytest.mark.parametrize("algorithm", sorted(COREUTILS))
def test_coreutils_accepts_our_lists(folder: Path, algorithm: str, form: ListForm) -> None:
    output = folder.parent / "list"
    written = write_list(folder, output, algorithm=algorithm, form=form)
    assert written.file_count == len(FILES)
    assert not written.findings
    done = run(COREUTILS[algorithm], "-c", "--strict", str(output), cwd=folder)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(b": OK") == len(FILES)


def test_coreutils_accepts_our_reversed_list(folder: Path) -> None:
    odd = FILES.keys() & {" lead", "*star"}
    for name in odd:
        (folder / name).unlink()
    output = folder.parent / "list"
    assert not write_list(folder, output, form=ListForm.REVERSED).findings
    done = run("sha256sum", "-c", "--strict", str(output), cwd=folder)
    assert (done.returncode, done.stdout.count(b": OK")) == (0, len(FILES) - len(odd))


@pytest.mark.parametrize("tag", [[], ["--tag"]])
@pytest.mark.parametrize("algorithm", sorted(COREUTILS))
def test_we_accept_coreutils_lists(folder: Path, algorithm: str, tag: list[str]) -> None:
    done = run(COREUTILS[algorithm], *tag, *FILES, cwd=folder)
    assert done.returncode == 0
    output = folder.parent / "list"
    output.write_bytes(done.stdout)
    report = compare_with_lists(folder, [output])
    assert report.counts[ListState.EQUAL] == len(FILES) == len(report.rows)
    assert not report.findings
    assert {row.algorithm for row in report.rows} == {algorithm}


# The installed xxhsum may be too old to know escaped names (it learned them after 0.8.1).
PLAIN_NAMES = [name for name in FILES if not set(name) & set("\\\n\r")]


@pytest.mark.parametrize(
    ("algorithm", "switch", "form"),
    [
        ("xxh32", "-H0", ListForm.PLAIN),
        ("xxh64", "-H1", ListForm.PLAIN),
        ("xxh64", "-H1", ListForm.TAGGED),
        ("xxh3_128", "-H2", ListForm.PLAIN),
        ("xxh3_128", "-H2", ListForm.TAGGED),
        ("xxh3_64", "-H3", ListForm.TAGGED),
    ],
)
def test_xxhsum_in_both_directions(
    folder: Path, algorithm: str, switch: str, form: ListForm
) -> None:
    for name in FILES:
        if name not in PLAIN_NAMES:
            (folder / name).unlink()
    ours = folder.parent / "list"
    assert not write_list(folder, ours, algorithm=algorithm, form=form).findings
    done = run("xxhsum", "-c", "--strict", str(ours), cwd=folder)
    assert (done.returncode, done.stdout.count(b": OK")) == (0, len(PLAIN_NAMES)), done.stderr
    tag = ["--tag"] if form is ListForm.TAGGED else []
    theirs = folder.parent / "theirs"
    theirs.write_bytes(run("xxhsum", switch, *tag, *PLAIN_NAMES, cwd=folder).stdout)
    report = compare_with_lists(folder, [theirs])
    assert report.counts[ListState.EQUAL] == len(PLAIN_NAMES) == len(report.rows)
    assert {row.algorithm for row in report.rows} == {algorithm}


def test_sfv_is_written_and_read(folder: Path) -> None:
    output = folder / "all.sfv"
    written = write_list(folder, output, algorithm="crc32", form=ListForm.SFV)
    left_out = {finding.where for finding in written.findings}
    assert left_out == FILES.keys() & {"line\nbreak", "return\rhere", " lead"}
    crc = zlib.crc32(FILES["a/one.sys"])
    assert f"a/one.sys {crc:08X}\n" in output.read_text("utf-8")
    report = compare_with_lists(folder, [output])
    assert report.counts[ListState.EQUAL] == len(FILES) - len(left_out)
    assert report.counts[ListState.EXTRA] == len(left_out)


def test_each_state_beside_its_control(folder: Path) -> None:
    output = folder.parent / "list"
    write_list(folder, output)
    assert set(states(compare_with_lists(folder, [output])).values()) == {"equal"}
    (folder / "a/one.sys").write_bytes(b"2" * 5000)
    (folder / "a/b/two.sys").rename(folder / "moved.sys")
    (folder / "été").unlink()
    (folder / "new").write_bytes(b"n")
    with output.open("a") as stream:
        stream.write(f"{'0' * 64}  ../list\n{'0' * 64}  C:\\windows\n{'0' * 64}  /etc/passwd\n")
    report = compare_with_lists(folder, [output])
    expected = dict.fromkeys(FILES, "equal") | {
        "a/one.sys": "different",
        "a/b/two.sys": "renamed",
        "été": "absent",
        "new": "extra",
        "../list": "refused",
        "C:\\windows": "refused",
        "/etc/passwd": "refused",
    }
    assert states(report) == expected
    (renamed,) = [row for row in report.rows if row.state is ListState.RENAMED]
    assert renamed.actual_name == "moved.sys"
    assert {finding.rule for finding in report.findings} == {
        "file-matches-its-list",
        "listed-file-keeps-its-name",
        "listed-file-is-present",
        "file-is-listed",
        "listed-name-stays-inside",
    }
    different = next(row for row in report.rows if row.state is ListState.DIFFERENT)
    assert (
        different.found == digest_file(folder / "a/one.sys", algorithms=["sha256"]).whole["sha256"]
    )


def test_files_that_traded_names_are_different_and_found(folder: Path) -> None:
    output = folder.parent / "list"
    write_list(folder, output)
    (folder / "a/one.sys").unlink()
    (folder / "empty").rename(folder / "a/one.sys")
    (folder / "x").write_bytes(FILES["a/one.sys"])
    report = states(compare_with_lists(folder, [output]))
    assert (report["a/one.sys"], report["empty"]) == ("different", "renamed")


def test_moved_files_with_equal_bytes_are_paired_by_their_last_name(tmp_path: Path) -> None:
    for name in ("old/a", "old/b", "old/c"):
        path = tmp_path / "files" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"same")
    output = tmp_path / "list"
    write_list(tmp_path / "files", output)
    (tmp_path / "files/old").rename(tmp_path / "files/new")
    (tmp_path / "files/new/a").rename(tmp_path / "files/new/0")
    report = compare_with_lists(tmp_path / "files", [output])
    found = {row.name: row.actual_name for row in report.rows}
    assert found == {"old/a": "new/0", "old/b": "new/b", "old/c": "new/c"}


def test_every_file_is_read_once_however_many_lists(folder: Path) -> None:
    lists = []
    for algorithm in ("sha256", "md5", "b2"):
        lists.append(folder.parent / algorithm)
        write_list(folder, lists[-1], algorithm=algorithm)
    counted: list[int] = []
    report = compare_with_lists(folder, lists, on_bytes=counted.append)
    total = sum(map(len, FILES.values()))
    assert report.bytes_read == total == sum(counted)
    assert report.files_read == len(FILES)
    assert len(report.rows) == 3 * len(FILES)


def test_unlisted_files_are_read_only_to_find_an_absent_one(folder: Path) -> None:
    output = folder.parent / "list"
    write_list(folder, output)
    (folder / "big").write_bytes(bytes(100_000))
    assert compare_with_lists(folder, [output]).files_read == len(FILES)
    (folder / "empty").unlink()
    assert compare_with_lists(folder, [output]).files_read == len(FILES)  # one gone, "big" searched


def test_a_length_that_fits_two_algorithms_is_settled_by_trying(folder: Path) -> None:
    for algorithm in ("b2", "sha512", "md5", "xxh3_128"):
        output = folder.parent / "list"
        write_list(folder, output, algorithm=algorithm, replace=True)
        report = compare_with_lists(folder, [output])
        assert report.counts[ListState.EQUAL] == len(FILES)
        assert {row.algorithm for row in report.rows} == {algorithm}


def test_other_case_and_separators_are_found_and_noted(tmp_path: Path) -> None:
    (tmp_path / "files/Sub").mkdir(parents=True)
    (tmp_path / "files/Sub/Readme.TXT").write_bytes(b"abc")
    output = tmp_path / "list.md5"
    output.write_bytes(b"900150983cd24fb0d6963f7d28e17f72 *sub\\README.txt\r\n")
    report = compare_with_lists(tmp_path / "files", [output])
    assert states(report) == {"sub\\README.txt": "equal"}
    (finding,) = report.findings
    assert (finding.rule, finding.severity) == ("listed-name-is-exact", Severity.NOTE)
    assert "Sub/Readme.TXT" in finding.message


def test_a_dot_before_a_name_is_no_other_spelling(tmp_path: Path) -> None:
    (tmp_path / "files").mkdir()
    (tmp_path / "files/two  spaces.iso").write_bytes(b"abc")
    output = tmp_path / "list.md5"
    output.write_bytes(b"900150983cd24fb0d6963f7d28e17f72  ./two  spaces.iso\n")
    report = compare_with_lists(tmp_path / "files", [output])
    assert states(report) == {"two  spaces.iso": "equal"}
    assert report.findings == ()


def test_a_name_that_two_files_could_mean_is_absent(tmp_path: Path) -> None:
    (tmp_path / "files").mkdir()
    for name in ("aB", "Ab"):
        (tmp_path / "files" / name).write_bytes(name.encode())
    if len(list((tmp_path / "files").iterdir())) == 1:
        pytest.skip("this file system knows no case")
    output = tmp_path / "list.md5"
    output.write_text("900150983cd24fb0d6963f7d28e17f72  ab\n")
    assert states(compare_with_lists(tmp_path / "files", [output]))["ab"] == "absent"


def test_a_list_inside_the_folder_names_files_beside_itself(folder: Path) -> None:
    write_list(folder / "a", folder / "a" / "SHA256SUMS")
    report = compare_with_lists(folder, [folder / "a" / "SHA256SUMS"])
    named = {row.name for row in report.rows if row.state is ListState.EQUAL}
    assert named == {"a/one.sys", "a/b/two.sys"}
    assert "a/SHA256SUMS" not in states(report)


def test_links_never_lead_out(folder: Path) -> None:
    outside = folder.parent / "outside"
    outside.mkdir()
    (outside / "secret").write_bytes(b"s")
    (folder / "out").symlink_to(outside)
    (folder / "file").symlink_to(outside / "secret")
    (folder / "in").symlink_to(folder / "empty")
    (folder / "loop").symlink_to(folder / "loop")
    output = folder.parent / "list"
    output.write_text("".join(f"{'0' * 64}  {name}\n" for name in ("out/secret", "file", "in")))
    report = compare_with_lists(folder, [output])
    found = states(report)
    assert (found["out/secret"], found["file"], found["in"]) == ("absent", "absent", "different")
    passed_over = {finding.where for finding in report.problems}
    assert passed_over == {"out", "file", "loop"}


def test_pipes_are_passed_over(folder: Path) -> None:
    os.mkfifo(folder / "pipe")
    written = write_list(folder, folder.parent / "list")
    assert [(one.where, one.severity) for one in written.findings] == [("pipe", Severity.NOTE)]


def test_lists_that_say_nothing(folder: Path) -> None:
    output = folder.parent / "list"
    output.write_text("nothing of use\n")
    found = compare_with_lists(folder, [output]).problems
    assert [(one.rule, one.severity) for one in found] == [
        ("list-line-is-understood", Severity.WARNING),
        ("list-names-files", Severity.ERROR),
    ]


def test_an_existing_list_stays_unless_told(folder: Path) -> None:
    output = folder.parent / "list"
    output.write_text("precious")
    with pytest.raises(OutputError):
        write_list(folder, output)
    assert output.read_text() == "precious"
    write_list(folder, output, replace=True)
    assert len(output.read_bytes().splitlines()) == len(FILES)


def test_the_same_files_give_the_same_list(folder: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    for name in reversed(FILES):
        (copy / name).parent.mkdir(parents=True, exist_ok=True)
        (copy / name).write_bytes(FILES[name])
    write_list(folder, tmp_path / "1")
    write_list(copy, tmp_path / "2")
    assert (tmp_path / "1").read_bytes() == (tmp_path / "2").read_bytes()


@pytest.mark.parametrize("name", ["absent", "empty"])
def test_a_folder_that_is_none_is_an_error(folder: Path, name: str) -> None:
    with pytest.raises(InputError):
        compare_with_lists(folder / name, [])
    with pytest.raises(InputError):
        compare_with_lists(folder, [folder / "absent"])


def test_a_list_may_have_its_greatest_size(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    output = folder.parent / "SHA256SUMS"
    write_list(folder, output)
    monkeypatch.setattr(reading, "MAX_LIST_SIZE", output.stat().st_size)
    assert not compare_with_lists(folder, [output]).problems
    with output.open("ab") as stream:
        stream.write(b"#")
    with pytest.raises(InputError, match="this is not a checksum list"):
        compare_with_lists(folder, [output])


@pytest.mark.parametrize("change", [b"\t %s", b"  %s", b"%s\r"])
def test_blanks_before_a_line_and_tabs_in_it_mean_nothing(folder: Path, change: bytes) -> None:
    """As to ``sha256sum -c``, whose answer is asked for (coreutils 9.1: split_3)."""
    output = folder / "SHA256SUMS"
    lines = run("sha256sum", "read me.txt", "a/one.sys", cwd=folder).stdout.splitlines()
    lines[1] = lines[1].replace(b"  ", b"\t ")
    output.write_bytes(b"".join(change % line + b"\n" for line in lines))
    done = run("sha256sum", "-c", "--strict", output.name, cwd=folder)
    assert (done.returncode, done.stdout.count(b": OK")) == (0, 2)
    report = compare_with_lists(folder, [output])
    assert report.counts[ListState.EQUAL] == 2
    assert not report.problems


def test_a_renamed_file_is_one_in_every_list_that_names_it(tmp_path: Path) -> None:
    """Own behaviour: the second list said that no other file has the digest."""
    folder = tmp_path / "files"
    folder.mkdir()
    (folder / "old.iso").write_bytes(b"tide tables")
    lists = [tmp_path / algorithm for algorithm in ("md5", "sha256")]
    for output in lists:
        write_list(folder, output, algorithm=output.name)
    (folder / "old.iso").rename(folder / "new.iso")
    report = compare_with_lists(folder, [*lists, lists[0]])
    assert [(row.state, row.actual_name) for row in report.rows] == [
        (ListState.RENAMED, "new.iso")
    ] * 3


def test_an_absent_file_whose_copy_is_here_is_said_to_have_one(tmp_path: Path) -> None:
    """Own behaviour: it was said that no other file has its digest."""
    folder = tmp_path / "files"
    folder.mkdir()
    for name in ("one.iso", "two.iso"):
        (folder / name).write_bytes(b"tide tables")
    output = tmp_path / "list"
    write_list(folder, output)
    (folder / "two.iso").unlink()
    report = compare_with_lists(folder, [output])
    assert states(report) == {"one.iso": "equal", "two.iso": "absent"}
    (finding,) = report.findings
    assert "one.iso, which is named itself, has its digest" in finding.message
    assert "no other file" not in finding.message
