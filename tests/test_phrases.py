"""Plain English: phrases that a technician stumbles over stay out of what people read.

Own behaviour: the list holds what readers marked, and its kind; it grows with every reader.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from mediashelf.formats.structure_rules import STRUCTURE_RULES
from mediashelf.integrity.raw.runs import SECTOR_RULES
from mediashelf.readability.rules.table import RULES

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "mediashelf"

STUMBLES = {
    "is not a …": r"(?<!there )\b(is|are|was) no (?!longer\b|more\b|less\b|other\b)\w+",
    "past the end, after, beyond": r"(?<!left )(?<!leave )(?<!leaves )(?<!leaving )\bbehind\b",
    "fix (mend is a command)": r"\b[Mm]end (them|these|those|the pattern|it first)\b",
    "files with checksums of their own": r"\b(carry|carries|their own|its own) checks\b",
    "EDC good": r"\bproved by (their|its) EDC\b",
    "nested deeper than": r"\bstands? too deep\b",
    "is at, is in": r"\b(lies|lie) (behind|beyond|past|in|on|at|wholly|elsewhere)\b",
    "error(s) block …": r"\b(errors?|findings?|stands?) in (the|its|their) way\b",
    "also record": r"\bon record for good\b",
    "not allowed": r"\bdo(es)? not go\b(?! on)",
    "takes up": r"\bwhat takes the room\b",
    "gets read errors": r"\bunder (its|their) hands\b",
    "internal error": r"\bitself failed at\b",
    "on a target of one's own: name the cure": r"\bof one's own\b",
    "with as few keystrokes as possible": r"\bcold hands\b",
    "will not eject": r"\bdoes not let go\b",
    "narrow the search": r"\badd letters\b",
    "is empty, or not a regular file": r"\bno file with bytes\b",
    "a page title, not a slug": r"\binf-[a-z]+-(section|directive)\b",
    "the manufacturer's disk": r"\bthe maker's own\b",
    "readable only if the system's code page has it": r"\bin some code pages only\b",
    "matches several": r"\bmeans several\b",
    "add memory": r"\bput memory in\b",
    "the workaround": r"\bthe way round\b",
    "agree in number": r"\b1 (entries|files|images|folders|devices|errors|warnings)\b",
}


SPOKEN = {
    "system": r"\b(the|this|that|a|no) target\b(?!('s)? (file|name)\b)",
}
"""What holds only for messages: in the code itself the word is right."""

IN_FILES = ("readability/target_files.py", "readability/targets.py", "manifests/sense.py")
"""What these say is about target files and fields of the manifest."""


def messages(path: Path) -> Iterator[tuple[int, str]]:
    """Yield the texts of a module that are not about the code."""
    tree = ast.parse(path.read_text("utf-8"))
    about_code = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    # What a command says of itself is its help.
    about_code -= {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef)
        and isinstance(node.body[0], ast.Expr)
        and any("command" in ast.unparse(one) for one in node.decorator_list)
    }
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in about_code
        ):
            yield node.lineno, " ".join(node.value.split())


def texts(path: Path) -> Iterator[tuple[int, str]]:
    """Yield what a person may read in a file, with its line."""
    text = path.read_text("utf-8")
    if path.suffix != ".py":
        yield from enumerate(text.split("\n"), start=1)
        return
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, " ".join(node.value.split())


def bare_sizes(source: str) -> Iterator[str]:
    """Yield the sizes of a module's messages that lack the comma of ``2,048 bytes``."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.JoinedStr):
            for value, after in zip(node.values, node.values[1:], strict=False):
                is_plain = isinstance(value, ast.FormattedValue) and value.format_spec is None
                if is_plain and isinstance(after, ast.Constant):
                    yield from [ast.unparse(value)] * after.value.startswith(" bytes")


BEYOND = {"shown", "plain", "largest"}  # texts that have their commas already


@pytest.mark.parametrize(
    "path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: path.relative_to(ROOT).as_posix()
)
def test_sizes_have_one_form(path: Path) -> None:
    source = path.read_text("utf-8")
    assert [one for one in bare_sizes(source) if not BEYOND & set(re.findall(r"\w+", one))] == []
    for line, text in messages(path):
        assert not re.search(r"(?<![\d,:=.`])\d{4,} bytes", text), f"line {line}: {text}"


FILES = sorted(
    [path for path in PACKAGE.rglob("*") if path.suffix in (".py", ".html", ".toml", ".json")]
    + [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "fixtures" / "README.md"]
)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_no_stumbling(path: Path) -> None:
    found = [
        f"line {line}: {match.group()!r} in {text[max(0, match.start() - 30) : match.end() + 30]!r}"
        f": better: {better}"
        for line, text in texts(path)
        for better, pattern in STUMBLES.items()
        for match in re.finditer(pattern, text)
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    "path",
    [path for path in FILES if path.suffix == ".py" and not path.as_posix().endswith(IN_FILES)],
    ids=lambda path: path.relative_to(ROOT).as_posix(),
)
def test_people_read_of_systems(path: Path) -> None:
    found = [
        f"line {line}: {text!r}: better: {better}"
        for line, text in messages(path)
        for better, pattern in SPOKEN.items()
        if re.search(pattern, text)
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    "text", ["x is no folder", "bytes behind the end", "Mend them", "1 entries", "stands too deep"]
)
def test_a_stumble_is_noticed(text: str) -> None:
    assert any(re.search(pattern, text) for pattern in STUMBLES.values())


@pytest.mark.parametrize("text", ["there is no folder", "nothing is left behind", "is no longer"])
def test_good_english_is_not(text: str) -> None:
    assert not any(re.search(pattern, text) for pattern in STUMBLES.values())


@pytest.mark.parametrize(
    "remedy",
    sorted({rule.remedy for rule in (*STRUCTURE_RULES.values(), *RULES, *SECTOR_RULES.values())}),
)
def test_what_to_do_begins_small(remedy: str) -> None:
    # It follows "to do:" wherever it is shown.
    assert not re.match(r"[A-Z][a-z]", remedy)
