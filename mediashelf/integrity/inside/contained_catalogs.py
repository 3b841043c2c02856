"""Driver catalogs inside an image, compared with the files beside them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from msgspec import Struct, field

from mediashelf.errors import FormatError
from mediashelf.findings import Finding
from mediashelf.formats.packed.catalog_file import (
    MAX_CATALOG_SIZE,
    SOURCE,
    CatalogMember,
    parse_catalog,
)
from mediashelf.formats.runs import Run, RunsView
from mediashelf.integrity.inside.catalog_digests import digests_of
from mediashelf.integrity.inside.content_files import (
    ContentFile,
    Image,
    findings_of,
    volumes_by_name,
)
from mediashelf.integrity.inside.file_trees import FileTree, Places
from mediashelf.integrity.inside.selfchecks.faults import Fault, Tally, structure_fault

MOST_CLAIMS = 200_000
"""Members of all catalogs of a disc that are compared; further ones are counted."""


class _Claim(NamedTuple):
    """What a catalog says of the file at ``path``."""

    catalog_path: str
    member: CatalogMember
    path: str


_Claims = dict[tuple[tuple[Run, ...], str], list[_Claim]]  # by place and path


def check_contained_catalogs(
    image: Image,
    catalogs: Sequence[ContentFile],
    tally: Tally,
    *,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Iterator[Finding]:
    """Yield where files of an image are not what the catalogs in their folder say.

    A file is right when one member of its name in one of those catalogs has its digest:
    folders hold catalogs of several systems, and catalogs hold members of several
    folders. A package often has its programs in folders inside its own, one for each
    kind of processor, under one name; see :class:`_Group`. Signatures are not verified.
    """
    trees = [FileTree(volume) for volume in volumes_by_name(image.facts)]
    claims: _Claims = {}
    groups: dict[Places, _Group] = {}
    left = MOST_CLAIMS
    for file in catalogs:
        tally.files += 1
        if file.size > MAX_CATALOG_SIZE:
            tally.unverified["catalogs that are too long"] += 1
            continue
        tally.unverified["signatures"] += 1
        view = RunsView(image.view, file.runs)
        try:
            catalog = parse_catalog(view.read(0, view.size))
        except OSError:
            continue  # reading it before has said so
        except FormatError as error:
            tally.faulty_files += 1
            fault = structure_fault("catalog-structure-holds", error, size=1, source=SOURCE)
            yield from findings_of(fault, file.path, view)
            continue
        if catalog.others:
            tally.unverified["members without a digest that is known here"] += catalog.others
        for member in catalog.members:
            found = _find(member.name, file, trees)
            below = _find_below(member.name, file, trees, catalogs) if found is None else ()
            if not left and (found or below):
                tally.unverified["members beyond our own limit"] += 1
            elif below:
                left -= 1
                group = groups.setdefault(below, _Group())
                group.claims.append(_Claim(file.path, member, member.name))
            elif found is None:
                tally.unverified["members that are not beside their catalog"] += 1
            else:
                left -= 1
                path, runs = found
                claims.setdefault((runs, path), []).append(_Claim(file.path, member, path))
    for (runs, _), told in sorted(claims.items()):
        yield from _compare(RunsView(image.view, runs), told, tally, on_bytes)
    for places, group in sorted(groups.items()):
        yield from group.compare(image, places, tally, on_bytes)


def _find(
    name: str, beside: ContentFile, trees: Sequence[FileTree]
) -> tuple[str, tuple[Run, ...]] | None:
    name = name.replace("\\", "/")  # some name a folder of the package too
    if not name or "\0" in name or ".." in name.split("/"):
        return None
    return next(filter(None, (tree.find(name, beside) for tree in trees)), None)


def _find_below(
    name: str, beside: ContentFile, trees: Sequence[FileTree], catalogs: Sequence[ContentFile]
) -> Places:
    if not name or any(separator in name for separator in "/\\\0"):
        return ()
    return next(filter(None, (tree.find_below(name, beside, catalogs) for tree in trees)), ())


class _Group(Struct):
    """Files of one name in the folders of a package, and all that its catalogs say of the name.

    Which member is which file is not said. So files of which no member has the digest are
    wrong only where there are as many of them as members whose digest no file has.
    """

    claims: list[_Claim] = field(default_factory=list)

    def compare(
        self,
        image: Image,
        places: Places,
        tally: Tally,
        on_bytes: Callable[[int], None],
    ) -> Iterator[Finding]:
        """Read the files and compare them."""
        wrong: list[tuple[str, RunsView, str]] = []
        seen: set[str] = set()
        for path, runs in places:
            contents = RunsView(image.view, runs)
            read = digests_of(contents, _algorithms(self.claims), tally, on_bytes)
            if read is None:
                continue
            found, is_clear = read
            mine = _matching(found, self.claims)
            seen |= mine
            if mine:
                tally.verified["files by their digest"] += 1
            elif is_clear:
                wrong.append((path, contents, found[-1][self.claims[0].member.algorithm]))
            else:
                tally.unverified["programs with data after their last section"] += 1
        open_digests = {
            (each.member.algorithm, each.member.digest)
            for each in self.claims
            if each.member.digest not in seen
        }
        kinds = Counter(algorithm for algorithm, _ in open_digests)
        if len(wrong) != max(kinds.values(), default=0):
            if open_digests:
                tally.unverified["members that may be any of several files"] += len(wrong) or 1
            return
        for path, contents, digest in wrong:
            yield from findings_of(_fault(self.claims, contents, digest), path, contents)


def _algorithms(claims: Sequence[_Claim]) -> set[str]:
    return {claim.member.algorithm for claim in claims}


def _matching(found: Sequence[dict[str, str]], claims: Sequence[_Claim]) -> set[str]:
    digests = {digest for each in found for digest in each.values()}
    return digests & {claim.member.digest for claim in claims}


def _compare(
    contents: RunsView,
    claims: Sequence[_Claim],
    tally: Tally,
    on_bytes: Callable[[int], None],
) -> Iterator[Finding]:
    """Read one file and compare it with all that catalogs say of it."""
    read = digests_of(contents, _algorithms(claims), tally, on_bytes)
    if read is None:
        return
    found, is_clear = read
    if _matching(found, claims):
        tally.verified["files by their digest"] += 1
        return
    if not is_clear:
        tally.unverified["programs with data after their last section"] += 1
        return
    fault = _fault(claims, contents, found[-1][claims[0].member.algorithm])
    yield from findings_of(fault, claims[0].path, contents)


def _fault(claims: Sequence[_Claim], contents: RunsView, digest: str) -> Fault:
    claim = claims[0]
    algorithm = claim.member.algorithm
    catalogs = sorted({each.catalog_path for each in claims})
    others = f" or {len(catalogs) - 1:,} more beside it" if len(catalogs) > 1 else ""
    return Fault(
        rule="file-matches-its-catalog",
        message=f"the {algorithm} digest is not the one in {catalogs[0]}{others}",
        offset=0,
        size=contents.size,
        found=digest,
        expected=claim.member.digest,
        remedy="the file or the catalog is damaged, or the file was changed after the catalog "
        "was made; compare with another copy of the disc",
        source=SOURCE,
    )
