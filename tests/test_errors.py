"""What a person reads of an error: one message, and nothing in it that a terminal would obey."""

from __future__ import annotations

import pickle

from specimeter.errors import SheetError


def test_control_characters_are_shown_not_obeyed():
    """An escape sequence from a file and a line break in a file's name are spelled out; the message's own lines stay."""
    error = SheetError("got the text \x1b[31m\x00", file="a\nb.toml", field="specimen.test", expected="a test")
    assert str(error) == "a\\nb.toml, specimen.test: got the text \\x1b[31m\\x00\n  expected: a test"


def test_an_error_survives_pickling():
    """Between processes every part is kept."""
    error = SheetError("wrong", file="a.toml", field="x", expected="y", mend="z")
    assert str(pickle.loads(pickle.dumps(error))) == str(error)
