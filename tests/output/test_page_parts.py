"""The page's parts: paths that stay on their points, sums that add up as shown, colours that can be told apart."""

from __future__ import annotations

import math
import re
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point

from linelab.measured import Measured, withheld
from linelab.output.display import clear, measured_text, number_text, rounded_parts, typeset
from linelab.output.page.html_file import Varying
from linelab.output.page.readings import steps
from linelab.output.page.svg_map import band_path, boxes_path, map_path, path_data, thinned


def followed(path: str) -> np.ndarray:
    """Points of a path made of M, l and z, read as SVG 1.1 (second edition), section 8.3, has it."""
    points = []
    for command, rest in re.findall(r"([Mlz])([^Mlz]*)", path):
        numbers = [int(n) for n in re.findall(r"-?\d+", rest)]
        pairs = list(zip(numbers[::2], numbers[1::2]))
        if command == "M":
            points.append(pairs[0])
        elif command == "l":
            for dx, dy in pairs:
                points.append((points[-1][0] + dx, points[-1][1] + dy))
    return np.array(points)


def test_a_path_leads_through_its_points_without_the_rounding_adding_up():
    x = np.linspace(0.0, 997.3, 5001)
    y = 40.0 * np.sin(x / 7.0)
    points = followed(path_data(x, y))
    assert np.array_equal(points[-1], np.rint([x[-1], y[-1]]))
    line = LineString(np.column_stack([x, y]))
    assert max(line.distance(p) for p in (Point(q) for q in points)) < 0.72


def test_the_map_has_north_above():
    assert map_path(np.array([0.0, 1.0]), np.array([0.0, 2.0])) == "M0 0l100-200"


@pytest.mark.parametrize("tolerance", [0.01, 0.03, 0.1])
def test_thinned_lines_stay_within_about_the_tolerance(tolerance):
    """Against shapely's own distance, on a clothoid-like line with straights and tight bends."""
    s = np.arange(0.0, 900.0, 0.5)
    heading = np.cumsum(0.5 * 0.12 * np.sin(s / 31.0) * (np.sin(s / 90.0) > 0.0))
    x, y = np.cumsum(0.5 * np.cos(heading)), np.cumsum(0.5 * np.sin(heading))
    keep = thinned(x, y, tolerance)
    kept = LineString(np.column_stack([x[keep], y[keep]]))
    off = max(kept.distance(Point(a, b)) for a, b in zip(x, y))
    assert off < 1.6 * tolerance + 0.02  # points half a metre apart may themselves cut a bend
    assert keep.size < 0.6 * s.size
    assert keep[0] == 0
    assert keep[-1] == s.size - 1


def test_straight_lines_need_their_ends_only():
    x = np.linspace(0.0, 100.0, 50)
    assert thinned(x, 2.0 * x, 0.01).tolist() == [0, 49]


def test_bands_and_boxes():
    x = np.array([0.0, 1.0])
    assert band_path(x, np.array([0.0, 0.0]), np.array([5.0, 6.0])) == "M0 5l1 1 0-6-1 0z"
    assert boxes_path(*(np.array([value]) for value in (1.0, 4.0, -3.0, 0.0))) == "M1 -3H4V0H1z"


@given(st.lists(st.floats(-3.0, 3.0), min_size=1, max_size=30), st.sampled_from([1, 2, 3]))
def test_parts_add_up_as_shown(parts, digits):
    total = math.fsum(parts)
    whole, shown = rounded_parts(total, parts, digits)
    assert whole == pytest.approx(round(total, digits), abs=1.1 * 10.0**-digits)
    assert sum(round(value * 10**digits) for value in shown) == round(whole * 10**digits)
    assert all(abs(a - b) <= 1.01 * 10.0**-digits for a, b in zip(shown, parts))
    assert all(f"{value:.{digits}f}" == f"{round(value, digits):.{digits}f}" for value in shown)


@given(st.lists(st.floats(-3.0, 3.0), min_size=1, max_size=30), st.integers(-1, 1))
def test_parts_add_up_to_a_sum_that_was_rounded_within_a_larger_one(parts, units):
    whole, shown = rounded_parts(round(math.fsum(parts), 2) + 0.01 * units, parts)
    assert sum(round(100 * value) for value in shown) == round(100 * whole)


def test_figures_as_text():
    assert measured_text(Measured(0.391, 0.021), signed=True) == "+0.39 ±0.04"
    assert measured_text(Measured(-0.0004, 0.0001), signed=True) == "0.00 ±0.01"  # certainty is never claimed
    assert measured_text(withheld("bias")) == "-"
    assert typeset("-0.10 ±0.02") == "−0.10 ±0.02"
    assert typeset("-") == "–"
    assert number_text(-0.001) == "0.00"
    assert clear(Measured(0.2, 0.05))
    assert not clear(Measured(0.2, 0.15))
    assert not clear(withheld("bias"))
    assert clear(Measured(-0.2, 0.05), both=True)


@given(st.lists(st.floats(-500.0, 500.0), min_size=1, max_size=200))
def test_steps_give_the_values_back(values):
    back = np.cumsum(steps(np.array(values), 100.0)) / 100.0
    np.testing.assert_allclose(back, values, atol=0.0051)


def test_what_varies_is_held_once():
    vary = Varying(2)
    assert vary.mark("text", ("same", "same")) == ""
    assert vary.mark("text", ("a", "b")) == ' data-by-lap="text"'
    assert vary.mark("d", ("b", "a")) == ' data-by-lap="d"'
    assert vary.collected() == {"texts": ["a", "b"], "laps": [[0, 1], [1, 0]]}
    with pytest.raises(ValueError, match="zip"):
        vary.mark("text", ("a", "b", "c"))


def _colours() -> dict[str, dict[str, str]]:
    """Custom properties of the page's style, light and dark."""
    text = (files("linelab") / "data" / "page" / "review.css").read_text(encoding="utf-8")
    blocks = {"light": r":root \{([^}]*)\}", "dark": r':root\[data-theme="dark"\] \{([^}]*)\}'}
    return {
        name: dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})\b", re.search(pattern, text).group(1)))
        for name, pattern in blocks.items()
    }


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, W3C Recommendation, definition "relative luminance")."""
    parts = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_can_be_read_and_lines_told_apart(theme):
    """WCAG 2.2: 4.5 to 1 for text (1.4.3), 3 to 1 for what a picture needs to be understood (1.4.11)."""
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)  # the standard's own greatest value
    colours = _colours()[theme]
    for ground in ("paper", "sheet"):
        for ink in ("ink", "soft", "loss", "gain"):
            assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground)
    for line in ("loss", "loss-mild", "gain", "ink"):
        assert contrast(colours[line], colours["road"]) >= 2.5, line
    for line in ("loss", "gain", "ink", "focus"):
        assert contrast(colours[line], colours["sheet"]) >= 3.0, line


def test_both_dark_blocks_agree():
    """The dark colours stand twice, for the system's wish and for the page's own switch."""
    text = (files("linelab") / "data" / "page" / "review.css").read_text(encoding="utf-8")
    wish = re.search(r':root:not\(\[data-theme="light"\]\) \{([^}]*)\}', text).group(1)
    switch = re.search(r':root\[data-theme="dark"\] \{([^}]*)\}', text).group(1)
    assert wish.split() == switch.split()


def test_loss_is_wider_as_well_as_more_orange():
    """A colour never carries a message alone: for eyes that cannot tell orange from teal, and on paper."""
    text = (files("linelab") / "data" / "page" / "review.css").read_text(encoding="utf-8")
    widths = [
        float(re.search(rf"\.driven{name} \{{[^}}]*stroke-width: ([\d.]+)px", text).group(1))
        for name in (r"\.gains", "", r"\.loses", r"\.loses-much")
    ]
    assert widths == sorted(set(widths))


def test_lines_differ_on_grey_paper():
    """In print each pair of the driven line's classes differs in luminance, in width by a third, or in its dashes."""
    text = (files("linelab") / "data" / "page" / "review.css").read_text(encoding="utf-8")
    printed = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6})\b", text[text.index("@media print") :]))
    looks = {}
    for name in ("", r"\.gains", r"\.loses", r"\.loses-much"):
        rule = re.search(rf"\.driven{name} \{{([^}}]*)\}}", text).group(1)
        colour = printed[re.search(r"stroke: var\(--([\w-]+)\)", rule).group(1)]
        wide = colour if len(colour) == 7 else "#" + "".join(2 * digit for digit in colour[1:])
        looks[name] = (wide, float(re.search(r"stroke-width: ([\d.]+)px", rule).group(1)), "dasharray" in rule)
    pairs = [(a, b) for k, a in enumerate(looks) for b in list(looks)[k + 1 :]]
    for a, b in pairs:
        (grey, width, dashed), (other, wider, broken) = looks[a], looks[b]
        ratio = max(width, wider) / min(width, wider)
        assert contrast(grey, other) > 1.5 or ratio > 4.0 / 3.0 or dashed != broken, (a, b)
    assert contrast("#888888", "#000000") > 3.0  # power and brake
