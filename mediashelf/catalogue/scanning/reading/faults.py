"""What cannot be read or understood of one image: a finding, since other images wait."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any

from msgspec.structs import replace

from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.workers import Stopped
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.image import DiscImage
from mediashelf.integrity.fixity.medium import is_medium_error
from mediashelf.trees.as_image import is_archive, is_closed_here, open_as_image

NOT_OPENED_RULE = "archive-opened"


def one_of_hundreds(step: Callable[..., Reading]) -> Callable[..., Reading]:
    """Let a fault of ours at one image become a finding: it must not end the work on the others."""

    @wraps(step)
    def guarded(reading: Reading, *arguments: Any) -> Reading:
        try:
            return step(reading, *arguments)
        except (InputError, OSError) as error:
            if not is_medium_error(error):
                raise
            return replace(reading, findings=(*reading.findings, _not_given(error)))
        except Stopped:
            raise
        except Exception as error:  # noqa: BLE001
            return replace(reading, findings=(*reading.findings, _our_fault(error)))

    return guarded


@contextmanager
def opened(path: Path, is_sheet: bool) -> Iterator[tuple[DiscImage | None, tuple[Finding, ...]]]:
    """Open an image; None stands for a sheet, and for one that we fail at."""
    image, fault = None, None
    try:
        image = None if is_sheet else open_as_image(path)
    except (InputError, OSError) as error:
        if is_medium_error(error):
            fault = _not_given(error)
        elif is_archive(path):
            fault = _not_opened(path, error)
        else:
            raise
    except Exception as error:  # noqa: BLE001
        fault = _our_fault(error)
    if image is None:
        yield None, (fault,) if fault is not None else ()
        return
    with image:
        yield image, image.findings


def _not_given(error: Exception) -> Finding:
    reason = error.__cause__ if isinstance(error, InputError) else error
    return Finding(
        "structure-is-readable",
        Severity.ERROR,
        "image",
        f"a part of it was not checked: {getattr(reason, 'strerror', None) or reason}",
        remedy="copy what can be read to another disk first",
    )


def _not_opened(path: Path, error: Exception) -> Finding:
    """Damage is an error; what is whole and cannot be looked into here is not."""
    reason = str(error).removeprefix(f"{path}: ")
    if is_closed_here(error):
        return Finding(
            NOT_OPENED_RULE,
            Severity.WARNING,
            "archive",
            f"its files are not on record: {reason}",
        )
    return Finding(
        NOT_OPENED_RULE,
        Severity.ERROR,
        "archive",
        f"it cannot be opened: {reason}",
        "get the archive again, or restore it from another copy",
    )


def _our_fault(error: Exception) -> Finding:
    return Finding(
        "structure-understood",
        Severity.ERROR,
        "image",
        f"internal error on this image ({type(error).__name__}: {error})",
        remedy="please report this with the image's first 64 KiB; what else was read is recorded",
    )
