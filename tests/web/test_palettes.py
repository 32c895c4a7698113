"""Contrast, computed from the palettes' own values: WCAG 2.2 criteria 1.4.3 (text 4.5:1) and 1.4.11 (signs 3:1).

Formula and thresholds: WCAG 2.2, "relative luminance" and "contrast ratio".
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

CSS = (Path(__file__).parents[2] / "web" / "style.css").read_text()

TEXT = [(ink, paper) for ink in ("ink", "quiet", "critical", "warning", "note") for paper in ("paper", "raised")]
TEXT += [("paper", "ink")]
SIGNS = [
    (sign, paper)
    for sign in ("stroke", "edge", "focus", "critical", "warning", "note")
    for paper in ("paper", "raised")
]
DECORATION = {"rule"}
"""Separates rows that are apart without it; no information is lost where it is not seen."""


def palettes() -> dict[str, dict[str, str]]:
    blocks = re.findall(r"([^{}]+)\{((?:[^{}])*--paper:[^{}]*)\}", CSS)
    found = {}
    for selector, body in blocks:
        name = selector.strip().splitlines()[-1].strip()
        found[name] = dict(re.findall(r"--([a-z-]+):\s*(#[0-9a-f]{3,6})", body))
    return found


def luminance(colour: str) -> float:
    digits = colour.lstrip("#")
    if len(digits) == 3:
        digits = "".join(2 * digit for digit in digits)
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def ratio(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_standards_own_corner_values() -> None:
    """Black on white is 21:1, and a colour on itself 1:1 (WCAG 2.2, contrast ratio)."""
    assert ratio("#000000", "#ffffff") == pytest.approx(21)
    assert ratio("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the well-known near miss of 4.5


NIGHT, SYSTEM_DAY, DAY = ":root", ":root:not([data-palette])", ':root[data-palette="day"]'


def test_there_are_two_palettes_and_the_light_one_is_the_same_by_wish_and_by_switch() -> None:
    found = palettes()
    assert found[SYSTEM_DAY] == found[DAY]
    assert set(found[DAY]) == set(found[NIGHT])
    assert found[NIGHT] != found[DAY]


@pytest.mark.parametrize("palette", [NIGHT, DAY])
def test_text_has_4_5_to_1(palette: str) -> None:
    values = palettes()[palette]
    low = {
        pair: round(ratio(values[pair[0]], values[pair[1]]), 2)
        for pair in TEXT
        if ratio(values[pair[0]], values[pair[1]]) < 4.5
    }
    assert low == {}


@pytest.mark.parametrize("palette", [NIGHT, DAY])
def test_signs_edges_and_focus_have_3_to_1(palette: str) -> None:
    values = palettes()[palette]
    low = {
        pair: round(ratio(values[pair[0]], values[pair[1]]), 2)
        for pair in SIGNS
        if ratio(values[pair[0]], values[pair[1]]) < 3
    }
    assert low == {}


def test_every_colour_of_the_style_sheet_is_named_in_the_palettes() -> None:
    """No colour hides in a rule, where no contrast would be computed of it."""
    rules = re.sub(r"--[a-z-]+:\s*#[0-9a-f]+;", "", CSS)
    rules = rules.split("@media print")[0]
    assert re.findall(r"#[0-9a-f]{3,8}\b(?![^{]*\{)", re.sub(r"/\*.*?\*/", "", rules, flags=re.S)) == []
    used = set(re.findall(r"var\(--([a-z-]+)\)", CSS)) - {"serif", "sans", "far", "margin"}
    checked = {name for pair in TEXT + SIGNS for name in pair} | DECORATION
    assert used <= checked


def test_no_pure_white_and_no_pure_black_is_on_screen() -> None:
    """Nothing glares in a dark room, and no black hole is in a lit one (common practice, no source)."""
    for name in (NIGHT, DAY):
        assert not {"#fff", "#ffffff", "#000", "#000000"} & set(palettes()[name].values())
