"""The shared style: letters that can be read, on light and on dark ground and on paper."""

from __future__ import annotations

import re
from itertools import product

import pytest

from mediashelf.catalogue.auditing.audit import Depth
from mediashelf.reports.audit.page import audit_html
from report_samples import CREATED, result

STYLE = audit_html([result()], Depth.DIGESTS, scope="", created=CREATED, created_by="")
SCHEMES = [
    dict(re.findall(r"--([\w-]+): (#\w+);", block))
    for block in re.findall(r":root \{([^}]*)\}", STYLE)
]


def luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    parts = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.1, 1.4.3 and its definition of relative luminance)."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_measure_is_right() -> None:
    """Black on white is 21 to 1, and #767676 is the lightest grey that passes on white (WCAG)."""
    assert contrast("#000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#fff") >= 4.5 > contrast("#777777", "#fff")


def test_there_are_three_schemes_of_the_same_colours() -> None:
    assert len(SCHEMES) == 3
    assert {frozenset(scheme) for scheme in SCHEMES} == {frozenset(SCHEMES[0])}


@pytest.mark.parametrize("scheme", SCHEMES, ids=["light", "dark", "paper"])
def test_text_stands_out_from_its_ground(scheme: dict[str, str]) -> None:
    for ink, ground in product(("ink", "soft", "mark", "hurt"), ("paper", "shade")):
        assert contrast(scheme[ink], scheme[ground]) >= 4.5, (ink, ground)
    assert contrast(scheme["ink"], scheme["mark-fill"]) >= 4.5


@pytest.mark.parametrize("scheme", SCHEMES, ids=["light", "dark", "paper"])
def test_drawn_shapes_stand_out_from_what_is_beside_them(scheme: dict[str, str]) -> None:
    """Shapes that carry meaning need 3 to 1 (WCAG 2.1, 1.4.11)."""
    for edge, ground in product(("soft", "mark", "hurt", "ink"), ("paper", "shade", "mark-fill")):
        assert contrast(scheme[edge], scheme[ground]) >= 3, (edge, ground)
