"""Findings in runs are counted without being made, and are the same as single ones."""

from __future__ import annotations

import pytest

from byte_views import BytesView
from make_image import make_iso
from mediashelf.findings import (
    Finding,
    FindingRun,
    Severity,
    at_least,
    iter_runs,
    joined,
    summary,
    worst,
)
from mediashelf.formats.disc import read_disc
from mediashelf.readability.check import check_disc, check_targets, verdict_on
from mediashelf.readability.rule_types import Rule
from mediashelf.readability.targets import load_targets


def notes(count: int) -> FindingRun:
    return FindingRun(
        "a-note",
        Severity.NOTE,
        "",
        count,
        lambda index: Finding("a-note", Severity.NOTE, str(index), "m"),
    )


ERROR = Finding("an-error", Severity.ERROR, "/", "message")


def test_a_sequence_like_that_of_its_findings() -> None:
    findings = joined(notes(3), [ERROR])
    single = [*notes(3), ERROR]
    assert [finding.where for finding in single] == ["0", "1", "2", "/"]
    assert (len(findings), list(findings)) == (4, single)
    assert (findings, findings[-1], findings[1:3]) == (single, ERROR, single[1:3])
    assert notes(3)[-1] == single[2]
    assert notes(3)[1:] == single[1:3]
    with pytest.raises(IndexError):
        notes(3)[3]
    for words in (summary, worst, verdict_on):
        assert words(findings) == words(single)  # type: ignore[operator]
    assert at_least(findings, Severity.WARNING) == at_least(single, Severity.WARNING) == [ERROR]
    assert [len(run) for run in iter_runs(findings)] == [3, 1]
    assert [len(run) for run in iter_runs(single)] == [3, 1]


def test_findings_of_a_disc_are_made_only_when_they_are_asked_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    files = {f"F{number:03d}.TXT": b"%d" % number for number in range(200)}
    files["SAME1.TXT"] = files["SAME2.TXT"] = b""
    long = {path: f"long name {path}" for path in files}
    facts = read_disc(BytesView(make_iso(files, joliet=3, long_names=long).data)).facts
    target = load_targets()["dos"]
    made: list[int] = []
    make = Rule._finding

    def counting(self: Rule, *known: object) -> Finding:
        made.append(1)
        return make(self, *known)  # type: ignore[arg-type]

    monkeypatch.setattr(Rule, "_finding", counting)
    ((_, found),) = check_targets(facts, [target])
    assert summary(found) == "202 notes"
    assert not made
    assert list(found) == list(check_disc(facts, target))
    assert len(made) == 404
    wheres = [finding.where for finding in found if finding.rule == "long-name-seen"]
    assert wheres[:2] == ["/F000.TXT", "/F001.TXT"]


def test_many_places_of_one_rule_are_looked_for_again_where_they_are_printed() -> None:
    long = {f"F{number:03d}.TXT": f"{'long name ' * 7}{number:03d}.txt" for number in range(450)}
    made = make_iso({name: name.encode() for name in long}, joliet=3, long_names=long)
    facts = read_disc(BytesView(made.data)).facts
    ((_, found),) = check_targets(facts, [load_targets()["win9x"]])
    (run,) = [one for one in iter_runs(found) if one.rule == "joliet-name-length"]
    one_by_one = [run[place] for place in range(len(run))]
    assert list(run) == one_by_one
    assert [one.where for one in run] == sorted(f"/{name}" for name in long.values())
