"""Discs of a series: whole packages, real sizes, an index of all on each, all or none."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

import pytest
from msgspec.structs import replace

from build_trees import write_tree
from driver_packages import inf, noise, package
from mediashelf.building.pages.disc_pages import DriverRow, DriverTable, PagesSize, tables_size
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.planning.listing import list_sources
from mediashelf.building.recipes.capacity import Capacity
from mediashelf.building.recipes.recipe import BootImage, Recipe, SourceFolder
from mediashelf.building.spread.finding_units import find_units
from mediashelf.building.spread.measuring import Measure
from mediashelf.building.spread.room import DiscRoom
from mediashelf.building.spread.series import DiscSeries, file_names, plan_series, with_tables
from mediashelf.building.spread.units import Unit, take_apart
from mediashelf.building.writing import write
from mediashelf.building.writing.write import build_discs
from mediashelf.errors import BuildError, OutputError
from mediashelf.findings import Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image

KIB = 1024


def recipe_of(*sources: SourceFolder, sectors: int, **options: object) -> Recipe:
    capacity = Capacity(f"{sectors} sectors", sectors)
    return Recipe("Kiosk", sources, capacity=capacity, **options)  # type: ignore[arg-type]


def planned(*sources: SourceFolder, sectors: int, **options: object) -> DiscSeries:
    recipe = recipe_of(*sources, sectors=sectors, **options)
    return plan_series(recipe, list_sources(recipe))


def tops(series: DiscSeries) -> list[list[str]]:
    return [[unit.name for unit in units] for units in series.units]


def room_of(measure: Measure, units: list[Unit]) -> DiscRoom:
    return DiscRoom(measure, units, [measure.measure((unit,)) for unit in units])


def ten_packages(tmp_path: Path) -> Path:
    files: dict[str, bytes] = {}
    for number in range(10):
        files |= package(f"P{number}", 100 * KIB)
    return write_tree(tmp_path / "top", files)


def test_packages_are_spread_in_sequence(tmp_path: Path) -> None:
    top = ten_packages(tmp_path)
    # A package takes 50 sectors and its INF and folders a few more: four on 256 sectors.
    series = planned(SourceFolder(top), sectors=280)
    assert [len(units) for units in series.units] == [4, 4, 2]
    assert [name for names in tops(series) for name in names] == [f"/P{n}" for n in range(10)]
    for plan in series.plans:
        assert plan.layout.used_sectors <= 280


def test_every_disc_is_a_disc_of_its_own(tmp_path: Path) -> None:
    series = planned(SourceFolder(ten_packages(tmp_path)), sectors=280)
    outputs = [tmp_path / name for name in file_names("Kiosk", len(series.plans))]
    assert [path.name for path in outputs] == ["kiosk-1.iso", "kiosk-2.iso", "kiosk-3.iso"]
    built = build_discs(series.plans, outputs)
    seen: dict[str, str] = {}
    for number, (disc, output) in enumerate(zip(built, outputs, strict=True), 1):
        with open_image(output) as image:
            assert image.findings == ()
            iso, joliet = image.facts.volumes
            assert (iso.label, joliet.label) == (f"KIOSK_{number}", f"Kiosk {number}")
            for entry in joliet.files:
                digest = hashlib.sha256(image.read_file(entry, 1 << 20)).hexdigest()
                assert disc.digests[entry.path] == digest
                if not entry.path.startswith("/INDEX."):
                    assert entry.path not in seen
                    seen[entry.path] = digest
    expected = {
        f"/P{number}/LKV.{kind}": hashlib.sha256(data).hexdigest()
        for number in range(10)
        for kind, data in (("INF", inf()), ("SYS", noise(f"P{number}", 100 * KIB)))
    }
    assert seen == expected


def test_the_index_of_all_is_on_each(tmp_path: Path) -> None:
    top = write_tree(
        tmp_path / "top",
        {
            **package("Larkspur Video", 300 * KIB),
            **package("Larkspur Vintage", 300 * KIB),
            "READ ME.TXT": b"r",
        },
    )
    series = planned(SourceFolder(top), sectors=300)
    assert tops(series) == [["/", "/Larkspur Video"], ["/Larkspur Vintage"]]
    outputs = [tmp_path / "1.iso", tmp_path / "2.iso"]
    build_discs(series.plans, outputs)
    page = pages_on(outputs[1])
    text = page["/INDEX.TXT"].decode("ascii").replace("\r\n", "\n")
    assert "What is on Kiosk\n\nThis is disc 2 of 2.\n" in text
    size = f"{300 * KIB + len(inf()):,} bytes"
    video = line("\\LARKSPUR", size)
    assert (
        "\nAll discs\n\n"
        "disc 1: Kiosk 1\n"
        f"{line(chr(92), '1 byte (files only)')}"
        f"{video}"
        "  = \\Larkspur Video\n\n"
        "disc 2: Kiosk 2 (this disc)\n"
        f"{video}"
        "  = \\Larkspur Vintage\n"
    ) in text
    assert text.endswith(f"\n2 files, {300 * KIB + len(inf()):,} bytes.\n")
    html = page["/INDEX.HTM"].decode("ascii")
    assert "<H3>disc 2: Kiosk 2 (this disc)</H3>" in html
    assert '<A HREF="LARKSPUR">\\LARKSPUR</A>' in html
    other = pages_on(outputs[0])["/INDEX.TXT"].decode("ascii")
    assert "disc 1: Kiosk 1 (this disc)" in other


def line(path: str, size: str) -> str:
    return f"  {path:<40}  {size:>22}\n"


def pages_on(disc: Path) -> dict[str, bytes]:
    with open_image(disc) as image:
        volume = image.facts.volume(VolumeKind.ISO9660)
        assert volume is not None
        return {
            entry.path: image.read_file(entry, 1 << 20)
            for entry in volume.files
            if entry.path.startswith("/INDEX.")
        }


def test_a_recipe_that_fits_on_one_disc_is_that_disc(tmp_path: Path) -> None:
    top = ten_packages(tmp_path)
    recipe = recipe_of(SourceFolder(top), sectors=10_000)
    series = plan_series(recipe, list_sources(recipe))
    assert len(series.plans) == 1
    assert file_names("Kiosk", 1) == ["kiosk.iso"]
    build_discs(series.plans, [tmp_path / "series.iso"])
    write.build_disc(plan_disc(recipe), tmp_path / "disc.iso")
    assert (tmp_path / "series.iso").read_bytes() == (tmp_path / "disc.iso").read_bytes()


def test_the_same_discs_every_time(tmp_path: Path) -> None:
    top = ten_packages(tmp_path)
    for name in ("a", "b"):
        series = planned(SourceFolder(top), sectors=280)
        build_discs(series.plans, [tmp_path / f"{name}{number}.iso" for number in range(3)])
    for number in range(3):
        first, second = (tmp_path / f"{name}{number}.iso" for name in ("a", "b"))
        assert first.read_bytes() == second.read_bytes()


def test_equal_files_are_counted_once_where_they_stand_together(tmp_path: Path) -> None:
    """By sums four discs would be needed; the shared file makes room for all on one."""
    shared = noise("shared", 400 * KIB)
    files: dict[str, bytes] = {}
    for number in range(4):
        files |= {f"P{number}/LKV.INF": inf(), f"P{number}/LKV.SYS": shared}
    series = planned(SourceFolder(write_tree(tmp_path / "top", files)), sectors=330)
    assert len(series.plans) == 1
    assert series.plans[0].layout.used_sectors <= 330


def test_order_goes_before_everything(tmp_path: Path) -> None:
    top = ten_packages(tmp_path)
    series = planned(
        SourceFolder(top, only=("P3", "P7"), order=-1),
        SourceFolder(top, skip=("P3", "P7", "P0")),
        SourceFolder(top, only=("P0",), order=9),
        sectors=280,
    )
    names = tops(series)
    assert {"/P3", "/P7"} <= set(names[0])
    assert "/P0" in names[-1]


def test_the_first_disc_boots_and_only_that(tmp_path: Path) -> None:
    (tmp_path / "boot.img").write_bytes(bytes(100 * 2048))
    series = planned(
        SourceFolder(ten_packages(tmp_path), order=-5),
        sectors=400,
        boot=BootImage(tmp_path / "boot.img"),
    )
    assert [plan.boot is not None for plan in series.plans] == [
        True,
        *[False] * (len(series.plans) - 1),
    ]
    assert len(series.plans) > 1
    outputs = [tmp_path / f"{number}.iso" for number in range(len(series.plans))]
    build_discs(series.plans, outputs)
    with open_image(outputs[0]) as image:
        assert image.facts.boot is not None
    with open_image(outputs[1]) as image:
        assert image.facts.boot is None


def test_a_package_that_no_disc_holds_names_its_largest_files(tmp_path: Path) -> None:
    files = {**package("A", 10 * KIB), "B/LKV.INF": inf()}
    files |= {f"B/{number}.BIN": noise(number, number * 50 * KIB) for number in range(1, 6)}
    top = write_tree(tmp_path / "top", files)
    with pytest.raises(BuildError) as caught:
        planned(SourceFolder(top), sectors=300)
    message = str(caught.value)
    assert message.startswith("/B: needs ")
    assert "and the capacity (300 sectors) is 300; its largest files are" in message
    order = [message.index(f"{number}.BIN") for number in (5, 4, 3)]
    assert order == sorted(order)
    assert "2.BIN" not in message
    assert "250.0 KiB" in message


def test_a_folder_without_packages_is_taken_apart_where_it_must_be(tmp_path: Path) -> None:
    files = {f"sounds/{number}/horn.wav": noise(number, 100 * KIB) for number in range(6)}
    files["sounds/list.txt"] = b"list"
    series = planned(SourceFolder(write_tree(tmp_path / "top", files)), sectors=280)
    assert len(series.plans) == 2
    (finding,) = [f for f in series.findings if f.rule == "folder-on-several-discs"]
    assert finding.severity is Severity.NOTE
    assert "on discs 1, 2" in finding.message
    with pytest.raises(BuildError, match="in one piece"):
        planned(SourceFolder(tmp_path / "top", keep_together=True), sectors=280)


@pytest.mark.parametrize("below", ["", "{}/"])
def test_an_index_of_many_pieces_has_room_on_discs_that_are_full(
    tmp_path: Path, below: str
) -> None:
    files = {
        f"pictures/{below.format(n)}Larkspur picture that nobody cut {n:03d}.dat": b"%d" % n
        for n in range(400)
    }
    series = planned(SourceFolder(write_tree(tmp_path / "top", files)), sectors=300)
    assert len(series.plans) > 1
    assert sum(len(plan.listing.files) for plan in series.plans) == 400
    assert max(plan.layout.used_sectors for plan in series.plans) <= 300
    parts = series.plans[0].pages.series.discs[0].parts
    assert (len(parts) == 1) is not bool(below)
    assert sum(part.size for part in parts) == series.plans[0].source_size


def test_one_file_that_no_disc_holds(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {"a/b/LARGE.BIN": noise(1, 700 * KIB), "c.txt": b"c"})
    with pytest.raises(BuildError, match=r"/a/b: needs .*LARGE\.BIN \(700\.0 KiB\)"):
        planned(SourceFolder(top), sectors=300)
    assert len(planned(SourceFolder(top), sectors=500).plans) == 1


@pytest.mark.parametrize("beside", [0, 40])
def test_what_is_kept_free_for_pages_makes_no_package_too_large(
    tmp_path: Path, beside: int
) -> None:
    """It may be alone on a disc that it fills to the last sector, pages included."""
    files = package("Large", 600 * KIB)
    for number in range(beside):
        files |= package(f"P{number:02d}", 30 * KIB)
    top = write_tree(tmp_path / "top", files)

    def largest(sectors: int) -> int | None:
        try:
            series = planned(SourceFolder(top), sectors=sectors)
        except BuildError as error:
            assert "/Large: needs" in str(error)
            return None
        assert sum(len(plan.listing.files) for plan in series.plans) == len(files)
        return max(plan.layout.used_sectors for plan in series.plans)

    least = next(sectors for sectors in range(300, 500) if largest(sectors) is not None)
    assert largest(least) == least
    assert least > 330


@pytest.mark.parametrize("sectors", range(362, 370))
def test_room_is_kept_for_what_comes_later_also_on_a_disc_with_one_package(
    tmp_path: Path, sectors: int
) -> None:
    """Tables fit on any disc that is not refused."""
    top = write_tree(tmp_path / "top", package("Large", 580 * KIB))
    row = DriverRow("display", "Larkspur Video" * 9, "LKV.INF", "/LARGE", "/Large/LKV.INF", 1)
    tables = [DriverTable("Devices", (row,) * 20)]
    recipe = recipe_of(SourceFolder(top), sectors=sectors)
    try:
        series = plan_series(recipe, list_sources(recipe), reserve=tables_size(tables))
    except BuildError:
        assert sectors < 365
        return
    assert sectors >= 365
    assert with_tables(series, tables).plans[0].layout.used_sectors <= sectors


def test_a_boot_image_that_no_disc_holds(tmp_path: Path) -> None:
    (tmp_path / "boot.img").write_bytes(bytes(1_474_560))
    top = write_tree(tmp_path / "top", {"a": b"a"})
    with pytest.raises(BuildError, match="the boot image: needs"):
        planned(SourceFolder(top), sectors=300, boot=BootImage(tmp_path / "boot.img"))


def test_sources_without_files_are_one_empty_disc(tmp_path: Path) -> None:
    (tmp_path / "top").mkdir()
    assert len(planned(SourceFolder(tmp_path / "top"), sectors=300).plans) == 1


def test_packages_on_a_full_disc_fit_to_the_last_sector(tmp_path: Path) -> None:
    """The border is where the real layout says, not where sums do."""
    top = ten_packages(tmp_path)
    recipe = recipe_of(SourceFolder(top), sectors=10_000)
    listing = list_sources(recipe)
    units = find_units(listing, recipe.folders)
    needed = room_of(Measure(recipe, listing, PagesSize()), units).sectors(range(10))
    for sectors, fits in ((needed, True), (needed - 1, False)):
        capacity = Capacity("exact", sectors)
        room = room_of(Measure(replace(recipe, capacity=capacity), listing, PagesSize()), units)
        assert room.open_disc().take(range(10)) == 10 - (not fits)


@pytest.mark.parametrize("seed", range(6))
def test_quick_answers_are_never_wrong(tmp_path: Path, seed: int) -> None:
    """Whatever is said to fit does by the layout, and what does not fit does not."""
    randomness = random.Random(seed)
    files: dict[str, bytes] = {"loose.txt": b"l"}
    for number in range(25):
        folder = "/".join(
            f"folder {randomness.randrange(4)}" for _ in range(randomness.randint(0, 3))
        )
        name = f"{folder}/pack {number}".lstrip("/")
        files[f"{name}/LKV.INF"] = inf()
        for count in range(randomness.randrange(12)):
            kind = randomness.choice(["same", f"{number} {count}"])
            long = "x" * randomness.randrange(60)
            files[f"{name}/{count}{long}.bin"] = noise(kind, randomness.choice([10, 3000, 30_000]))
    recipe = recipe_of(SourceFolder(write_tree(tmp_path / "top", files)), sectors=10_000)
    listing = list_sources(recipe)
    units = find_units(listing, recipe.folders)
    exact = room_of(Measure(recipe, listing, PagesSize()), units)
    for _ in range(30):
        chosen = randomness.sample(range(len(units)), randomness.randint(1, len(units)))
        needed = exact.sectors(chosen)
        capacity = Capacity("tried", needed + randomness.choice([-1, 0, 1, 30, -30]))
        room = room_of(Measure(replace(recipe, capacity=capacity), listing, PagesSize()), units)
        count = room.open_disc().take(chosen)
        assert not count or exact.sectors(chosen[:count]) <= capacity.sectors
        assert count == len(chosen) or exact.sectors(chosen[: count + 1]) > capacity.sectors
        one_by_one = room.open_disc()
        assert sum(one_by_one.take([number]) for number in chosen[: count + 1]) == count


@pytest.mark.parametrize("count", [100, 400])
def test_a_disc_is_laid_out_a_few_times_however_small_its_units_are(
    tmp_path: Path, count: int
) -> None:
    """Rounding leaves some sectors in doubt, and many units take one."""
    files = {f"Larkspur picture that nobody cut {n:03d}.dat": b"%d" % n for n in range(count)}
    recipe = recipe_of(SourceFolder(write_tree(tmp_path / "top", files)), sectors=count)
    listing = list_sources(recipe)
    (unit,) = find_units(listing, recipe.folders)
    room = room_of(Measure(recipe, listing, PagesSize()), take_apart(unit))
    taken = room.open_disc().take(range(count))
    assert count // 2 < taken < count
    assert room.laid_out <= 6
    assert room.sectors(range(taken)) <= count < room.sectors(range(taken + 1))


def test_all_discs_or_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    top = ten_packages(tmp_path)
    series = planned(SourceFolder(top), sectors=280)
    outputs = [tmp_path / f"{number}.iso" for number in range(3)]
    outputs[1].write_bytes(b"older")
    with pytest.raises(OutputError, match="exists already"):
        build_discs(series.plans, outputs, replace=False)
    (top / "P9" / "LKV.SYS").unlink()
    with pytest.raises(BuildError, match="vanished"):
        build_discs(series.plans, outputs)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["1.iso", "top"]
    assert outputs[1].read_bytes() == b"older"
