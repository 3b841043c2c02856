"""What the library has for a machine: as text for people, and as the documented JSON shape.

With ``--shelves`` the document of :mod:`driver_json` has in each device also ``image``
(what to know of the image that the package is in, or empty), ``copies`` (other places of
the same package), ``near`` (a list of ``kind``, ``path`` and ``words``) and ``notes`` (a
list of ``session``, ``disc``, ``outcome``, ``text``, ``noted_at`` and ``is_of_image``),
and beside ``targets`` stands ``library`` with ``images``, ``packages``, ``without_inf``,
``images_without_their_archives`` and ``images_not_looked_into``. A ``source`` is a shelf
and an image, with a colon between.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

from mediashelf.cli.discs.driver_json import driver_document
from mediashelf.cli.discs.driver_text import say_coverage, say_explanation
from mediashelf.cli.documents import chosen
from mediashelf.cli.render import say, say_findings, say_wrapped
from mediashelf.drivers.machines.reading import Machine
from mediashelf.jobs.shelves.machine import LibraryAnswer, TargetAnswer
from mediashelf.jobs.shelves.nearest import NearKind
from mediashelf.text import count_text, first_text

COPIES_SHOWN = 2

_IN_TABLE = ("device-without-driver", "device-with-generic-driver")

_KIND_WORDS = {
    NearKind.OTHER_BOARD: "another board's",
    NearKind.OTHER_SYSTEM: "other systems only",
    NearKind.BY_HAND: "by hand",
}


def say_library(answer: LibraryAnswer, picked: Sequence[int]) -> None:
    """Print the answer for every target, or why the packages of the devices picked win."""
    for target in answer.targets:
        if not picked:
            say_coverage(target.survey, more=partial(_lines, target))
            say()
        for index in picked:
            say_explanation(target.survey, index, _lines(target, index))
    if not picked:
        # That a device has no driver stands in the table.
        say_findings([one for one in answer.findings if one.rule not in _IN_TABLE])
    if answer.targets:
        looked = answer.targets[0].answer.looked
        say_wrapped(
            f"{count_text(looked.image_count, 'image')} looked into: "
            f"{count_text(looked.package_count, 'INF package')}, "
            f"{looked.other_count:,} without an INF"
        )
        if looked.plain_count:
            count = count_text(looked.plain_count, "image")
            say_wrapped(f"archives inside {count} not opened: mediashelf scan --packages does that")
        if looked.not_yet:
            count = count_text(looked.not_yet, "image")
            say_wrapped(f"{count} not looked into yet: mediashelf scan does that")


def _lines(target: TargetAnswer, index: int) -> Iterator[str]:
    """Yield what the library has to say of a device, beside its package."""
    if word := target.image_word(index):
        yield f"the image is {word}"
    if copies := target.copies(index):
        yield f"the same package: {first_text(copies, COPIES_SHOWN)}"
    for near in target.near.get(index, ()):
        yield f"near ({_KIND_WORDS[near.kind]}): {near.path}, {near.words}"
    for note in target.notes.get(index, ()):
        yield f"noted: {note.words}"


def library_document(
    answer: LibraryAnswer, machine: Machine, picked: Sequence[int]
) -> dict[str, Any]:
    """Return the whole answer; ``picked`` are the devices to list, all when empty."""
    whole = driver_document(
        [target.survey for target in answer.targets], machine, answer.findings, picked
    )
    for listed, target in zip(whole["targets"], answer.targets, strict=True):
        for device in listed["devices"]:
            device.update(_more(target, device["number"] - 1))
    looked = answer.targets[0].answer.looked if answer.targets else None
    whole["library"] = {
        "images": looked.image_count if looked else 0,
        "packages": looked.package_count if looked else 0,
        "images_without_their_archives": looked.plain_count if looked else 0,
        "without_inf": looked.other_count if looked else 0,
        "images_not_looked_into": looked.not_yet if looked else 0,
    }
    return whole


def _more(target: TargetAnswer, index: int) -> dict[str, Any]:
    return {
        "image": target.image_word(index),
        "copies": list(target.copies(index)),
        "near": [chosen(one, "kind", "path", "words") for one in target.near.get(index, ())],
        "notes": [
            {
                **chosen(one, "session", "disc", "is_of_image"),
                "outcome": one.note.outcome.value,
                "text": one.note.text,
                "noted_at": one.note.noted_at,
            }
            for one in target.notes.get(index, ())
        ],
    }
