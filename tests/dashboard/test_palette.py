"""Contrast of every pair of colours that the sheets use, and what colour-blind people see of the figures' colours.

Contrast: relative luminance and ratio as defined in WCAG 2.2 (success criteria 1.4.3 and 1.4.11), from memory.
Colour-blindness: matrices for severity 1.0 of Machado, Oliveira and Fernandes (2009), on linear RGB, from memory; the rows
of such a matrix add up to one, since grey stays grey, which is checked here.
"""

from __future__ import annotations

import re
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest

from dashboard.figures import style

ASSETS = Path(__file__).resolve().parents[2] / "dashboard" / "assets"
TEXT, MARK = 4.5, 3.0

MACHADO = {
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
}


def linear(colour):
    """Linear RGB of ``#rrggbb``."""
    part = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    light, dark = sorted((float(linear(c) @ (0.2126, 0.7152, 0.0722)) for c in (one, other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def lab(rgb):
    """CIE L*a*b* of linear sRGB, white D65 (CIE 15, from memory)."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ np.clip(rgb, 0, 1)
    ratio = xyz / (0.9505, 1.0, 1.089)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(one, other, matrix):
    """Distance of two colours as seen: CIE 1976 colour difference."""
    return float(np.linalg.norm(lab(matrix @ linear(one)) - lab(matrix @ linear(other))))


def blocks(sheet, selector):
    """Every rule of the selector outside of ``@media``, and those inside by their condition."""
    bare = re.sub(r"/\*.*?\*/", "", sheet, flags=re.S)
    found = {"": {}}
    for condition, body in re.findall(r"@media ([^{]+)\{((?:[^{}]*\{[^{}]*\})*)[^{}]*\}", bare):
        found[condition.strip()] = rules(body, selector)
    found[""] = rules(re.sub(r"@media [^{]+\{(?:[^{}]*\{[^{}]*\})*[^{}]*\}", "", bare), selector)
    return found


def rules(body, selector):
    named = {}
    for heads, inside in re.findall(r"([^{}]+)\{([^{}]*)\}", body):
        if selector in [head.strip() for head in heads.split(",")]:
            named |= dict(re.findall(r"--([a-z-]+):\s*([^;]+);", inside))
    return named


def schemes():
    sheet = (ASSETS / "0-palette.css").read_text("utf-8")
    light, dark = blocks(sheet, ":root"), blocks(sheet, ':root[data-scheme="dark"]')
    more = "(prefers-contrast: more)"
    paper = blocks((ASSETS / "z-print.css").read_text("utf-8"), ":root")["print"]
    full = {key: "#" + "".join(2 * digit for digit in value[1:]) if len(value) == 4 else value for key, value in paper.items()}
    return {
        "light": light[""],
        "dark": light[""] | dark[""],
        "light, more contrast": light[""] | light[more],
        "dark, more contrast": light[""] | light[more] | dark[""] | dark[more],
        "paper": light[""] | {key: value for key, value in full.items() if value.startswith("#")},
    }


SCHEMES = schemes()
GROUNDS = ("paper", "panel", "mark-pale", "pass-pale", "fail-pale", "open-pale", "grid")


@pytest.mark.parametrize("scheme", SCHEMES)
def test_text_stands_out_from_every_ground_it_is_set_on(scheme):
    named = SCHEMES[scheme]
    pairs = [*product(("ink", "soft", "link", "pass", "fail", "open", "none"), GROUNDS), ("mark-ink", "mark"), ("panel", "link")]
    low = {pair: round(contrast(named[pair[0]], named[pair[1]]), 2) for pair in pairs}
    assert {pair: ratio for pair, ratio in low.items() if ratio < TEXT} == {}


@pytest.mark.parametrize("scheme", SCHEMES)
def test_marks_edges_and_the_focus_ring_stand_out(scheme):
    named = SCHEMES[scheme]
    pairs = [*product(("mark", "pass", "fail", "open", "none", "ink"), GROUNDS), *product(("edge",), ("paper", "panel"))]
    low = {pair: round(contrast(named[pair[0]], named[pair[1]]), 2) for pair in pairs}
    assert {pair: ratio for pair, ratio in low.items() if ratio < MARK} == {}


@pytest.mark.parametrize("scheme", ["light", "dark", "paper"])
def test_lines_of_figures_stand_out_from_the_panel(scheme):
    drawn = {*style.RUN_COLOURS, *style.STEP_COLOURS.values(), style.VOLTAGE, style.CURRENT, style.TEMPERATURE, style.SIBLING, style.MARKED}
    low = {colour: round(contrast(colour, SCHEMES[scheme]["panel"]), 2) for colour in drawn}
    assert {colour: ratio for colour, ratio in low.items() if ratio < MARK} == {}


def test_contrast_agrees_with_the_ends_of_the_scale_and_a_known_grey():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    # The lightest grey that is allowed as text on white is commonly given as #767676 (4.54), from memory.
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("kind", MACHADO)
def test_grey_stays_grey_for_colour_blind_eyes(kind):
    assert np.array(MACHADO[kind]).sum(axis=1) == pytest.approx([1, 1, 1], abs=2e-4)


@pytest.mark.parametrize("kind", MACHADO)
def test_runs_differ_in_dash_and_letter_whatever_their_colour(kind):
    matrix = np.array(MACHADO[kind])
    close = [pair for pair in combinations(style.RUN_COLOURS, 2) if apart(*pair, matrix) < 10]
    count = len(style.RUN_COLOURS)
    assert len(set(style.RUN_DASHES)) == count and len(set(style.RUN_LETTERS)) == count == len(style.RUN_LETTERS)
    # The first two, which most comparisons consist of, are told apart by colour as well.
    assert tuple(style.RUN_COLOURS[:2]) not in close
    assert len(close) <= 4, close


@pytest.mark.parametrize("kind", MACHADO)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pass_and_fail_stay_apart_for_colour_blind_eyes_and_have_shapes_of_their_own(kind, scheme):
    matrix, named = np.array(MACHADO[kind]), SCHEMES[scheme]
    assert apart(named["pass"], named["fail"], matrix) > 10
    shapes = (ASSETS / "4-parts.css").read_text("utf-8")
    own = {key: re.findall(rf"\.shape-{key}(?:::\w+)?(?:, [^{{]+)? \{{([^}}]*)\}}", shapes) for key in ("pass", "fail", "not_proven", "none")}
    assert all(own.values()) and len({str(rule) for rule in own.values()}) == 4


def test_no_colour_stands_outside_the_palette():
    """Rules name a variable; the few exceptions are shadows, and ink on the filled bars of figures."""
    allowed = {"#101417"}
    for sheet in sorted(ASSETS.glob("*.css")):
        if sheet.name in ("0-palette.css", "z-print.css"):
            continue
        body = re.sub(r"/\*.*?\*/", "", sheet.read_text("utf-8"), flags=re.S)
        stray = set(re.findall(r"#[0-9a-fA-F]{3,8}\b(?=[^{}]*\})", body)) - allowed
        assert stray == set(), f"{sheet.name}: {stray}"
