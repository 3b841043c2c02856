"""Audits and pages for tests of reports: results made by hand, and pages taken apart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property
from html.parser import HTMLParser
from pathlib import Path

from mediashelf.catalogue.auditing.audit import AuditResult
from mediashelf.catalogue.auditing.names import AuditJob
from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.findings import Finding, Severity
from mediashelf.integrity.fixity.comparing import FixityVerdict, State
from mediashelf.integrity.fixity.digests import Digests
from mediashelf.integrity.structure.damage import Span, TouchedEntry

MIB = 1 << 20
CREATED = "2026-11-25T08:05:26Z"
HOSTILE = "</title><script>alert(1)</script>\x1b[2J\u202e<img src=x onerror=a>&quot;'\"\udcff"
VOID = {"meta", "br", "img", "input", "wbr"}


def finding(
    rule: str = "extent-inside-image",
    severity: Severity = Severity.ERROR,
    *,
    where: str = "/A.TXT",
    message: str = "something is wrong",
    offset: int | None = None,
    length: int | None = None,
    remedy: str = "do something",
    source: str = "ECMA-119 9.1",
    target: str = "",
) -> Finding:
    return Finding(
        rule,
        severity,
        where,
        message,
        remedy=remedy,
        source=source,
        offset=offset,
        length=length,
        target=target,
    )


def image_row(path: str, size: int, *, raw: bool = False, digests: bool = True) -> ImageRow:
    return ImageRow(
        id=1,
        shelf="home",
        root=Path("/shelf"),
        path=path,
        size=size,
        mtime_ns=0,
        file_system="",
        presence=Presence.HERE,
        verdict="recorded",
        judged_by="scan",
        problem="",
        is_sheet=False,
        looks_raw=raw,
        entry_count=20,
        scanned_at="2025-01-02T03:04:05Z",
        audited_at=None,
        recorded_at="2025-01-02T03:04:05Z",
        confirmed_at="2025-06-07T08:09:10Z",
        digests={"xxh3_128": "0" * 32} if digests else {},
        labels=("TIDE",),
    )


def result(
    path: str = "tide.iso",
    state: State = State.SOUND,
    *,
    size: int = 8 * MIB,
    recorded_size: int | None = None,
    findings: Sequence[Finding] = (),
    spans: Sequence[Span] = (),
    touched: Sequence[TouchedEntry] = (),
    raw: bool = False,
    recorded: bool = True,
) -> AuditResult:
    """One image's verdict as an audit would give it."""
    row = image_row(path, size if recorded_size is None else recorded_size, raw=raw)
    is_here = state not in (State.AWAY, State.MISSING)
    job = AuditJob(Path("/shelf") / path, f"home: {path}", row if recorded else None, Presence.HERE)
    reading = Reading(
        size=size if is_here else 0,
        digests=Digests(size, {"xxh3_128": "0" * 32}, b"") if is_here else None,
        structure_read=is_here,
        looks_raw=raw,
        is_missing=not is_here,
    )
    verdict = FixityVerdict(
        state,
        "all bytes read; structure read" if is_here else "nothing read",
        tuple(findings),
        tuple(spans),
        state is State.SOUND and recorded,
        size if is_here else 0,
    )
    return AuditResult(job, verdict, reading, tuple(touched), 20)


class Page(HTMLParser):
    """A page taken apart; every element must be closed in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self._words: list[str] = []
        self.title = ""
        self.script = ""
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag, f"</{tag}> closes another element"

    def handle_data(self, data: str) -> None:
        if "script" in self._open:
            self.script += data
        elif self._open[-2:] == ["head", "title"]:
            self.title += data
        elif "style" not in self._open:
            self._words.append(data)

    @cached_property
    def words(self) -> str:
        """What a person can read."""
        return "".join(self._words)

    @property
    def flat(self) -> str:
        """The words with single spaces."""
        return " ".join(self.words.split())

    @property
    def names(self) -> set[str]:
        """The elements that occur."""
        return {tag for tag, _ in self.elements}

    def with_class(self, *names: str) -> Iterator[dict[str, str]]:
        """The attributes of the elements that have all these classes."""
        for _, attributes in self.elements:
            if set(names) <= set(attributes.get("class", "").split()):
                yield attributes
