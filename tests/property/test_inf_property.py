"""Any text is read without an error, in time linear in its length."""

from __future__ import annotations

import random
import string
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inf_mutations import SEED_TEXT, mutate
from mediashelf.formats.inf.checks import check_inf
from mediashelf.formats.inf.document import Inf, parse_inf
from mediashelf.formats.inf.models import all_models, models_for
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.systems import InfSystem, find_install_section
from mediashelf.formats.inf.text.lexer import lex_inf

SYSTEMS = (InfSystem(False), InfSystem(True), InfSystem(True, (6, 1), "amd64"))


def use_everything(inf: Inf) -> int:
    """Ask every question that the product asks, and return how many answers there were."""
    answers = len(list(check_inf(inf, where="x"))) + len(list(all_models(inf)))
    answers += len(inf.kind) + len(inf.driver_version)
    for system in SYSTEMS:
        found = {
            find_install_section(inf, model.install, system) for model in models_for(inf, system)
        }
        answers += len(requirements(inf, [name for name in found if name], system).files)
    return answers


@pytest.mark.parametrize("part", range(10))
def test_mutated_texts_are_read_without_an_error(part: int) -> None:
    """Ten times 500 texts; the seed is the part's number, so a failure can be repeated."""
    random_ = random.Random(part)
    answers = 0
    slowest = 0.0
    for _ in range(500):
        data = mutate(SEED_TEXT, random_)
        start = time.process_time()
        answers += use_everything(parse_inf(data))
        slowest = max(slowest, time.process_time() - start)
    assert answers > 500
    assert slowest < 1


@settings(derandomize=True, deadline=None, max_examples=300)
@given(st.binary(max_size=400))
def test_any_bytes_are_read(data: bytes) -> None:
    use_everything(parse_inf(data))


PLAIN = st.text(alphabet=string.ascii_letters + string.digits + " ._&\\-é港", min_size=1).filter(
    lambda text: text == text.strip() and not text.endswith("\\")
)
QUOTED = st.text(alphabet=string.ascii_letters + " ;,=%\\\"'[]é港", min_size=1)


@settings(derandomize=True, deadline=None)
@given(key=PLAIN, values=st.lists(st.one_of(PLAIN, QUOTED), min_size=1, max_size=6))
def test_quoted_values_come_back(key: str, values: list[str]) -> None:
    quoted = ",".join('"' + value.replace('"', '""') + '"' for value in values)
    lexed = lex_inf(f"[s]\n{key} = {quoted} ; end\n")
    assert lexed.problems == []
    (entry,) = lexed.sections["s"].entries
    assert (entry.key, entry.values) == (key, tuple(values))


HOSTILE = {
    "quotes": '"' * 300_000,
    "open quotes": 'a="b\n' * 60_000,
    "percents": "%" * 300_000,
    "percent words": "%a " * 100_000 + ";",
    "backslashes": "\\" * 300_000,
    "continued lines": "a,\\\n" * 75_000,
    "continued quotes": '"a",\\\n' * 50_000,
    "brackets": "[" * 300_000,
    "sections": "".join(f"[{n}]\n" for n in range(40_000)),
    "commas": "," * 300_000,
    "equals": "=" * 300_000,
    "semicolons": "%;" * 150_000,
    "blanks": " " * 300_000 + "x" + "\t" * 300_000,
    "one line of everything": '"a""b" %c% = d ; ' * 20_000,
    "makers of one section": "a=M,NTx86\n" * 20_000 + "[M]\n" + "x=i,y\n" * 20_000,
    "undefined strings": "%a%%b%=M\n" * 20_000,
    "installs of one list": "[M]\n"
    + "".join(f"x=i{n},y\n" for n in range(5_000))
    + "".join(f"[i{n}]\nCopyFiles=L\n" for n in range(5_000))
    + "[L]\n"
    + "".join(f"f{n}\n" for n in range(5_000)),
    "a long string used often": "[M]\n" + "%s%=i,y\n" * 20_000 + f"[Strings]\ns={'z' * 300_000}",
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_texts_take_linear_time(name: str) -> None:
    """300 kB take well under a tenth of a second; anything quadratic would take minutes."""
    text = f"[Version]\nSignature=$Chicago$\n[Manufacturer]\na=M\n{HOSTILE[name]}"
    start = time.process_time()
    use_everything(parse_inf(text.encode()))
    assert time.process_time() - start < 5
