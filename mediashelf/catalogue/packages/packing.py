"""Kept packages as rows: two deflated JSON texts each, and their identifiers apart."""

from __future__ import annotations

import json
import zlib
from collections.abc import Container, Iterator
from typing import Any, NamedTuple

from mediashelf.drivers.packages.finding import Fit
from mediashelf.drivers.recorded_others import KeptOther
from mediashelf.drivers.recorded_values import KeptInstall, KeptPackage, KeptView
from mediashelf.formats.inf.driver_version import DriverVersion
from mediashelf.formats.inf.rules import Found

LONGEST_IDENTIFIER = 199
"""Characters: "less than 200" (hardware-ids)."""

_FAST = 1
_DECODER = json.JSONDecoder()


class PackageFacts(NamedTuple):
    """What every question about an INF package needs."""

    class_name: str
    provider: str
    signature: str
    version: DriverVersion
    digest: str
    is_cut: bool
    plain_views: list[Any]  # as they were packed: most questions need one of them

    @property
    def views(self) -> tuple[KeptView, ...]:
        """How all systems read it."""
        return tuple(_view(plain) for plain in self.plain_views)

    def view_of(self, system: str, bases: Container[int]) -> KeptView | None:
        """Return how a system reads it, None for a system that was not asked about.

        Of the install sections only those with a number among ``bases`` are in it.
        """
        plain = next((one for one in self.plain_views if system in one[0].split()), None)
        return _view(plain, bases) if plain is not None else None


def _view(plain: list[Any], bases: Container[int] | None = None) -> KeptView:
    systems, fit, sections, installs = plain
    kept = [
        KeptInstall(base, name, feature, tuple(missing), *map(tuple, more))
        for base, name, feature, missing, *more in installs  # earlier readers kept no more
        if bases is None or base in bases
    ]
    return KeptView(tuple(systems.split()), Fit(fit), tuple(sections), tuple(kept))


class PackageMore(NamedTuple):
    """What only an answer needs: the descriptions of the models entries, the files, the text.

    ``found`` is what is wrong with the text, as :func:`.found_in` says it.
    """

    descriptions: tuple[str, ...]
    files: tuple[str, ...]
    found: tuple[Found, ...] = ()


class OtherFacts(NamedTuple):
    """What is kept of a package without a driver INF; ``missing`` None cannot be judged."""

    kind: str
    names: tuple[str, ...]
    files: tuple[str, ...]
    missing: tuple[str, ...] | None


def pack(package: KeptPackage | KeptOther) -> tuple[str, bytes, bytes]:
    """Return the kind of a package and its two texts; the second may be empty."""
    if isinstance(package, KeptPackage):
        return "inf", *_pack_package(package)
    texts = [package.title, package.names, package.files, package.missing]
    return package.kind, _pack(texts), b""


def _pack_package(package: KeptPackage) -> tuple[bytes, bytes]:
    views = [
        [" ".join(view.systems), view.fit.value, view.sections, view.installs]
        for view in package.views
    ]
    facts = [
        package.class_name,
        package.provider,
        package.signature,
        package.version,
        package.digest.hex()[:32],
        int(package.is_cut),
        views,
    ]
    more = [[model.description for model in package.models], package.files, package.found]
    return _pack(facts), _pack(more)


def unpack_facts_of(packed: bytes) -> PackageFacts:
    """Return the first of the two texts as a value."""
    class_name, provider, signature, (date, version), digest, is_cut, views = _unpack(packed)
    return PackageFacts(
        class_name,
        provider,
        signature,
        DriverVersion(tuple(date), tuple(version)),
        digest,
        bool(is_cut),
        views,
    )


def unpack_more(packed: bytes) -> PackageMore:
    """Return the second of the two texts as a value."""
    descriptions, files, *text = _unpack(packed)  # of earlier readers there may be less or more
    told = tuple((rule, line, words) for rule, line, words in (text[0] if text else ()))
    return PackageMore(tuple(descriptions), tuple(files), told)


def unpack_other(packed: bytes) -> OtherFacts:
    """Return the first of the two texts of a package without a driver INF as a value."""
    title, names, files, missing = _unpack(packed)
    lacking = None if missing is None else tuple(missing)
    return OtherFacts(title, tuple(names), tuple(files), lacking)


def identifier_rows(package: KeptPackage | KeptOther) -> Iterator[tuple[str, int, int, int, int]]:
    """Yield identifier, number of the entry, place in it, section and install name."""
    if isinstance(package, KeptPackage):
        for number, model in enumerate(package.models):
            for place, text in enumerate(model.identifiers):
                if _can_be_reported(text):
                    yield text, number, place, model.section, model.base
    else:
        for number, text in enumerate(dict.fromkeys(package.identifiers)):
            if _can_be_reported(text):
                yield text.upper(), number, 0, 0, 0


def _can_be_reported(identifier: str) -> bool:
    """Tell whether a device can have this identifier at all."""
    return bool(identifier) and identifier.isascii() and len(identifier) <= LONGEST_IDENTIFIER


def _pack(plain: Any) -> bytes:
    # ASCII escapes carry lone surrogates, which UTF-8 would refuse.
    return zlib.compress(json.dumps(plain, separators=(",", ":")).encode("ascii"), _FAST)


def _unpack(packed: bytes) -> Any:
    plain, _ = _DECODER.raw_decode(zlib.decompress(packed).decode("ascii"))
    return plain
