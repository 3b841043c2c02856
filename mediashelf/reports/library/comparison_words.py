"""What a comparison says, in words: on the screen and on its page alike."""

from __future__ import annotations

from mediashelf.integrity.comparing.differences import Difference, EntryDifference
from mediashelf.integrity.comparing.values import ComparedSide, Comparison, SectorsAlike
from mediashelf.text import count_text, size_text

TITLES = {
    Difference.ONLY_IN_A: "only in A",
    Difference.ONLY_IN_B: "only in B",
    Difference.CHANGED: "changed",
    Difference.MOVED: "moved",
    Difference.RENAMED: "renamed",
    Difference.NOT_COMPARED: "not compared",
}


def side_text(side: ComparedSide) -> str:
    """Return what one side is, in words."""
    size = "" if side.size is None else f", {size_text(side.size)}"
    entries = count_text(side.entry_count, "file or folder", "files and folders")
    return f"{side.form}{size}, {entries}"


def difference_text(each: EntryDifference) -> str:
    """Return one line about an entry."""
    folder = "/" if each.is_folder else ""
    if not (each.path and each.other_path):
        size = each.size if each.path else each.other_size
        shown = "" if each.is_folder or size is None else f" ({size_text(size)})"
        return f"{each.path or each.other_path}{folder}{shown}"
    if each.kind in (Difference.MOVED, Difference.RENAMED):
        return f"{each.path}{folder} → {each.other_path}{folder}"
    names = each.path if each.path == each.other_path else f"{each.path} → {each.other_path}"
    return f"{names}{folder}: {how_different(each)}"


def how_different(each: EntryDifference) -> str:
    """Return in words in which way two files of one path differ."""
    if each.reason:
        return each.reason
    if each.first_difference is not None:
        return f"{size_text(each.size or 0)}, differs from byte {each.first_difference:,}"
    return f"{each.size or 0:,} bytes in A, {each.other_size or 0:,} bytes in B"


def closing_lines(found: Comparison) -> list[str]:
    """Return what was compared, and the answer."""
    trees = found.trees
    same = count_text(trees.same_files, "file is", "files are")
    notes = [f"{same} the same ({size_text(trees.same_size)})"]
    if trees.other_dates:
        notes.append(f"dates differ in {trees.other_dates:,} of them")
    if trees.case_aside:
        notes.append(f"letter case aside in {trees.case_aside:,}")
    lines = [*_sector_lines(found), "; ".join(notes) + "."]
    if found.is_one_file:
        what = "file" if found.first.size is not None else "folder"
        lines.insert(0, f"A and B are one and the same {what}: this says nothing of a copy.")
    if found.is_equal:
        sectors = found.sectors
        if sectors is not None and sectors.alike is SectorsAlike.DIFFERENT:
            return [*lines, "Equal in files, labels and boot entries; other bytes differ."]
        return [*lines, "Equal."]
    counts = [f"{count:,} {TITLES[kind]}" for kind, count in trees.counts.items() if count]
    facts = sum(fact.counts for fact in found.facts)
    if facts:
        counts.append(
            count_text(facts, "difference", "differences") + " in labels, trees or boot entries"
        )
    if not found.is_all_listed:
        counts.append("not everything could be listed")
    title = "Different" if found.is_different else "Not shown to be equal"
    return [*lines, f"{title}: {', '.join(counts)}."]


def _sector_lines(found: Comparison) -> list[str]:
    sectors = found.sectors
    if sectors is None:
        return []
    if sectors.alike is SectorsAlike.EQUAL:
        return ["All sectors hold equal data."]
    at = sectors.first_difference or 0
    if sectors.alike is SectorsAlike.ZEROS_AFTER:
        return [f"All {at:,} bytes of the shorter disc are equal; zeros follow in the longer one."]
    return [f"The discs differ from byte {at:,} (LBA {at // 2048:,})."]
