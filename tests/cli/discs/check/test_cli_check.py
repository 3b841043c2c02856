"""The ``check`` command on real images, folders and recipes: what it judges, and for whom."""

from __future__ import annotations

from pathlib import Path

import pytest

from check_runs import FILES, LONG_NAMES, ROOM, read, rules, run
from make_image import Boot, make_iso


def test_a_sound_image_is_read_by_all(sound: Path) -> None:
    result = run(sound)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    for target in ("dos", "win9x", "nt4", "nt5", "nt6"):
        row = next(line for line in lines if line.startswith(f"{target} "))
        assert "  reads it  " in row
    assert "structure: no findings; emulator: serves it whole" in result.stdout
    assert "overlaps not checked, contents of files not read" in result.stdout.replace("\n", " ")
    assert "long-name-seen" not in result.stdout  # in short
    assert "--target NAME" in result.stdout


def test_a_named_target_is_shown_in_full(sound: Path) -> None:
    result = run(sound, "--target", "dos")
    assert result.exit_code == 0
    assert "note long-name-seen [dos]" in result.stdout
    assert "/DRIVERS/LKVX3.INF" in result.stdout
    assert 'its long name "Larkspur video.inf" is not' in " ".join(result.stdout.split())
    assert "source: Microsoft KB Q142372" in result.stdout
    assert "nt5" not in result.stdout


@pytest.mark.parametrize(
    ("fail_on", "target", "code"),
    [
        ("error", "dos", 1),
        ("warning", "dos", 1),
        ("never", "dos", 0),
        ("error", "nt4", 0),  # a warning: lower case in the ISO tree
        ("warning", "nt4", 1),
        ("note", "nt6", 1),  # a note: no Joliet tree
        ("warning", "nt6", 0),
    ],
)
def test_the_exit_code_follows_fail_on(
    tmp_path: Path, fail_on: str, target: str, code: int
) -> None:
    image = make_iso({"longer-name.text": b"x"}, **ROOM).save(tmp_path / "a.iso")
    result = run(image, "-t", target, "--fail-on", fail_on)
    assert result.exit_code == code


def test_names_of_a_real_image(tmp_path: Path) -> None:
    image = make_iso(
        {"LONGNAMES.TXT": b"a", "NUL.TXT": b"b", "OK.TXT": b"c"},
        joliet=True,
        long_names={"NUL.TXT": "nul.txt", "OK.TXT": "bad<name>.txt"},
        **ROOM,
    ).save(tmp_path / "a.iso")
    found = rules(read(image))
    assert {
        ("dos", "iso-name-form"),
        ("dos", "device-name-with-extension"),
        ("win9x", "device-name-with-extension"),
        ("nt5", "name-characters"),
        ("win9x", "first-phase-reads"),
    } <= found
    assert ("nt5", "iso-name-form") not in found
    assert ("dos", "name-characters") not in found


def test_boot_method_of_real_images(tmp_path: Path) -> None:
    floppy = make_iso(FILES, joliet=True, boot=Boot(bytes(1_474_560), media=2), **ROOM)
    found = rules(read(floppy.save(tmp_path / "floppy.iso")))
    assert {("nt4", "boot-method"), ("nt5", "boot-method")} <= found
    assert ("dos", "boot-method") not in found
    loader = make_iso(FILES, joliet=True, boot=Boot(bytes(2048)), **ROOM)
    found = rules(read(loader.save(tmp_path / "loader.iso")))
    assert ("dos", "boot-method") in found
    assert ("nt4", "boot-method") not in found


def test_rock_ridge_names_of_a_real_image(tmp_path: Path) -> None:
    made = make_iso(FILES, rock_ridge=True, long_names=LONG_NAMES, **ROOM)
    found = rules(read(made.save(tmp_path / "a.iso")))
    assert {(name, "names-outside-rockridge") for name in ("dos", "win9x", "nt4", "nt5")} <= found


def test_sections_of_a_real_image(tmp_path: Path) -> None:
    made = make_iso({"BIG.CAB": bytes(10_000)}, sections={"BIG.CAB": 4096}, joliet=True, **ROOM)
    found = rules(read(made.save(tmp_path / "a.iso")))
    assert {("dos", "single-section"), ("win9x", "single-section")} <= found
    assert ("nt4", "single-section") not in found


def test_udf_of_a_real_image_is_taken_into_account(tmp_path: Path) -> None:
    made = make_iso(FILES, udf="NSR03", udf_revision=0x0250, **ROOM)
    found = rules(read(made.save(tmp_path / "a.iso")))
    assert ("nt5", "udf-readable") in found
    assert ("nt6", "udf-readable") not in found


def test_offsets_lead_to_the_directory_record(tmp_path: Path) -> None:
    made = make_iso({"LONGNAMES.TXT": b"a"}, **ROOM)
    document = read(made.save(tmp_path / "a.iso"), "-t", "dos")
    [finding] = [
        item for item in document["inputs"][0]["findings"] if item["rule"] == "iso-name-form"
    ]
    assert finding["offset"] == made.record("/LONGNAMES.TXT")


def test_the_emulators_limits_stand_apart(tmp_path: Path) -> None:
    image = make_iso(FILES, joliet=True).save(tmp_path / "small.iso")
    result = run(image, "-t", "nt5")
    assert result.exit_code == 1
    assert "emulator: does not serve it whole" in " ".join(result.stdout.split())
    assert "error emulator-smallest-disc" in result.stdout
    assert rules(read(image), "emulator") == {("", "emulator-smallest-disc")}


def test_a_folder_is_planned_and_nothing_is_written(folder: Path) -> None:
    before = sorted(folder.rglob("*"))
    result = run(folder, "-t", "dos", "-t", "nt5")
    assert result.exit_code == 0
    assert "planned from a folder" in result.stdout
    assert "plan: no findings" in result.stdout
    assert "long-name-seen" in result.stdout
    assert sorted(folder.rglob("*")) == before


def test_what_the_planner_says_stands_apart(tmp_path: Path) -> None:
    place = tmp_path / "in" / "/".join("abcdefghi")
    place.mkdir(parents=True)
    (place / "f.txt").write_text("x")
    result = run(tmp_path / "in", "-t", "dos")
    assert "-- plan" in result.stdout
    assert "warning moved-for-depth" in result.stdout
    document = read(tmp_path / "in", "-t", "dos")
    assert ("", "moved-for-depth") in rules(document, "plan")
    assert ("dos", "directory-depth") not in rules(document)  # it was moved


def test_a_recipe_is_checked_for_its_own_targets(folder: Path) -> None:
    recipe = folder.parent / "disc.toml"
    recipe.write_text('label = "KIOSK"\ntargets = ["nt4"]\n[[folder]]\nfrom = "drivers"\n')
    result = run(recipe)
    assert result.exit_code == 0
    assert "planned from a recipe" in result.stdout
    assert "-- nt4" in result.stdout
    assert "dos" not in result.stdout
    assert {target for target, _ in rules(read(recipe))} == {"nt4"}
    document = read(recipe, "-t", "dos")
    assert [item["target"] for item in document["inputs"][0]["targets"]] == ["dos"]


def test_an_unknown_target_in_a_recipe_is_an_error(folder: Path) -> None:
    recipe = folder.parent / "disc.toml"
    recipe.write_text('targets = ["nt44"]\n[[folder]]\nfrom = "drivers"\n')
    result = run(recipe)
    assert result.exit_code == 7
    assert "did you mean 'nt4'?" in result.stderr


def test_own_targets_are_asked_too(sound: Path, tmp_path: Path) -> None:
    targets = tmp_path / "targets"
    targets.mkdir()
    (targets / "strict.toml").write_text(
        'based_on = "nt5"\n[limits.path_length]\nvalue = 10\nsource = "tried on the bench"\n'
    )
    result = run(sound, "--targets-folder", targets)
    assert result.exit_code == 1
    assert "strict" in result.stdout
    result = run(sound, "--targets-folder", targets, "-t", "strict")
    assert "source: tried on the bench" in result.stdout
    assert "error path-length [strict]" in result.stdout


def test_a_wrong_target_file_is_an_error_of_its_own(sound: Path, tmp_path: Path) -> None:
    targets = tmp_path / "targets"
    targets.mkdir()
    (targets / "strict.toml").write_text('bassed_on = "nt5"\n')
    result = run(sound, "--targets-folder", targets)
    assert (result.exit_code, result.stdout) == (7, "")
    assert "strict.toml: unknown key 'bassed_on'" in result.stderr


def test_an_unknown_target_is_an_error(sound: Path) -> None:
    result = run(sound, "-t", "win98")
    assert (result.exit_code, result.stdout) == (7, "")
    assert "did you mean 'win9x'?" in result.stderr
