"""Pages for people: one HTML file each, self-contained, everything from discs escaped."""

from __future__ import annotations

import base64
import hashlib
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


def as_is(text: str) -> str:
    """Return a text so that a browser shows all its blanks, of which names may have several."""
    safe = printable(text)
    if "  " not in safe and safe == safe.strip():
        return safe
    return Markup('<span class="as-is">{}</span>').format(safe)


def _short(text: str, longest: int = LONGEST_TEXT) -> str:
    return as_is(shorten(text, longest))


def _finalize(value: object) -> object:
    """Make control characters visible in everything that a template prints."""
    if isinstance(value, str) and not hasattr(value, "__html__"):  # that would be our own markup
        return printable(value)
    return value
