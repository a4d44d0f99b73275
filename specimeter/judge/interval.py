"""Numbers with their 95 % intervals, and comparisons that may end in "not known" (None)."""

from __future__ import annotations

import math
from dataclasses import dataclass

NOISE = 1e-9  # relative: numbers nearer than this are the same number, told apart only by rounding in the computer


class NotMeasured(Exception):
    """A number that a rule needs is not there; carries the reason as a plain clause."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with the ends of its interval; exact numbers have all three alike."""

    low: float
    value: float
    high: float

    @classmethod
    def exact(cls, value: float) -> Interval:
        return cls(value, value, value)

    @classmethod
    def around(cls, value: float, U: float) -> Interval:
        """The value with its expanded uncertainty (k = 2) on both sides."""
        return cls(value - U, value, value + U)

    @property
    def U(self) -> float:
        """The wider half of the interval, without the noise of the subtraction that gives it."""
        return float(f"{max(self.high - self.value, self.value - self.low):.12g}")

    @classmethod
    def at_least(cls, value: float, U: float) -> Interval:
        """Of something of which a part was measured: the value is that part's, and nothing bounds the whole from above."""
        return cls(value - U, value, math.inf)

    def collapsed(self) -> Interval:
        """The value alone: what a simple decision looks at. What has no upper end still has none."""
        low = self.low if self.low == -math.inf else self.value
        return Interval(low, self.value, self.high if self.high == math.inf else self.value)

    def scaled(self, factor: float) -> Interval:
        return Interval(self.low * factor, self.value * factor, self.high * factor)  # factor > 0: a change of unit

    def __add__(self, other: Interval) -> Interval:
        return _finite(self.low + other.low, self.value + other.value, self.high + other.high)

    def __sub__(self, other: Interval) -> Interval:
        return self + -other

    def __neg__(self) -> Interval:
        return Interval(-self.high, -self.value, -self.low)

    def __mul__(self, other: Interval) -> Interval:
        ends = [a * b for a in (self.low, self.high) for b in (other.low, other.high)]
        return _finite(min(ends), self.value * other.value, max(ends))

    def __truediv__(self, other: Interval) -> Interval:
        if math.inf in (-other.low, other.high):
            raise NotMeasured("it divides by a number of which only one end is known")
        if other.low <= 0 <= other.high:
            raise NotMeasured("it divides by zero" if other.value == 0 else "it divides by a number that may be zero")
        ends = [a / b for a in (self.low, self.high) for b in (other.low, other.high)]
        return _finite(min(ends), self.value / other.value, max(ends))

    def __abs__(self) -> Interval:
        if self.low >= 0:
            return self
        if self.high <= 0:
            return -self
        return Interval(0.0, abs(self.value), max(-self.low, self.high))


def least(parts: list[Interval]) -> Interval:
    return Interval(min(p.low for p in parts), min(p.value for p in parts), min(p.high for p in parts))


def greatest(parts: list[Interval]) -> Interval:
    return Interval(max(p.low for p in parts), max(p.value for p in parts), max(p.high for p in parts))


def total(parts: list[Interval]) -> Interval:
    """The sum; halves add linearly, as if all errors went the same way (one scale, one surface: the safe side)."""
    return _finite(math.fsum(p.low for p in parts), math.fsum(p.value for p in parts), math.fsum(p.high for p in parts))


def compare(left: Interval, sign: str, right: Interval) -> bool | None:
    """Whether ``left sign right`` holds: True or False where the intervals settle it, else None.

    `sign` is one of ``< <= > >= == !=``. Ends that differ by rounding alone count as equal.
    """
    if sign in (">", ">="):
        return compare(right, sign.replace(">", "<"), left)
    if sign == "==":
        if _same(left.low, left.high) and _same(right.low, right.high):
            return _same(left.value, right.value)
        return False if _below(left.high, right.low) or _below(right.high, left.low) else None
    if sign == "!=":
        return not_(compare(left, "==", right))
    if sign == "<":
        if _below(left.high, right.low):
            return True
        return None if _below(left.low, right.high) else False
    if not _below(right.low, left.high):  # <=
        return True
    return False if _below(right.high, left.low) else None


def and_(truths: list[bool | None]) -> bool | None:
    return False if False in truths else None if None in truths else True


def or_(truths: list[bool | None]) -> bool | None:
    return True if True in truths else None if None in truths else False


def not_(truth: bool | None) -> bool | None:
    return None if truth is None else not truth


def _same(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=NOISE, abs_tol=NOISE * NOISE)


def _below(a: float, b: float) -> bool:
    return a < b and not _same(a, b)


def _finite(low: float, value: float, high: float) -> Interval:
    if not all(map(math.isfinite, (low, value, high))):
        raise NotMeasured("it gives no finite number")
    return Interval(low, value, high)
