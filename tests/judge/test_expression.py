"""Expressions: what they give, and that nothing else parses."""

from __future__ import annotations

import ast
import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.errors import LimitsError
from specimeter.judge.expression import Quantity, Truth, holds, parse, value
from specimeter.judge.interval import Interval, NotMeasured

MM, IN = Quantity(1, "mm"), Quantity(1, "in")
NAMES = {"t": MM, "length_mm": MM, "length_in": IN, "area_mm2": Quantity(2, "mm"), "angle": Quantity(), "at_corner": Truth()}


def number(text, **known):
    return value(parse(text, NAMES, gives=Quantity, field="limit"), {k: Interval.exact(v) for k, v in known.items()})


def condition(text, guarded=True, **known):
    known = {k: Interval.exact(v) if isinstance(v, float) else v for k, v in known.items()}
    return holds(parse(text, NAMES, gives=Truth, field="where"), known, guarded=guarded)


@pytest.mark.parametrize(
    "text", ["min(3, t / 2)", "t", "2 + 0.1 * t", "-t + 3 * t", "max(1, t / 4, abs(2 - t))", "1 + (t - 1) / 2", "+3"]
)
def test_arithmetic_is_pythons_own(text):
    """Against Python's evaluation of the same text (general-purpose language, the test's own eval on trusted text)."""
    for t in (0.5, 4.0, 25.0):
        assert number(text, t=t).value == pytest.approx(eval(text, {"t": t}), rel=1e-15)


def test_conditions():
    assert condition("not at_corner", at_corner=False) is True
    assert condition("not at_corner", at_corner=None) is None
    assert condition("1 < length_mm <= 3", length_mm=3.0) is True
    assert condition("1 < length_mm <= 3", length_mm=1.0) is False
    assert condition("not (at_corner and length_mm < 6)", at_corner=True, length_mm=6.0) is True
    assert condition("at_corner or length_mm > 2", at_corner=None, length_mm=3.0) is True
    assert condition("length_mm > 1", length_mm="it leaves the picture") is None
    close = Interval.around(2.95, 0.1)
    assert condition("length_mm <= 3", length_mm=close) is None
    assert condition("length_mm <= 3", guarded=False, length_mm=close) is True


def test_a_number_that_is_not_there_is_a_reason():
    limit = parse("min(3, t / 2)", NAMES, gives=Quantity, field="limit")
    with pytest.raises(NotMeasured, match="no thickness"):
        value(limit, {"t": "the sheet gives no thickness"})
    with pytest.raises(NotMeasured, match="divides by zero"):
        number("3 / (t - t)", t=2.0)


@pytest.mark.parametrize(
    ("text", "told", "marked"),
    [
        ("min(3, tt)", 'did you mean "t"?', "tt"),
        ("mim(3, t)", 'did you mean "min"?', "mim"),
        ("min", "parentheses after it", "min"),
        ("min(t)", "two or more", "min(t)"),
        ("abs(t, 3)", "one number", "abs(t, 3)"),
        ("3,5", "decimal point", "3,5"),
        ("t ** 2", "t * t", "t ** 2"),
        ("t ^ 2", "t * t", "t ^ 2"),
        ("t % 2", "write / 100", "%"),
        ("t // 2", "cannot stand", "t // 2"),
        ("t = 3", "single =", "="),
        ("t ≤ 3", "write <=", "≤"),
        ("t < 3", "a number belongs here", "t < 3"),
        ("t + area_mm2", "a length and an area cannot be added", "t + area_mm2"),
        ("t + length_in", "millimetres and inches", "t + length_in"),
        ("angle + t", "a plain number and a length", "angle + t"),
        ("at_corner", "a number belongs here", "at_corner"),
        ("t.real", "no dots", "t.real"),
        ("t[0]", "cannot stand", "t[0]"),
        ("__import__", "not known", "__import__"),
        ("open(3)", "only min, max and abs", "open"),
        ("(lambda: 3)()", "only min, max and abs", "lambda: 3"),
        ("min(*[1, 2])", "separated by commas", "min(*[1, 2])"),
        ("min(1, t, key=3)", "separated by commas", "min(1, t, key=3)"),
        ("3 if t > 2 else 1", "two rules", "3 if t > 2 else 1"),
        ("[3]", "parentheses", "[3]"),
        ("True", "not a number", "True"),
        ("1j", "not a number", "1j"),
        ("...", "not a number", "..."),
        ("1e999", "absurdly large", "1e999"),
        ("9" * 50, "absurdly large", "9" * 50),
        ("'3'", "numbers and names only", "'"),
        ("t # half", "no comment", "#"),
        ("min(3, t", "never closed", "("),
        ("ü + tü", "not known", "ü"),
        ("- - - - - - - - - - - - - - - - - 3", "nested more than", "- 3"),
    ],
)
def test_a_bad_expression_is_shown_with_its_place(text, told, marked):
    """The line is repeated with a mark exactly under the offending part; what may stand there follows."""
    with pytest.raises(LimitsError) as caught:
        parse(text, NAMES, gives=Quantity, field="rule[single].limit")
    message = str(caught.value)
    assert told in message
    assert caught.value.field == "rule[single].limit"
    line, mark = (row[4:] for row in message.splitlines()[1:3])
    assert line == text
    assert line[mark.index("^") : mark.rindex("^") + 1] == marked
    assert "min max abs" in message


def test_numbers_that_are_large_and_not_absurd():
    """Below a thousand million."""
    assert value(parse("9e8 + t", NAMES, gives=Quantity, field="limit"), {"t": Interval.exact(1.0)}).value == 9e8 + 1
    with pytest.raises(LimitsError, match="absurdly large"):
        parse("1e9", NAMES, gives=Quantity, field="limit")


def test_length_and_emptiness():
    for text, told in (("1 + " * 120 + "1", "at most 400"), ("", "empty"), ("   ", "empty")):
        with pytest.raises(LimitsError, match=told):
            parse(text, NAMES, gives=Quantity, field="limit")


def test_dimensions_are_followed():
    def gives(text):
        return parse(text, NAMES, gives=Quantity, field="size").gives

    assert gives("length_mm * 2") == MM
    assert gives("length_mm * length_mm") == gives("area_mm2")
    assert gives("area_mm2 / length_mm") == MM
    assert gives("length_mm / t") == Quantity()
    assert gives("min(1, length_in)") == IN


PIECES = (
    "t length_mm at_corner ( ) min max abs and or not + - * / < <= == = , 3 0 1.5 ** // . "
    "[ ] { } : lambda if else ü ' for in is _ @ \\ ;"
)
ALLOWED = (
    *(ast.expr_context, ast.Constant, ast.Name, ast.UnaryOp, ast.BinOp, ast.BoolOp, ast.Compare, ast.Call),
    *(ast.UAdd, ast.USub, ast.Not, ast.And, ast.Or, ast.Add, ast.Sub, ast.Mult, ast.Div),
    *(ast.Lt, ast.LtE, ast.Gt, ast.GtE, ast.Eq, ast.NotEq),
)
pieces = st.sampled_from([*PIECES.split(), " "])


@given(text=st.lists(pieces, max_size=14).map(" ".join) | st.text(max_size=30))
@settings(deadline=None, max_examples=250)
def test_nothing_but_a_limits_error_comes_out(text):
    """Any text is either refused with a LimitsError or made only of what is allowed."""
    for gives in (Quantity, Truth):
        with contextlib.suppress(LimitsError):
            found = parse(text, NAMES, gives=gives, field="x")
            assert all(isinstance(node, ALLOWED) for node in ast.walk(found.tree))
            known = {"t": Interval.exact(2.0), "length_mm": Interval.around(3, 0.1), "length_in": Interval.exact(0.1),
                     "area_mm2": Interval.exact(4.0), "angle": Interval.exact(90.0), "at_corner": None}  # fmt: skip
            with contextlib.suppress(NotMeasured):
                if gives is Quantity:
                    assert isinstance(value(found, known), Interval)
                else:
                    assert holds(found, known, guarded=True) in (True, False, None)


@pytest.mark.parametrize(
    ("names", "told", "untold"),
    [
        ({"t": MM}, "the names t", "true or false"),
        ({"at_corner": Truth()}, "and or not, parentheses; true or false: at_corner", "the names"),
        (NAMES, "; true or false: at_corner", "only"),
    ],
)
def test_what_may_be_written_is_told_with_the_names_there_are(names, told, untold):
    with pytest.raises(LimitsError) as refused:
        parse("nonsense +", names, gives=Quantity, field="limit")
    assert told in refused.value.expected
    assert untold not in refused.value.expected
