"""Strokes and lettering: dashes are told apart by their lengths, lines are drawn where they are asked for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.report.pen import DARK, LIGHT, STYLES, Style, dash, stroke, style_of


def length(points: np.ndarray) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


@given(total=st.floats(50, 5000), on=st.floats(2, 20), off=st.floats(2, 20))
@settings(deadline=None, max_examples=60)
def test_dashes_share_the_line_as_asked(total, on, off):
    """The drawn part of a straight line is on / (on + off) of it, whatever its length: the pattern is fitted whole."""
    pieces = dash(np.array([[0.0, 3.0], [total, 3.0]]), (on, off))
    assert sum(length(piece) for piece in pieces) == pytest.approx(total * on / (on + off), rel=1e-9)


def test_a_short_line_is_drawn_whole():
    """A line shorter than its pattern is not lost."""
    line = np.array([[0.0, 0.0], [3.0, 0.0]])
    assert dash(line, (5, 5))[0] is line


def test_kinds_differ_without_colour():
    """No two of the styles have the same dashes: a grey print still tells them apart."""
    styles = [style_of(kind) for kind in (*STYLES, "lack-of-sidewall-fusion", "other")]
    assert len({style.dashes for style in styles}) == len(styles)


def luminance(colour) -> float:
    """Relative luminance of an sRGB colour: WCAG 2.1."""
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255 for v in colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_light_line_on_dark_casing():
    """WCAG 2.1, 1.4.11 asks 3 : 1 of graphics; every style's line has 7 : 1 against its own casing."""
    for style in [*(style_of(kind) for kind in (*STYLES, "lack-of-fusion", "other")), Style(colour=LIGHT)]:
        assert (luminance(style.colour) + 0.05) / (luminance(DARK) + 0.05) >= 7


def test_a_stroke_lies_on_its_line():
    """The middle of a vertical stroke's light is at its x, to a tenth of a pixel."""
    picture = np.full((60, 60, 3), 120, np.uint8)
    stroke(picture, np.array([[30.4, 5.0], [30.4, 55.0]]), Style(colour=LIGHT), width_px=3, closed=False)
    row = picture[30, :, 0].astype(float)
    light = np.clip(row - 120, 0, None)
    assert (light * np.arange(60)).sum() / light.sum() == pytest.approx(30.4, abs=0.3)
    assert row.min() < 60
