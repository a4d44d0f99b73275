"""Words for keys: every kind and outcome has some, and no text can hide or reorder what a reader sees."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from specimeter.judge.model import OUTCOMES
from specimeter.report import words
from specimeter.sheet import KINDS


def test_every_key_has_its_words():
    """Nothing that the sheet or the judge can say is without words."""
    assert set(words.KINDS) == set(KINDS)
    assert set(words.OUTCOMES) == set(OUTCOMES)


def test_confidence_in_words():
    """The three words and where one passes into the next."""
    assert [words.confidence(c) for c in (1.0, 0.9, 0.89, 0.6, 0.59, 0.0)] == [
        "sure",
        "sure",
        "likely",
        "likely",
        "doubtful",
        "doubtful",
    ]


@given(st.text())
def test_shown_text_hides_nothing(text):
    """Every character that has no picture of its own is written out; the result is shown as it is."""
    shown = words.shown(text)
    assert all(character.isprintable() or character in "\u200c\u200d" or not character.isascii() for character in shown)
    assert words.shown(shown) == shown
    for hidden in "\u202e\u200b\u2066\x1b\x00\ufeff":
        assert hidden not in shown


def test_entries_keep_the_figures_as_entered():
    """Units come from the key, digits from the user."""
    table = {"former_diameter_mm": 40.0, "angle_deg": 179.5, "valid": True, "sought": ["a", "b"], "length_U_mm": 0.05, "x": []}
    assert dict(words.entries(table)) == {
        "former diameter": "40 mm",
        "angle": "179.5°",
        "valid": "yes",
        "sought": "a, b",
        "length, U (k = 2)": "0.05 mm",
    }


def test_nothing_is_simply_within_before_review():
    """The headline itself says that nobody has looked."""
    assert words.outcome("within", reviewed=False).endswith("not reviewed")
    assert words.outcome("within", reviewed=True) == words.OUTCOMES["within"]
    assert words.outcome("exceeds", reviewed=False) == words.OUTCOMES["exceeds"]


def test_computed_figures_are_cut():
    """Evidence that the program computed is told to four digits, counts whole."""
    table = {"residual_rms_px": 0.0113645617, "points": 123456}
    assert list(words.entries(table, digits=4)) == [("residual rms", "0.01136 px"), ("points", "123456")]
