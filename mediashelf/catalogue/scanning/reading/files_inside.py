"""Files inside an image that have checksums of their own, and members of archives, as a reading."""

from __future__ import annotations

from collections.abc import Callable

from msgspec.structs import replace

from mediashelf.catalogue.scanning.reading.faults import one_of_hundreds
from mediashelf.catalogue.scanning.reading.raw_sectors import in_file
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.formats.packed.signatures import ContentFormat
from mediashelf.image import DiscImage
from mediashelf.integrity.inside.content_files import DistinctFiles
from mediashelf.integrity.inside.contents import ContentsReport, check_contents
from mediashelf.integrity.inside.zero_runs import check_zero_runs
from mediashelf.trees.as_image import WrappedImage, check_members
from mediashelf.trees.tree import Tree


@one_of_hundreds
def with_files_inside(
    reading: Reading, image: DiscImage, on_bytes: Callable[[int], None]
) -> Reading:
    """Add what the checksums of files inside say, or what reading every member does."""
    report = ContentsReport()
    if isinstance(image, WrappedImage):
        inside = tuple(check_members(image.tree))
        _count_members(image.tree, len(inside), report)
        return replace(reading, inside=inside, inside_report=report)
    files = DistinctFiles(image.facts)
    found = [
        *check_contents(image, files=files, report=report, on_bytes=on_bytes),
        *check_zero_runs(image, files=files, on_bytes=lambda count: on_bytes(0)),
    ]
    inside = tuple(in_file(finding, reading.stored) for finding in found)
    return replace(reading, inside=inside, inside_report=report)


def _count_members(tree: Tree, fault_count: int, report: ContentsReport) -> None:
    """Say what reading all members of an archive has verified."""
    read = [one for one in tree.members if one.is_file and one.unreadable is None]
    report.files, report.size = len(read), sum(one.size for one in read)
    with_checksums = {
        "ZIP archive": ContentFormat.ZIP,
        "7z archive": ContentFormat.SEVEN_ZIP,
        "RAR archive": ContentFormat.RAR,
    }
    kind = with_checksums.get(tree.form)
    if kind is None:
        report.unchecked_files = len(read)
        return
    tally = report.tally(kind)
    tally.files, tally.faulty_files = 1, int(bool(fault_count))
    tally.verified["members"] = len(read) - fault_count
    closed = sum(one.is_file and one.unreadable is not None for one in tree.members)
    if closed:
        tally.unverified["members that cannot be read"] = closed
