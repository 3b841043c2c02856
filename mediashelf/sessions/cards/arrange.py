"""Decide what happens to the card before anything does: names, what stays, what is copied.

What an earlier run put on the card is used again when its bytes are those that
are wanted: first the digests decide, then the copy itself is read back.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from msgspec.structs import replace

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
from mediashelf.sessions.cards.placed import NO_FILE, Action, Arrangement, PlacedDisc
from mediashelf.sessions.cards.records import CardRecords, leftovers
from mediashelf.sessions.discs.preflight import CheckedDisc
from mediashelf.sessions.discs.served_bytes import ServedBytes, digest_copied, read_stamp
from mediashelf.sessions.discs.served_image import ServedImage
from mediashelf.sessions.manifests.codes import disc_codes
from mediashelf.sessions.manifests.parts import CardFile
from mediashelf.sessions.manifests.sense import comparable_path
from mediashelf.sessions.plans.session_plan import CardWish
from mediashelf.sessions.reading_back import digest_whole, read_back_file

OnBytes = Callable[[int], None]


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
    arranged: list[PlacedDisc] = []
    for disc in discs:
        if disc.repeats is not None:
            first = arranged[disc.repeats - 1]
            arranged.append(PlacedDisc(disc, first.code, first.path, Action.REPEAT))
            continue
        placed = _begin(disc, next(codes), names)
        arranged.append(_decide(placed, card, records, workshop, on_bytes))
    arranged = list(_without_clashes(arranged))
    obsolete = tuple(_obsolete(arranged, records))
    freed = sum(path.lstat().st_size for path in leftovers(card))
    if is_tidied:
        freed += sum(facts.room_for(file.size) for file in obsolete)
    findings = tuple(_check_card(arranged, facts, records, wish, freed))
    return Arrangement(tuple(arranged), obsolete, findings)


def _code_names(discs: Sequence[CheckedDisc]) -> list[str]:
    """Return what each disc's code is made of: its name, with its file's where that is shared.

    So the code stays with the disc when the order of use changes.
    """
    uses = Counter(disc.name.casefold() for disc in discs)
    return [
        disc.name
        if uses[disc.name.casefold()] == 1
        else f"{disc.name}/{disc.source.file.path.name}"
        for disc in discs
    ]


def _begin(disc: CheckedDisc, code: str, names: CardNames) -> PlacedDisc:
    """Return the placed that puts a disc on a card on which it is not."""
    source = disc.source
    path = names.take(disc_names(disc.position, code, disc.name))
    action = _writing_action(source.image, source)
    return PlacedDisc(disc, code, path, action, source.image, source.digests, source.original)


def _writing_action(image: ServedBytes | None, source: ServedImage) -> Action:
    """Return how the bytes of a disc get to the card; ``image`` may be a local build of it."""
    if image is not None:
        return Action.COPY if image.track is None else Action.CONVERT
    return Action.BUILD if source.can_be_served else Action.NOTHING


def _decide(
    placed: PlacedDisc, card: Path, records: CardRecords, workshop: Path | None, on_bytes: OnBytes
) -> PlacedDisc:
    if placed.action is Action.NOTHING:
        return placed
    same_size = [file for file in records.files if file.size == placed.disc.size]
    # The wanted name first, so that nothing is renamed without need.
    same_size.sort(key=lambda file: file.path != placed.path)
    if same_size or (placed.image is not None and placed.image.padding):
        # With padding the manifest needs digests that copying alone does not give.
        placed = _with_digests(placed, workshop, on_bytes)
    for file in same_size:
        if file.digests != placed.expected:
            continue
        try:
            found = read_back_file(card / file.path, on_bytes=on_bytes)
        except StagingError:
            continue  # the copy cannot be read any more: it is made again
        if found.digests == file.digests:
            action = Action.KEEP if file.path == placed.path else Action.RENAME
            return replace(placed, action=action, on_card=found, old_path=file.path)
    return placed


def _with_digests(placed: PlacedDisc, workshop: Path | None, on_bytes: OnBytes) -> PlacedDisc:
    """Return the disc with the digests of its source, as far as they can be had."""
    if placed.expected is not None:
        return placed
    if placed.image is not None:
        served, original = digest_copied(placed.image, on_bytes=on_bytes)
        return replace(placed, expected=served, original=original)
    plan = placed.disc.source.disc_plan
    if workshop is None or plan is None:
        return placed
    built = workshop / placed.path
    try:
        # A plan is good for one build, and this disc's own may be needed for the card.
        # Loaded only here: most discs are there already.
        from mediashelf.building.planning.disc_plan import plan_disc
        from mediashelf.building.writing.write import build_disc

        build_disc(plan_disc(plan.recipe, plan.pages), built, anyway=True, on_bytes=on_bytes)
    except MediashelfError:
        built.unlink(missing_ok=True)
        return placed  # no room for it here, say; the card itself is tried later
    image = ServedBytes(built, placed.disc.size, read_stamp(built))
    return replace(placed, action=Action.COPY, image=image, expected=digest_whole(built))


def _without_clashes(arranged: Sequence[PlacedDisc]) -> Iterator[PlacedDisc]:
    """Turn a renaming into a copy where its file is wanted in place, or for two discs.

    The source is at hand anyway; chains of renamings would have to survive being
    cut in the middle.
    """
    taken = {placed.path for placed in arranged}
    for placed in arranged:
        if placed.action is Action.RENAME:
            if placed.old_path in taken:
                action = _writing_action(placed.image, placed.disc.source)
                placed = replace(placed, action=action, on_card=None, old_path="")
            taken.add(placed.old_path)
        yield placed


def _obsolete(arranged: Sequence[PlacedDisc], records: CardRecords) -> Iterator[CardFile]:
    """Yield our files that no disc uses; the sheets of the last run are replaced anyway."""
    used = {comparable_path(path) for placed in arranged for path in (placed.path, placed.old_path)}
    sheets = records.manifest.other_files if records.manifest else ()
    used |= {comparable_path(file.path) for file in sheets}
    yield from (file for file in records.files if comparable_path(file.path) not in used)


def _check_card(
    arranged: Sequence[PlacedDisc],
    facts: CardFacts,
    records: CardRecords,
    wish: CardWish,
    freed: int,
) -> Iterator[Finding]:
    planned = kind_named(wish.filesystem)
    yield from check_card_is_planned(facts, planned)
    yield from check_card_names(facts)
    images = [
        (placed.path, placed.disc.size) for placed in arranged if placed.action not in NO_FILE
    ]
    if planned is not None:
        yield from check_card_kind(planned, images, is_planned=True)
    if facts.kind is not None and facts.kind is not planned:
        yield from check_card_kind(facts.kind, images, is_planned=False)
    yield from check_card_room(
        _needed(arranged, facts, records) - freed,
        facts,
        planned_size=wish.capacity,
        total=sum(facts.room_for(size) for _, size in images),
    )


def _needed(arranged: Sequence[PlacedDisc], facts: CardFacts, records: CardRecords) -> int:
    """Return the most room that is taken at once: a file goes when its successor is whole."""
    taken = most = 0
    for placed in arranged:
        taken += facts.room_for(placed.write_size)
        most = max(most, taken)
        replaced = records.at(placed.path)
        if placed.write_size and replaced is not None:
            taken -= facts.room_for(replaced.size)
    return most
