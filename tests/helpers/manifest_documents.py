"""The sample manifest as a document that tests change, and what the reader says of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import jsonschema
import pytest

from mediashelf.errors import ManifestError
from mediashelf.sessions.manifests.manifest import parse_manifest, render_manifest, schema
from mediashelf.sessions.manifests.values import Manifest
from session_samples import sample_manifest

Document = dict[str, Any]
# jsonschema is an independent implementation of JSON Schema draft 2020-12.
VALIDATOR = jsonschema.Draft202012Validator(schema())


def document() -> Document:
    value: Document = json.loads(render_manifest(sample_manifest()))
    return value


def parse(value: object) -> Manifest:
    return parse_manifest(json.dumps(value).encode())


def refusal(value: object) -> str:
    with pytest.raises(ManifestError) as caught:
        parse(value)
    return str(caught.value)


def change(place: str, new: object) -> Callable[[Document], None]:
    """Return what sets ``discs.0.size`` style places; a callable makes new from old."""

    def apply(value: Document) -> None:
        *steps, last = [int(step) if step.isdecimal() else step for step in place.split(".")]
        inside: Any = value
        for step in steps:
            inside = inside[step]
        inside[last] = new(inside[last]) if callable(new) else new

    return apply
