"""The window's numbers against the command line's, on every sample."""

from __future__ import annotations

import pytest

from specimeter.data import sample_images
from specimeter.record import model

SAMPLES = sorted(path.name.removesuffix(".sheet.toml") for path in sample_images().glob("*.sheet.toml"))
PARTS = ("sheet", "limits", "photos", "scales", "surfaces", "examined", "features", "section", "verdicts", "outcome", "reasons")


@pytest.mark.parametrize("name", SAMPLES)
def test_the_window_and_the_command_line_give_the_same_numbers(hand, sample_record, name):
    """To the last digit: the window computes nothing of its own."""
    by_command = model.load(sample_record(name))
    hand.open(sample_images() / f"{name}.jpg")
    by_window = hand.bench.session.record
    assert by_window is not None, hand.bench.wrong.text()
    for part in PARTS:
        assert getattr(by_window, part) == getattr(by_command, part), part
