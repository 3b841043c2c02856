"""Folders, recipes and images as the trees that a target sees."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from mediashelf.building.plan import plan_disc
from mediashelf.building.recipe import Recipe, load_recipe, recipe_from_folders
from mediashelf.drivers.tree import Tree, TreeFile, tree_of_disc
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import Entry, VolumeKind
from mediashelf.image import DiscImage, open_image
from mediashelf.readability.targets import Target

RECIPE_SUFFIX = ".toml"

_PLANNED_KINDS = (VolumeKind.JOLIET, VolumeKind.ISO9660)


class Source:
    """One folder, recipe or image; ``findings`` hold for every target."""

    def __init__(self, name: str, findings: list[Finding]) -> None:
        self.name = name
        self.findings = findings
        self.targets: tuple[str, ...] = ()

    def tree_for(self, target: Target) -> Tree | None:
        """Return what ``target`` sees, None when it reads nothing of it."""
        raise NotImplementedError


class PlannedSource(Source):
    """A folder or a recipe, under the names that the disc built from it has."""

    def __init__(self, name: str, recipe: Recipe, on_bytes: Callable[[int], None]) -> None:
        plan = plan_disc(recipe, on_bytes=on_bytes)
        # What else is wrong with the disc is for building it.
        errors = [finding for finding in plan.findings if finding.severity is Severity.ERROR]
        super().__init__(name, errors)
        self.targets = recipe.targets
        self._files = plan.files

    def tree_for(self, target: Target) -> Tree | None:
        kind = next((kind for kind in target.trees if kind in _PLANNED_KINDS), None)
        if kind is None:
            return None
        sources: dict[str, str] = {}
        files = []
        for file in self._files:
            paths = (file.long_path, file.short_path)
            path, hidden_path = paths if kind is VolumeKind.JOLIET else paths[::-1]
            sources[path] = file.source
            files.append(TreeFile(path, file.size, hidden_path))

        def read(file: TreeFile, limit: int) -> bytes:
            source = sources[file.path]
            if not source:
                return b""  # a page that is made with the disc
            with Path(source).open("rb") as stream:
                return stream.read(limit)

        return Tree(self.name, kind.value, tuple(files), read)


class ImageSource(Source):
    """An opened image."""

    def __init__(self, image: DiscImage) -> None:
        self._image = image
        # The reader's own findings are for the audit; here it counts whether files may lack.
        findings = list(image.findings) if not image.facts.volumes else []
        findings += [
            Finding(
                "listing-incomplete",
                Severity.WARNING,
                f"{image.path} ({volume.kind.value})",
                "Not every file of this tree could be listed",
                "audit the image: what seems to be missing may be there",
            )
            for volume in image.facts.volumes
            if not volume.is_complete
        ]
        super().__init__(str(image.path), findings)

    def tree_for(self, target: Target) -> Tree | None:
        return tree_of_disc(self.name, self._image.facts, target.trees, self._read)

    def _read(self, entry: Entry, limit: int) -> bytes:
        return self._image.read_file(entry, limit)


@contextmanager
def open_sources(
    paths: tuple[Path, ...], *, on_bytes: Callable[[int], None] = lambda count: None
) -> Iterator[list[Source]]:
    """Open folders, recipes (``.toml``) and images; raises what their readers raise.

    Folders are planned as discs, which reads files of equal size; ``on_bytes`` is
    called with the bytes read.
    """
    with ExitStack() as stack:
        sources: list[Source] = []
        for path in paths:
            if path.is_dir():
                sources.append(PlannedSource(str(path), recipe_from_folders([path]), on_bytes))
            elif path.suffix.lower() == RECIPE_SUFFIX:
                sources.append(PlannedSource(str(path), load_recipe(path), on_bytes))
            else:
                sources.append(ImageSource(stack.enter_context(open_image(path))))
        yield sources
