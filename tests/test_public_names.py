"""The names for scripts: all there, typed, and loaded only when they are used (own behaviour)."""

from __future__ import annotations

import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import mediashelf
from mediashelf.cli.main import main


@pytest.mark.parametrize("name", mediashelf.__all__)
def test_a_public_name_is_there_with_a_docstring(name: str) -> None:
    value = getattr(mediashelf, name)
    assert inspect.getdoc(value)
    assert name in (mediashelf.__doc__ or "") or inspect.isclass(value)


def test_another_name_is_none() -> None:
    with pytest.raises(AttributeError, match="no attribute 'burn'"):
        _ = mediashelf.burn


def test_importing_the_package_loads_nothing_else() -> None:
    code = "import sys, mediashelf; print([n for n in sys.modules if n.startswith('mediashelf.')])"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_from_folders_to_a_disc_and_its_entries(tmp_path: Path) -> None:
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "larkspur video.inf").write_bytes(b"[Version]\r\n")
    recipe = mediashelf.recipe_from_folders([tmp_path / "drivers"])
    targets = mediashelf.load_targets()
    planned = mediashelf.plan_recipe(recipe, [targets["win9x"]])
    mediashelf.build_disc(planned.plans[0], tmp_path / "drivers.iso")
    with mediashelf.open_image(tmp_path / "drivers.iso") as image:
        paths = {entry.path for volume in image.facts.volumes for entry in volume.entries}
    assert "/larkspur video.inf" in paths
    with pytest.raises(mediashelf.MediashelfError):
        mediashelf.open_image(tmp_path / "nothing.iso")


def test_the_lines_in_the_readme_run_on_the_example(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    readme = Path(__file__).parents[1] / "README.md"
    (lines,) = re.findall(r"^```python\n(.*?)^```$", readme.read_text("utf-8"), re.M | re.S)
    CliRunner().invoke(main, ["demo", str(tmp_path / "kiosk")])
    monkeypatch.chdir(tmp_path / "kiosk")
    exec(compile(lines, "README.md", "exec"), {})
    told = capsys.readouterr().out.splitlines()
    assert told[0] == "KIOSKDRV 26"
    assert "Quillon Audio 16 incomplete" in told
    assert "kiosk-system (attic copy).iso decayed" in told
    assert told[-1] == "01-K4E-KIOSK-SYSTEM.iso"
