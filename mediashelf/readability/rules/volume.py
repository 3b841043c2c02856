"""Rules about the disc as a whole: blocks, sizes, sections, labels, booting, first phases."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from mediashelf.findings import Severity
from mediashelf.formats.volume import BootEntry, VolumeKind
from mediashelf.readability.disc import DiscPart
from mediashelf.readability.limits import BOOT_MEDIA, BOOT_PLATFORMS, Limit
from mediashelf.readability.name_tree import NameTree
from mediashelf.readability.rule_types import ROOT, Question, Rule, RuleHit, at_entry, in_tree
from mediashelf.readability.rules.letters import character_names, units
from mediashelf.text import size_text

ISO, JOLIET = VolumeKind.ISO9660, VolumeKind.JOLIET
_MEDIA_WORDS = {number: word for word, number in BOOT_MEDIA.items()}
_PLATFORM_WORDS = {number: word for word, number in BOOT_PLATFORMS.items()}


def block_size(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """One hit when logical blocks have another size."""
    size = tree.volume.block_size
    if size not in limit.numbers():
        expected = " or ".join(f"{number:,}" for number in limit.numbers())
        yield RuleHit(
            ROOT, f"logical blocks have {size:,} bytes, not {expected}", f"{size:,}", expected
        )


def shown_volume_size(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """One hit when the disc is larger than the target can say."""
    size, most = question.disc.facts.size, limit.number()
    if size > most and question.tree is not None:
        yield RuleHit(
            ROOT,
            f"the disc has {size_text(size)}, but is reported as {size_text(most)}",
            str(size),
            f"at most {most}",
        )


def file_size(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Files that are too large."""
    most = limit.number()
    if tree.largest <= most:
        return
    for entry in tree.iter_entries():
        if entry.size > most and not entry.is_directory:
            yield at_entry(
                entry,
                f"the file has {entry.size:,} bytes, at most {most:,} are safe",
                entry.size,
                f"at most {most}",
            )


def section_size(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Files with a section that is too large for its record."""
    most = limit.number()
    if tree.largest <= most:
        return
    for entry in tree.iter_entries():
        if entry.size > most and any(extent.size > most for extent in entry.extents):
            largest = max(extent.size for extent in entry.extents)
            yield at_entry(
                entry,
                f"one section has {largest:,} bytes, a record can give {most:,}",
                largest,
                f"at most {most}",
            )


def single_section(tree: NameTree, _limit: Limit) -> Iterator[RuleHit]:
    """Files that are recorded as several sections."""
    if not any(folder.has_sections for folder in tree.folders):
        return
    for entry in tree.iter_entries():
        if len(entry.extents) > 1 and not entry.is_directory:
            yield at_entry(
                entry,
                f"the file is recorded in {len(entry.extents)} sections",
                len(entry.extents),
                "one section",
            )


def label_length(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """One hit when the label is longer than the target shows."""
    label, most = tree.volume.label, limit.number()
    length = units(label)
    if length > most:
        yield RuleHit(
            ROOT,
            f'the label "{label}" has {length} characters, {most} are shown',
            str(length),
            f"at most {most}",
        )


def label_characters(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """One hit when the label has other characters."""
    strange = [letter for letter in tree.volume.label if letter not in limit.text()]
    if strange:
        each = character_names(strange)
        yield RuleHit(ROOT, f'the label "{tree.volume.label}" has {each}', each)


def boot_media(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """One hit when the disc boots, but in no way that starts the target's setup."""
    entries = _bootable(question)
    numbers = [entry.media_type for entry in entries]
    if entries and not {BOOT_MEDIA[word] for word in limit.words()} & set(numbers):
        words = [_MEDIA_WORDS.get(number, f"type {number}") for number in dict.fromkeys(numbers)]
        yield _boots_otherwise(entries[0], limit, words, "the disc boots with", "setup starts with")


def boot_platforms(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """One hit when the disc boots on other platforms only."""
    entries = _bootable(question)
    numbers = [entry.platform_id for entry in entries]
    if entries and not {BOOT_PLATFORMS[word] for word in limit.words()} & set(numbers):
        words = [
            _PLATFORM_WORDS.get(number, f"platform {number:#04x}")
            for number in dict.fromkeys(numbers)
        ]
        yield _boots_otherwise(
            entries[0], limit, words, "the disc boots on", "the system starts on"
        )


def _boots_otherwise(
    first: BootEntry, limit: Limit, words: Sequence[str], boots: str, starts: str
) -> RuleHit:
    found, wanted = ", ".join(words), " or ".join(limit.words())
    return RuleHit(f"LBA {first.load_lba}", f"{boots} {found}, {starts} {wanted}", found, wanted)


def _bootable(question: Question) -> list[BootEntry]:
    boot = question.disc.facts.boot
    return [entry for entry in boot.entries if entry.is_bootable] if boot else []


VOLUME_RULES = (
    Rule(
        "block-size-readable",
        Severity.ERROR,
        "block_sizes",
        "Logical blocks have a size that the system reads",
        in_tree(block_size),
        "install the service pack first, or build the disc again: mediashelf build",
    ),
    Rule(
        "volume-size-shown",
        Severity.WARNING,
        "shown_volume_size",
        "The target can report the disc's size",
        shown_volume_size,
        "nothing; only programs that ask for the size of the disc are misled",
    ),
    Rule(
        "file-size",
        Severity.ERROR,
        "file_size",
        "Files are small enough",
        in_tree(file_size),
        "split the file, or use it on a newer system only",
    ),
    Rule(
        "section-size",
        Severity.ERROR,
        "section_size",
        "Every section of a file fits its directory record",
        in_tree(section_size, ISO, JOLIET),
        "record the file in several sections (level 3), or split it",
    ),
    Rule(
        "single-section",
        Severity.ERROR,
        "single_section",
        "Every file is one section",
        in_tree(single_section, ISO, JOLIET),
        "split the file below 4 GiB so that one section holds it",
    ),
    Rule(
        "label-length",
        Severity.WARNING,
        "label_length",
        "The whole label is shown",
        in_tree(label_length),
        "choose a shorter label where scripts compare it",
    ),
    Rule(
        "iso-label-characters",
        Severity.WARNING,
        "iso_label_characters",
        "The ISO 9660 label has only capitals, digits and _",
        in_tree(label_characters, ISO),
        "choose another label where scripts compare it",
    ),
    Rule(
        "joliet-label-length",
        Severity.WARNING,
        "joliet_label_length",
        "The Joliet label fits its field",
        in_tree(label_length, JOLIET),
        "choose a shorter label",
    ),
    Rule(
        "boot-method",
        Severity.WARNING,
        "boot_media",
        "A disc that boots does so in a way that starts the system's setup",
        boot_media,
        "nothing for a disc that is not to start setup; else use one made for this system",
        part=DiscPart.BOOT,
    ),
    Rule(
        "boot-platform-fits",
        Severity.WARNING,
        "boot_platforms",
        "A disc that boots does so on a platform that the system starts on",
        boot_platforms,
        "nothing for a disc that is not to start setup; else use one made for this system",
        part=DiscPart.BOOT,
    ),
)
