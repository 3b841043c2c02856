"""What the published rules say about an INF as a text, whatever system reads it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator

from mediashelf.findings import Finding
from mediashelf.formats.inf.copy_checks import iter_copy_faults, iter_disk_faults
from mediashelf.formats.inf.document import Inf, InfKind, Signature
from mediashelf.formats.inf.driver_version import parse_driver_date, parse_driver_version
from mediashelf.formats.inf.models import all_models, makers, model_sections
from mediashelf.formats.inf.named_sections import iter_named_faults
from mediashelf.formats.inf.rules import RULES, Found
from mediashelf.formats.inf.source_files import suffixes_there
from mediashelf.formats.inf.systems import ARCHITECTURES
from mediashelf.formats.inf.text.columns import StringColumns, model_columns, string_columns
from mediashelf.formats.inf.text.encoding import is_utf_16

MAX_SHOWN = 20
"""Findings of one rule for one INF; the rest are counted in one more."""

_MAX_CLASS_NAME = 32

_LONGEST_STRING = 512

_INSTALL_SUFFIXES = ("", ".nt", *(f".nt{architecture}" for architecture in ARCHITECTURES))

_MORE = -1
"""Stands for a line where the findings of a rule are only counted."""


def check_inf(inf: Inf, *, where: str) -> Iterator[Finding]:
    """Yield what is wrong with an INF's text, with line numbers; ``where`` is its path.

    Texts other than driver INFs (``autorun.inf``, scripts of older systems) yield
    nothing. Equal rules are cut at :data:`MAX_SHOWN`.
    """
    yield from as_findings(found_in(inf), where)


def as_findings(all_found: Iterable[Found], where: str) -> Iterator[Finding]:
    """Yield what :func:`found_in` has said of a text as findings; ``where`` is its path."""
    for rule, line, found in all_found:
        if line == _MORE:
            yield _more(rule, where, found)
        else:
            yield text_finding(rule, f"{where} line {line}" if line else where, found)


def found_in(inf: Inf) -> tuple[Found, ...]:
    """Return what is wrong, as it is kept with the text for whoever asks again."""
    return inf.once("found", lambda: tuple(_iter_found(inf)))


def _iter_found(inf: Inf) -> Iterator[Found]:
    if inf.kind in (InfKind.OTHER, InfKind.OEM_SETUP):
        yield from _hidden_driver(inf)
        return
    counts: Counter[str] = Counter()
    for check in _CHECKS:
        for rule, line, found in check(inf):
            counts[rule] += 1
            if counts[rule] <= MAX_SHOWN:
                yield rule, line, found
    for rule, count in counts.items():
        if count > MAX_SHOWN:
            yield rule, _MORE, f"{count - MAX_SHOWN:,}"


def _hidden_driver(inf: Inf) -> Iterator[Found]:
    """Yield the blanks but for which this would be the INF of a driver."""
    names = ("[version]", "[manufacturer]")
    for problem in inf.problems:
        name = "".join(problem.found.lower().split())
        if problem.rule == "section-name-blanks" and name.startswith(names):
            yield problem


def text_finding(rule: str, where: str, found: str) -> Finding:
    """Return the finding of a rule at a place; ``found`` completes its message."""
    row = RULES[rule]
    return Finding(
        rule=rule,
        severity=row.severity,
        where=where,
        message=row.message.replace("{}", found, 1),
        remedy=row.remedy,
        source=row.source,
        found=found,
    )


def _more(rule: str, where: str, count: str) -> Finding:
    row = RULES[rule]
    return Finding(rule, row.severity, where, f"{count} more of this rule", source=row.source)


def _check_text(inf: Inf) -> Iterator[Found]:
    if inf.undecoded:
        yield "undecoded-text", 0, f"{inf.undecoded:,}"
    if inf.encoding == "utf-8" and inf.has_mark:
        yield "utf-8-inf", 0, ""
    elif is_utf_16(inf.encoding) and not inf.has_mark:
        yield "utf-16-inf", 0, "without a byte order mark, so systems may take it for ANSI"
    elif not inf.is_ascii and not is_utf_16(inf.encoding):
        yield "code-page-text", 0, inf.encoding
    for problem in inf.problems:
        yield problem.rule, problem.line, problem.found


def _check_version(inf: Inf) -> Iterator[Found]:
    section = inf.section("version")
    entry = section.find("Signature") if section else None
    line = entry.line if entry else section.line if section else 0
    if inf.signature is None:
        yield "inf-signature", line, repr(inf.version_value("Signature")) if entry else "absent"
    elif inf.signature is Signature.WINDOWS_95:
        yield "signature-windows-95", line, inf.version_value("Signature")
    if section is None or inf.kind is not InfKind.DRIVER:
        return
    name = inf.version_value("Class")
    if len(name) > _MAX_CLASS_NAME:
        yield "class-name-long", section.line, name[:80]
    if not name and not inf.version_value("ClassGuid"):
        yield "class-missing", section.line, ""
    yield from _check_driver_version(inf, section.line)


def _check_driver_version(inf: Inf, line: int) -> Iterator[Found]:
    entry = inf.driver_version_entry
    if entry is None:
        yield "driver-version-absent", line, ""
        return
    known = inf.driver_version
    if any(known.date) and any(known.version):
        return
    date, version = inf.expand(entry.value(0)), inf.expand(entry.value(1))
    if parse_driver_date(date) is None or (version and parse_driver_version(version) is None):
        form = ",".join((date, version)).rstrip(",")[:80]
        yield "driver-version-form", entry.line, form or "empty"


def _check_models(inf: Inf) -> Iterator[Found]:
    for maker in makers(inf):
        has_sections = any(inf.section(name) is not None for name in maker.iter_sections())
        for name in maker.iter_sections():
            # The undecorated section may be left out when there are decorated ones.
            if inf.section(name) is None and not (name == maker.models and has_sections):
                part = "platform" if has_sections else "section"
                yield f"models-{part}-missing", maker.line, name[:80]
    columns = [model_columns(section) for _, _, section in model_sections(inf)]
    if all(one and all(_is_there(inf, name) for name in one.installs) for one in columns):
        return
    seen = set()
    for model in all_models(inf):
        name = model.install.lower()
        if name not in seen:
            seen.add(name)
            if not _is_there(inf, name):
                yield "install-section-missing", model.line, model.install[:80]


def _is_there(inf: Inf, install: str) -> bool:
    return any(inf.section(install + suffix) is not None for suffix in _INSTALL_SUFFIXES)


def _check_strings(inf: Inf) -> Iterator[Found]:
    for name, section in inf.sections.items():
        if name.partition(".")[0] != "strings":
            continue
        columns = string_columns(section)
        if columns is not None and _are_good(columns):
            continue
        values: dict[str, tuple[str, ...]] = {}
        for entry in section.entries:
            if values.setdefault(entry.key.lower(), entry.values) != entry.values:
                yield "duplicate-string", entry.line, entry.key[:80]
            if len(entry.value(0)) > _LONGEST_STRING:
                yield "string-long", entry.line, entry.key[:80]
    yield from _check_tokens(inf)


def _are_good(columns: StringColumns) -> bool:
    is_each_once = len(columns.named) == columns.line_count
    return is_each_once and max(map(len, columns.values)) <= _LONGEST_STRING


def _check_tokens(inf: Inf) -> Iterator[Found]:
    """Look only where a token must be a string; in other data it may be a variable."""
    small = (
        "version",
        "manufacturer",
        *("sourcedisksnames" + suffix for suffix in suffixes_there(inf)),
    )
    names = [*small]
    names += (
        name.lower()
        for maker in makers(inf)
        for name in maker.iter_sections()
        if inf.section(name) is not None
    )
    for name in dict.fromkeys(names):
        section = inf.section(name)
        if section is None or (section.text and "%" not in section.text):
            continue
        columns = model_columns(section) if name not in small else None
        if columns and inf.are_defined(columns.tokens):
            continue
        for entry in section.entries:
            for text in (entry.key, *entry.values):
                for token in inf.undefined(text):
                    yield "undefined-string", entry.line, token[:80]


_CHECKS: tuple[Callable[[Inf], Iterable[Found]], ...] = (
    _check_text,
    _check_version,
    _check_models,
    iter_copy_faults,
    iter_disk_faults,
    iter_named_faults,
    _check_strings,
)
