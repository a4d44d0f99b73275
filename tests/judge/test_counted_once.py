"""Several photographs of one imperfection count once, and what any of them shows of a corner holds."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.errors import LimitsError
from specimeter.judge.expression import Quantity, Truth, parse
from specimeter.judge.face import counted_once
from specimeter.measure.feature import Feature


def seen(number: int, at_corner: bool | None, status: str = "confirmed") -> Feature:
    """The same opening on one photograph."""
    return Feature(
        id=f"f{number}",
        photo=f"p{number}",
        kind="opening",
        outline_px=np.zeros((3, 2)),
        length_mm=float(number),
        U_length_mm=0.1,
        at_corner=at_corner,
        status=status,
    )


@pytest.mark.parametrize(
    ("corners", "told"),
    [((True, False), True), ((False, True), True), ((None, True), True), ((False, False), False), ((None, False), None)],
)
def test_at_a_corner_if_one_photograph_shows_it(corners, told):
    """One that shows it settles it; where none does and one does not know, it is not known. The larger size counts."""
    first, second = (seen(number, corner) for number, corner in enumerate(corners, start=1))
    (one,) = counted_once([first, second], {"f1": "f2"})
    assert one.at_corner is told
    assert (one.id, one.length_mm) == ("f2", 2.0)


def test_a_rejected_picture_says_nothing():
    """It is left as it is, beside the other."""
    kept = counted_once([seen(1, False), seen(2, True, "rejected")], {"f1": "f2"})
    assert [(one.id, one.at_corner, one.status) for one in kept] == [("f1", False, "confirmed"), ("f2", True, "rejected")]


@pytest.mark.parametrize("text", ["a = 1", "= 1", "a <= 1 and b = 2"])
def test_a_single_equals_sign_is_marked_where_it_stands(text):
    """Not the one of <=, and at the very beginning too."""
    names = {"a": Quantity(1, "mm"), "b": Quantity(1, "mm")}
    with pytest.raises(LimitsError, match="a single = compares nothing") as caught:
        parse(text, names, gives=Truth, field="where")
    mark = str(caught.value).splitlines()[2]
    assert mark.index("^") - 4 == text.replace("<=", "<#").replace(">=", ">#").index("=")


@pytest.mark.parametrize("text", ["a == 1 1", "a != 1 1", "a <= 1 1", "a >= 1 1"])
def test_signs_that_hold_an_equals_sign_are_not_taken_for_one(text):
    """What is wrong is told, and it is not the sign."""
    with pytest.raises(LimitsError) as caught:
        parse(text, {"a": Quantity(1, "mm")}, gives=Truth, field="where")
    assert "single =" not in str(caught.value)
