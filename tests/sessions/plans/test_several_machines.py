"""One plan for several machines: which one is meant, and what each needs."""

from __future__ import annotations

from pathlib import Path

import pytest

from mediashelf.errors import SessionPlanError
from mediashelf.sessions.plans.session_plan import SessionPlan, for_machine
from plan_texts import parse_plan

TWO = """
name = "Harbour office"
targets = ["win9x"]

[[machine]]
name = "Kiosk PC"
memory = "64MB"

[[machine.part]]
what = "Quillon Audio 16"

[[machine]]
name = "Kiosk PC, spare"
memory = "128MB"

[[disc]]
image = "a.iso"
"""
ONE = TWO.partition("[[machine]]")[0] + '[machine]\nname = "Kiosk PC"\nmemory = "64MB"\n'
ONE += '[[disc]]\nimage = "a.iso"\n'


def parse(text: str) -> SessionPlan:
    return parse_plan(text.encode(), Path())


def test_each_machine_has_its_own_parts_and_facts() -> None:
    first, second = parse(TWO).machines
    assert (first.memory, [part.what for part in first.parts]) == (64 << 20, ["Quillon Audio 16"])
    assert (second.memory, second.parts) == (128 << 20, ())


@pytest.mark.parametrize(
    ("words", "name"),
    [
        ("kiosk pc", "Kiosk PC"),
        ("spare", "Kiosk PC, spare"),
        ("  KIOSK PC,  SPARE ", "Kiosk PC, spare"),
    ],
)
def test_a_machine_is_chosen_by_its_name_or_a_part_of_it(words: str, name: str) -> None:
    plan = for_machine(parse(TWO), words)
    assert plan.machine.name == name
    assert len(plan.machines) == 1


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        ("", "is for several machines; name one with --machine: Kiosk PC; Kiosk PC, spare"),
        ("kiosk", "matches several of its machines"),
        ("Kiosk PV", "spare; did you mean 'Kiosk PC'?"),
    ],
)
def test_one_must_be_meant(words: str, problem: str) -> None:
    with pytest.raises(SessionPlanError) as caught:
        for_machine(parse(TWO), words)
    assert problem in str(caught.value)


@pytest.mark.parametrize(
    ("name", "problem"),
    [
        ("x" * 201, "has 201 characters, expected at most 200"),
        ("ABCDE-12345-ABCDE-12345-ABCDE", "what looks like a product key"),
    ],
)
def test_a_name_that_should_not_be_kept(name: str, problem: str) -> None:
    with pytest.raises(SessionPlanError, match=problem):
        for_machine(parse(ONE), name)
    for_machine(parse(ONE), "x" * 200)
    for written in (f'machine = "{name}"', f'machine = {{ name = "{name}" }}'):
        text = f'name = "n"\ntargets = ["dos"]\n{written}\n[[disc]]\nimage = "a"\n'
        with pytest.raises(SessionPlanError):
            parse(text)


def test_another_machine_of_the_kind_has_the_same_facts() -> None:
    plan = for_machine(parse(ONE), "Kiosk PC, third")
    assert (plan.machine.name, plan.machine.memory) == ("Kiosk PC, third", 64 << 20)
    assert for_machine(parse(ONE), "").machine.name == "Kiosk PC"


def test_a_step_can_be_for_one_machine_alone() -> None:
    step = '[[step]]\ndo = "Take memory out"\nmachine = "Kiosk PC, spare"\n'
    plan = parse(TWO + step + '[[step]]\ndo = "Set the clock"\n')
    told = [[one.do for one in for_machine(plan, words).steps] for words in ("kiosk pc", "spare")]
    assert told == [["Set the clock"], ["Take memory out", "Set the clock"]]
    single = parse(ONE + step.replace(", spare", ""))
    assert len(for_machine(single, "Another one of the kind").steps) == 1
    with pytest.raises(SessionPlanError) as caught:
        parse(ONE + step)
    problem = "machine 'Kiosk PC, spare' is not one of the plan's machines, which are: Kiosk PC"
    assert problem in str(caught.value)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ('name = "Kiosk PC, spare"', "[machine] 2 has no name"),
        ('name = "kiosk pc"', "[machine] 2 has the name of another one"),
        ("optical_boot = true", "optical_boot does not answer the question"),
    ],
)
def test_several_machines_need_names_of_their_own(change: str, problem: str) -> None:
    new = "" if "spare" in change else change
    with pytest.raises(SessionPlanError) as caught:
        parse(TWO.replace('name = "Kiosk PC, spare"', new))
    assert problem in str(caught.value)
