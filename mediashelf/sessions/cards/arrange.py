"""Decide what happens to the card before anything does: names, what stays, what is copied.

What an earlier run put on the card is used again when its bytes are those that
are wanted: first the digests decide, then the copy itself is read back.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import MediashelfError, StagingError
from mediashelf.findings import Finding
from mediashelf.sessions.card_space import (
    CardFacts,
    check_card_is_planned,
    check_card_kind,
    check_card_names,
    check_card_room,
    kind_named,
)
from mediashelf.sessions.cards.names import CardNames, disc_names
from mediashelf.sessions.cards.records import CardRecords, leftovers
from mediashelf.sessions.discs.image_source import ImageSource, digest_copied, read_stamp
from mediashelf.sessions.discs.look import LookedAt
from mediashelf.sessions.discs.preflight import CheckedDisc
from mediashelf.sessions.manifests.codes import disc_codes
from mediashelf.sessions.manifests.sense import comparable_path
from mediashelf.sessions.manifests.values import CardFile, FileDigests
from mediashelf.sessions.plans.session_plan import CardWish
from mediashelf.sessions.reading_back import ReadBack, digest_whole, read_back_file

OnBytes = Callable[[int], None]


class Action(StrEnum):
    """What happens for one disc; the words are shown to people."""

    KEEP = "keep"  # the right bytes are there, under the right name
    RENAME = "rename"  # the right bytes are there, under another name of ours
    COPY = "copy"
    CONVERT = "convert"  # the data track of a raw image
    BUILD = "build"
    REPEAT = "repeat"  # the file of an earlier disc is presented again
    NOTHING = "nothing"  # there is nothing that could be served


_WRITING = (Action.COPY, Action.CONVERT, Action.BUILD)
_NO_FILE = (Action.REPEAT, Action.NOTHING)  # of its own


@dataclass(frozen=True, slots=True)
class Step:
    """One disc with its place on the card.

    ``image`` is what is copied or converted; for a recipe it is None, or a local
    build of it. ``kept`` is what the card gave back of a file that stays,
    ``old_path`` its name so far. ``expected`` are the digests of the image as it is
    served and ``original`` those of the file that it comes from, where they are known.
    """

    disc: CheckedDisc
    code: str
    path: str
    action: Action
    image: ImageSource | None = None
    expected: FileDigests | None = None
    original: FileDigests | None = None
    kept: ReadBack | None = None
    old_path: str = ""

    @property
    def write_size(self) -> int:
        """Bytes that are written to the card."""
        return self.disc.size if self.action in _WRITING else 0

    @property
    def work_size(self) -> int:
        """Bytes that staging counts: read from the sources, and read back."""
        plan = self.disc.source.disc_plan
        if self.action is Action.BUILD and plan is not None:
            return 2 * plan.content_size + self.disc.size
        if self.image is None or not self.write_size:
            return 0
        return self.image.read_size + self.write_size


@dataclass(frozen=True, slots=True)
class Arrangement:
    """Everything that will happen to a card, in order.

    ``obsolete`` are our files of earlier sessions that no disc of this one uses.
    """

    steps: tuple[Step, ...]
    obsolete: tuple[CardFile, ...]
    findings: tuple[Finding, ...]

    @property
    def write_size(self) -> int:
        """Bytes that are written to the card."""
        return sum(step.write_size for step in self.steps)


def arrange(
    discs: Sequence[CheckedDisc],
    card: Path,
    facts: CardFacts,
    records: CardRecords,
    *,
    wish: CardWish,
    is_tidied: bool = False,
    workshop: Path | None = None,
    on_bytes: OnBytes = lambda count: None,
) -> Arrangement:
    """Decide name and action of each disc, and check that the card can take them.

    Sources are read where something on the card may be the same. A recipe for
    which the card may have the disc already is built in the folder ``workshop``
    first; without one it counts as to be built. With ``is_tidied`` the room of
    obsolete files counts as free. Nothing on the card is changed.
    """
    names = CardNames(card, records)
    codes = iter(disc_codes(_code_names([disc for disc in discs if disc.repeats is None])))
    steps: list[Step] = []
    for disc in discs:
        if disc.repeats is not None:
            first = steps[disc.repeats - 1]
            steps.append(Step(disc, first.code, first.path, Action.REPEAT))
            continue
        step = _begin(disc, next(codes), names)
        steps.append(_decide(step, card, records, workshop, on_bytes))
    steps = list(_without_clashes(steps))
    obsolete = tuple(_obsolete(steps, records))
    freed = sum(path.lstat().st_size for path in leftovers(card))
    if is_tidied:
        freed += sum(facts.room_for(file.size) for file in obsolete)
    findings = tuple(_check_card(steps, facts, records, wish, freed))
    return Arrangement(tuple(steps), obsolete, findings)


def _code_names(discs: Sequence[CheckedDisc]) -> list[str]:
    """Return what each disc's code is made of: its name, with its file's where that is shared.

    So the code stays with the disc when the order of use changes.
    """
    uses = Counter(disc.name.casefold() for disc in discs)
    return [
        disc.name
        if uses[disc.name.casefold()] == 1
        else f"{disc.name}/{disc.source.candidate.path.name}"
        for disc in discs
    ]


def _begin(disc: CheckedDisc, code: str, names: CardNames) -> Step:
    """Return the step that puts a disc on a card on which it is not."""
    source = disc.source
    path = names.take(disc_names(disc.position, code, disc.name))
    action = _writing_action(source.image, source)
    return Step(disc, code, path, action, source.image, source.digests, source.original)


def _writing_action(image: ImageSource | None, source: LookedAt) -> Action:
    """Return how the bytes of a disc get to the card; ``image`` may be a local build of it."""
    if image is not None:
        return Action.COPY if image.track is None else Action.CONVERT
    return Action.BUILD if source.can_be_served else Action.NOTHING


def _decide(
    step: Step, card: Path, records: CardRecords, workshop: Path | None, on_bytes: OnBytes
) -> Step:
    if step.action is Action.NOTHING:
        return step
    same_size = [file for file in records.files if file.size == step.disc.size]
    # The wanted name first, so that nothing is renamed without need.
    same_size.sort(key=lambda file: file.path != step.path)
    if same_size or (step.image is not None and step.image.padding):
        # With padding the manifest needs digests that copying alone does not give.
        step = _with_digests(step, workshop, on_bytes)
    for file in same_size:
        if file.digests != step.expected:
            continue
        try:
            found = read_back_file(card / file.path, on_bytes=on_bytes)
        except StagingError:
            continue  # the copy cannot be read any more: it is made again
        if found.digests == file.digests:
            action = Action.KEEP if file.path == step.path else Action.RENAME
            return replace(step, action=action, kept=found, old_path=file.path)
    return step


def _with_digests(step: Step, workshop: Path | None, on_bytes: OnBytes) -> Step:
    """Return the step with the digests of its source, as far as they can be had."""
    if step.expected is not None:
        return step
    if step.image is not None:
        served, original = digest_copied(step.image, on_bytes=on_bytes)
        return replace(step, expected=served, original=original)
    plan = step.disc.source.disc_plan
    if workshop is None or plan is None:
        return step
    built = workshop / step.path
    try:
        # A plan is good for one build, and the one in the step may be needed for the card.
        build_disc(plan_disc(plan.recipe, plan.pages), built, anyway=True, on_bytes=on_bytes)
    except MediashelfError:
        built.unlink(missing_ok=True)
        return step  # no room for it here, say; the card itself is tried later
    image = ImageSource(built, step.disc.size, read_stamp(built))
    return replace(step, action=Action.COPY, image=image, expected=digest_whole(built))


def _without_clashes(steps: Sequence[Step]) -> Iterator[Step]:
    """Turn a renaming into a copy where its file is wanted in place, or for two discs.

    The source is at hand anyway; chains of renamings would have to survive being
    cut in the middle.
    """
    taken = {step.path for step in steps}
    for step in steps:
        if step.action is Action.RENAME:
            if step.old_path in taken:
                action = _writing_action(step.image, step.disc.source)
                step = replace(step, action=action, kept=None, old_path="")
            taken.add(step.old_path)
        yield step


def _obsolete(steps: Sequence[Step], records: CardRecords) -> Iterator[CardFile]:
    """Yield our files that no disc uses; the sheets of the last run are replaced anyway."""
    used = {comparable_path(path) for step in steps for path in (step.path, step.old_path)}
    sheets = records.manifest.other_files if records.manifest else ()
    used |= {comparable_path(file.path) for file in sheets}
    yield from (file for file in records.files if comparable_path(file.path) not in used)


def _check_card(
    steps: Sequence[Step],
    facts: CardFacts,
    records: CardRecords,
    wish: CardWish,
    freed: int,
) -> Iterator[Finding]:
    planned = kind_named(wish.filesystem)
    yield from check_card_is_planned(facts, planned)
    yield from check_card_names(facts)
    images = [(step.path, step.disc.size) for step in steps if step.action not in _NO_FILE]
    if planned is not None:
        yield from check_card_kind(planned, images, is_planned=True)
    if facts.kind is not None and facts.kind is not planned:
        yield from check_card_kind(facts.kind, images, is_planned=False)
    yield from check_card_room(
        _needed(steps, facts, records) - freed,
        facts,
        planned_size=wish.capacity,
        total=sum(facts.room_for(size) for _, size in images),
    )


def _needed(steps: Sequence[Step], facts: CardFacts, records: CardRecords) -> int:
    """Return the most room that is taken at once: a file goes when its successor is whole."""
    taken = most = 0
    for step in steps:
        taken += facts.room_for(step.write_size)
        most = max(most, taken)
        replaced = records.at(step.path)
        if step.write_size and replaced is not None:
            taken -= facts.room_for(replaced.size)
    return most
