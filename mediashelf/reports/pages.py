"""Pages for people: one HTML file each, self-contained, everything from discs escaped."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterator
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from mediashelf.reports.allowance import LONGEST_TEXT, shorten
from mediashelf.text import count_text, printable, size_text


def render_page(template: str, **values: object) -> str:
    """Return the page that ``template`` (a file in ``templates/``) makes of ``values``.

    Every value is escaped for HTML, and its control characters and direction
    overrides are made visible. A name that a template asks for and does not get
    is an error, not an empty place.
    """
    return _environment().get_template(template).render(values)


_SCRIPTS = ("sorting", "library")
"""Scripts in ``templates/``; a page's policy allows only the one whose digest it names."""


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("mediashelf.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_finalize,
    )
    environment.filters["size"] = size_text
    environment.filters["count"] = count_text
    environment.filters["short"] = _short
    environment.filters["short_attribute"] = shorten
    environment.filters["as_is"] = as_is
    for name in _SCRIPTS:
        script = _source(environment, f"{name}.js.txt")
        digest = hashlib.sha256(script.encode("utf-8")).digest()
        environment.globals[f"{name}_script"] = Markup(script)
        environment.globals[f"{name}_digest"] = f"sha256-{base64.b64encode(digest).decode('ascii')}"
    return environment


def _source(environment: Environment, name: str) -> str:
    """Return the text of one of our own files in ``templates/``, as it is."""
    assert environment.loader is not None
    text, _, _ = environment.loader.get_source(environment, name)
    return text


_WHOLE = re.compile(
    r"\b(?:[0-9]{4}-[0-9]{2}-[0-9]{2}(?: [0-9]{2}:[0-9]{2}(?::[0-9]{2})?(?: UTC)?)?"
    r"|[0-9][0-9.,]{0,24} (?:bytes?|[KMGT]iB|files?|errors?|warnings?|notes?|sectors?))\b"
)
"""Dates, sizes and counts, which no line breaks."""


def as_is(text: str) -> str:
    """Return a text so that a browser shows all its blanks, of which names may have several.

    Dates, sizes and counts in it stay on one line.
    """
    safe = printable(text)
    marked = Markup("").join(
        Markup('<span class="whole">{}</span>').format(part) if number % 2 else part
        for number, part in enumerate(_parts(safe))
    )
    if "  " in safe or safe != safe.strip():
        return Markup('<span class="as-is">{}</span>').format(marked)
    return marked


def _parts(text: str) -> Iterator[str]:
    """Yield what is before, in and after each match of :data:`_WHOLE`, in turns."""
    at = 0
    for match in _WHOLE.finditer(text):
        yield text[at : match.start()]
        yield match[0]
        at = match.end()
    yield text[at:]


def _short(text: str, longest: int = LONGEST_TEXT) -> str:
    return as_is(shorten(text, longest))


def _finalize(value: object) -> object:
    """Make control characters visible in everything that a template prints."""
    if isinstance(value, str) and not hasattr(value, "__html__"):  # that would be our own markup
        return printable(value)
    return value
