"""How numbers are shown to a reader: no more digits than the expanded uncertainty justifies, and counts in words that fit."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, ROUND_UP, Decimal

KEPT = 2  # significant digits of an uncertainty: "at most two", JCGM 100:2008 7.2.6
SPILL = Decimal("0.1")  # of the last kept place: a smaller excess is dropped, a greater one rounds up


def rounded(value: float, U: float) -> tuple[str, str]:
    """The value and its uncertainty as text, both to the same decimal place.

    The uncertainty is rounded to two significant digits, upwards; only an excess of at most a tenth of the last place is
    dropped, so that 28.05 becomes 28 and 10.47 becomes 11. The value is rounded to the nearest at that place.

    Parameters
    ----------
    value, U : float
        In the same unit; U finite and above 0.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM) 7.2.6.

    Examples
    --------
    >>> rounded(10.05762, 0.027)
    ('10.058', '0.027')
    >>> rounded(3.14159, 0.0996)
    ('3.14', '0.10')
    """
    if not U > 0:
        raise ValueError(f"an uncertainty must be above 0, got {U!r}")
    exact = Decimal(repr(float(U)))
    place = _place(exact)
    up = _round_up(exact, place)
    if _place(up) != place:  # 0.0996 became 0.10: it now has one digit more than wanted
        place = _place(up)
        up = up.quantize(place) if place < 1 else up
    nearest = (Decimal(repr(float(value))) / place).quantize(Decimal(1), ROUND_HALF_EVEN) * place
    return _text(nearest, place), _text(up, place)


def plus_minus(value: float | None, U: float | None) -> str | None:
    """``"3.14 ± 0.10"``; the value alone to three digits where U is absent or 0; None where there is no value."""
    if value is None:
        return None
    if not U:
        return figures(value)
    return " ± ".join(rounded(value, U))


def figures(value: float, digits: int = 3) -> str:
    """A number without an uncertainty of its own, to so many significant digits, never in powers of ten.

    >>> figures(0.03124), figures(12.0), figures(1234.5)
    ('0.0312', '12.0', '1230')
    """
    if value == 0:
        return "0"
    exact = Decimal(repr(float(value)))
    place = Decimal(1).scaleb(exact.adjusted() - digits + 1)
    return _text((exact / place).quantize(Decimal(1), ROUND_HALF_EVEN) * place, place)


def counted(number: int, one: str, many: str | None = None) -> str:
    """A number with the word for what is counted; `many` where the plural is not the word with an s.

    >>> counted(1, "entry", "entries"), counted(0, "picture")
    ('1 entry', '0 pictures')
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


def _place(value: Decimal) -> Decimal:
    return Decimal(1).scaleb(value.adjusted() - KEPT + 1)


def _round_up(value: Decimal, place: Decimal) -> Decimal:
    steps = value / place
    whole = steps.to_integral_value(ROUND_HALF_EVEN if steps % 1 <= SPILL else ROUND_UP)
    return whole * place


def _text(value: Decimal, place: Decimal) -> str:
    text = f"{value.quantize(place) if place < 1 else value.quantize(Decimal(1)):f}"
    return text.removeprefix("-") if not value else text
