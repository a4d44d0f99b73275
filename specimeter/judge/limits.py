"""Acceptance limits as the user entered them: read, checked, and every expression in them parsed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache, cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Discriminator, Field, Strict, Tag, model_validator

from specimeter.errors import LimitsError
from specimeter.judge.expression import ANY, Expression, Quantity, Truth, holds, parse
from specimeter.sheet import KINDS, Kind
from specimeter.sheet import Test as SpecimenTest
from specimeter.sheet_fields import Text
from specimeter.toml_file import Table, validated, wrong
from specimeter.toml_file import read as read_toml

MM_PER_INCH = 25.4  # exact
MAX_RULES = 200

Test = Literal["each", "sum", "count", "share", "spacing", "window", "section", "observation"]
FEATURE_TESTS = ("each", "sum", "count", "share", "spacing", "window")

FEATURE_SIZES = {
    **dict.fromkeys(("length_mm", "width_mm", "nearest_mm", "along_weld_mm", "through_wall_mm", "depth_mm"), 1),
    "area_mm2": 2,
}
SECTION_SIZES = {
    **dict.fromkeys(
        (
            "leg_1_mm", "leg_2_mm", "throat_mm", "theoretical_throat_mm", "convexity_mm", "penetration_mm", "excess_weld_mm",
            "root_excess_mm", "weld_width_mm", "misalignment_mm", "haz_width_mm", "depth_mm", "width_mm", "root_radius_mm",
        ),
        1,
    ),
    "weld_area_mm2": 2,
    **dict.fromkeys(("toe_angle_1_deg", "toe_angle_2_deg", "opening_angle_deg", "dilution", "stress_concentration"), 0),
}  # fmt: skip

# Names without a unit of their own are the sheet's values: lengths in the rule's unit, angles in degrees.
SHEET_LENGTHS = {
    "t": ("specimen", "parent_thickness_mm"),
    "t_s": ("specimen", "specimen_thickness_mm"),
    "w": ("specimen", "specimen_width_mm"),
    "weld_width": ("specimen", "weld_width_mm"),
    "former": ("bend", "former_diameter_mm"),
    "root_gap": ("weld", "root_gap_mm"),
    "root_face": ("weld", "root_face_mm"),
    "a": ("weld", "nominal_throat_mm"),
    "s": ("weld", "nominal_thickness_mm"),
    "z": ("weld", "nominal_leg_mm"),
}
SHEET_ANGLES = {"bend_angle": ("bend", "angle_deg"), "bevel_angle": ("weld", "bevel_deg")}


@cache
def in_inches(name: str) -> str:
    """The same size's name in inches: ``length_mm`` -> ``length_in``, ``area_mm2`` -> ``area_in2``."""
    return re.sub(r"_mm(2?)$", r"_in\1", name)


def _sized(sizes: Mapping[str, int]) -> dict[str, Quantity | Truth]:
    names: dict[str, Quantity | Truth] = {name: Quantity(power, "mm" if power else "") for name, power in sizes.items()}
    return names | {in_inches(name): Quantity(power, "in") for name, power in sizes.items() if power}


FEATURE_NAMES = _sized(FEATURE_SIZES) | {"at_corner": Truth()}
SECTION_NAMES = _sized(SECTION_SIZES)


def _rule_id(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]{0,39}", text) or text in {"and", "or", "not", "min", "max", "abs"}:
        raise wrong(
            f'got the text "{text}"',
            expected="a word of letters, digits and _ that begins with a letter, so that accept can name it",
            mend="write _ for a hyphen or a space: corner_replace",
        )
    return text


Limit = Annotated[
    Annotated[str, Tag("[text]")] | Annotated[float, Field(ge=-1e6, le=1e6), Tag("[number]")],
    Discriminator(lambda limit: "[text]" if isinstance(limit, str) else "[number]"),
]


class Head(Table):
    """The table [limits]: what the limits are and how they decide."""

    title: Text = Field(description="what the limits are for: a line of text")
    basis: Text = Field(description="code, edition and clause that the limits were entered from: a line of text")
    decision: Literal["guarded", "simple"] = Field(
        description='how the uncertainty enters: "guarded" (within only if value + U <= limit) or "simple" (the value is '
        "compared, U reported)"
    )
    accept: str | None = Field(
        None,
        description="how rules combine: their ids with and, or, not and parentheses; a rule that is not named must be kept "
        "besides",
    )
    tests: Annotated[tuple[SpecimenTest, ...], Strict(False)] = Field(
        (), description='the tests that the limits are for: a list such as ["side-bend"]; absent: any'
    )
    applies: str | None = Field(
        None, description='a condition on the sheet that the limits are for, such as "t > 3"; lengths in it are in mm'
    )


class Rule(Table):
    """One limit. `size`, `where`, `counted` and `limit` are expressions; lengths without a unit are in `unit`."""

    id: Annotated[str, AfterValidator(_rule_id)] = Field(description="the rule's short name, used in accept and in verdicts")
    name: Text | None = Field(None, description="what the rule is about: a line of text")
    kinds: Annotated[tuple[Kind, ...], Strict(False)] = Field(
        (), description="the kinds (or causes) it looks at: a list of " + ", ".join(KINDS)
    )
    where: str | None = Field(None, description='a condition on the feature, such as "not at_corner"')
    size: str | None = Field(None, description='the size that is compared, such as "length_mm", or an expression of sizes')
    test: Test = Field(description='"each", "sum", "count", "share", "spacing", "window", "section" or "observation"')
    counted: str | None = Field(
        None,
        description='a condition: which features enter a sum, count, share, spacing or window, such as "length_mm > 1 and '
        'length_mm <= 3"; without effect where the test is "each"',
    )
    limit: Limit | None = Field(
        None, description='the limit: a number, or arithmetic such as "min(3, t / 2)" on t, t_s, w and other sheet values'
    )
    unit: Literal["mm", "in"] = Field("mm", description='the unit the code prints: "mm" or "in"')
    sense: Literal["at most", "below", "at least", "above"] = Field(
        "at most", description='"at most" (<=), "below" (<), "at least" (>=) or "above" (>) the limit'
    )
    beyond: Literal["exceeds", "replace"] = Field(
        "exceeds", description='what it means to be beyond the limit: "exceeds", or "replace" (another specimen is asked for)'
    )
    of: Literal["area", "length"] | None = Field(
        None,
        description='what a share refers to, or what a count is divided by: "area" (examined) or "length" (of weld examined)',
    )
    window_mm: float | None = Field(
        None, gt=0, le=10_000, description="length of the window along the weld in mm: a number above 0"
    )
    observation: str | None = Field(None, description="the sheet's observation that decides, such as complete-root-fusion")
    must_be: bool | None = Field(None, description="the observation that is accepted: true or false")

    @property
    def asks_along_weld(self) -> bool:
        """Whether it needs to know where features lie along the weld."""
        expressions = (self.size_expression, self.where_expression, self.counted_expression)
        names = {name for one in expressions if one is not None for name in one.names}
        return self.test == "window" or self.of == "length" or any(name.startswith(("along_", "through_")) for name in names)

    @property
    def label(self) -> str:
        return self.name or self.id

    @model_validator(mode="after")
    def _fits_its_test(self) -> Rule:
        needs = {
            "each": ("kinds", "size", "limit", "unit", "sense"),
            "sum": ("kinds", "size", "limit", "unit", "sense"),
            "count": ("kinds", "limit", "sense") if self.of is None else ("kinds", "limit", "sense", "unit"),
            "share": ("kinds", "of", "limit", "sense"),
            "spacing": ("kinds", "limit", "unit", "sense"),
            "window": ("kinds", "size", "window_mm", "limit", "unit", "sense"),
            "section": ("size", "limit", "sense"),
            "observation": ("observation",),
        }[self.test]
        may = {
            "each": ("where", "counted"),
            "sum": ("where", "counted"),
            "count": ("where", "counted", "unit", "of"),
            "share": ("where", "counted", "size", "unit"),
            "spacing": ("where", "counted"),
            "window": ("where", "counted"),
            "section": ("unit",),
            "observation": ("must_be",),
        }[self.test]
        given = self.model_fields_set - {"id", "name", "test", "beyond"}
        for key in needs:
            if key not in given or getattr(self, key) in (None, ()):
                raise wrong(f'{key} is missing in a rule whose test is "{self.test}"', field=key, mend=f"add {key}")
        if self.test == "window" and self.sense not in ("at most", "below"):
            raise wrong(
                f'a window is searched for its greatest sum, and "{self.sense}" asks for a least one',
                field="sense",
                mend='write "at most" or "below"',
            )
        fields = type(self).model_fields  # a record stores defaults too: one that says nothing is not unfit
        if unfit := sorted(key for key in given - {*needs, *may} if getattr(self, key) != fields[key].default):
            raise wrong(
                f'{unfit[0]} has no meaning in a rule whose test is "{self.test}"', field=unfit[0], mend=f"remove {unfit[0]}"
            )
        return self

    def sheet_names(self) -> dict[str, Quantity | Truth]:
        lengths: dict[str, Quantity | Truth] = {name: Quantity(1, self.unit) for name in SHEET_LENGTHS}
        return lengths | {name: Quantity() for name in SHEET_ANGLES}

    @cached_property
    def size_expression(self) -> Expression | None:
        if self.size is None:
            return None
        names = SECTION_NAMES if self.test == "section" else FEATURE_NAMES
        return parse(self.size, {**names, **self.sheet_names()}, gives=Quantity, field=self._field("size"))

    @cached_property
    def limit_expression(self) -> Expression | None:
        if self.limit is None:
            return None
        names = self.sheet_names() | (SECTION_NAMES if self.test == "section" else {})
        text = self.limit if isinstance(self.limit, str) else repr(self.limit)
        return parse(text, names, gives=Quantity, field=self._field("limit"))

    @cached_property
    def where_expression(self) -> Expression | None:
        return self._condition("where")

    @cached_property
    def counted_expression(self) -> Expression | None:
        return self._condition("counted")

    @property
    def dimension(self) -> int:
        """Of what is compared: 1 a length, 2 an area, 0 a number, a share in percent or an angle in degrees."""
        if self.test in ("spacing", "window", "each", "sum", "section") and self.size_expression is not None:
            return max(self.size_expression.quantity.dimension, 0)
        return 1 if self.test == "spacing" else 0

    @property
    def shown_unit(self) -> str:
        """Of the verdict's value and limit."""
        if self.dimension:
            return self.unit + ("2" if self.dimension == 2 else "")
        if self.test == "share":
            return "%"
        if self.test == "count" and self.of is not None:
            return f"per {self.unit}{'2' if self.of == 'area' else ''}"
        names = self.size_expression.names if self.size_expression else ()
        return "deg" if names and all(name.endswith("_deg") for name in names) else ""

    def check(self) -> None:
        """Parse everything, and refuse a limit that is not of the same dimension as what it limits."""
        size, limit = self.size_expression, self.limit_expression
        _ = self.where_expression, self.counted_expression
        if self.test == "share" and size is not None and size.quantity.dimension != (2 if self.of == "area" else 1):
            raise LimitsError(
                f"a share of {self.of} needs a size that is {'an area' if self.of == 'area' else 'a length'}",
                field=self._field("size"),
                mend='write size = "area_mm2"' if self.of == "area" else 'write size = "length_mm"',
            )
        if size is not None and size.quantity.dimension not in (0, 1, 2):
            raise LimitsError("this size is neither a length, an area nor a plain number", field=self._field("size"))
        if isinstance(self.limit, float | int) and self.limit < 0 and self.test != "section":
            raise LimitsError(
                f"the limit {self.limit:g} is below 0, and no size can be", field=self._field("limit"), expected="0 or more"
            )
        if limit is not None and limit.quantity.dimension not in (self.dimension, ANY):
            named = {0: "a plain number", 1: "a length", 2: "an area"}
            raise LimitsError(
                f"this limit is {named.get(limit.quantity.dimension, 'a product of lengths')}, and what it limits is "
                f"{named[self.dimension]}",
                field=self._field("limit"),
            )

    def _condition(self, key: str) -> Expression | None:
        text = getattr(self, key)
        return text and parse(text, {**FEATURE_NAMES, **self.sheet_names()}, gives=Truth, field=self._field(key))

    def _field(self, key: str) -> str:
        return f"rule[{self.id}].{key}"


class Limits(Table):
    """The whole file: `limits.limits` is the table [limits], `limits.rule` the rules in the order they were entered."""

    limits: Head = Field(description="the table [limits]: title, basis, decision")
    rule: Annotated[tuple[Rule, ...], Strict(False), Field(min_length=1, max_length=MAX_RULES)] = Field(
        description="one table [[rule]] for each limit, at least one"
    )

    @property
    def guarded(self) -> bool:
        return self.limits.decision == "guarded"

    @cached_property
    def applies_expression(self) -> Expression | None:
        names = {name: Quantity(1, "mm") for name in SHEET_LENGTHS} | {name: Quantity() for name in SHEET_ANGLES}
        applies = self.limits.applies
        return applies if applies is None else parse(applies, names, gives=Truth, field="limits.applies")

    @property
    def beside_accept(self) -> tuple[str, ...]:
        """Ids of the rules that `accept` does not name: each of them must be kept besides."""
        named = self.accept_expression.names if self.accept_expression is not None else frozenset()
        return tuple(rule.id for rule in self.rule if rule.id not in named)

    @cached_property
    def accept_expression(self) -> Expression | None:
        accept = self.limits.accept
        names = {rule.id: Truth() for rule in self.rule}
        return accept if accept is None else parse(accept, names, gives=Truth, field="limits.accept")

    @model_validator(mode="after")
    def _distinct(self) -> Limits:
        ids = [rule.id for rule in self.rule]
        if twice := next((one for one in ids if ids.count(one) > 1), None):
            raise wrong(f'two rules have the id "{twice}"', field="rule", mend="give each rule an id of its own")
        return self

    def check(self) -> None:
        """Parse every expression; refuse an `accept` that holds whatever is found.

        Raises
        ------
        LimitsError
            With the field and a mark under the place.
        """
        for rule in self.rule:
            rule.check()
        _ = self.applies_expression
        accept = self.accept_expression
        if accept is not None and holds(accept, dict.fromkeys(accept.names, False), guarded=True):
            raise LimitsError(
                "accept holds even where every rule is broken",
                field="limits.accept",
                expected="a condition that no specimen meets which keeps none of the rules",
                mend="leave out the word not; to ask for the opposite, turn the sense of the rule round",
            )


def read(path: str | Path) -> Limits:
    """Read and check acceptance limits.

    Raises
    ------
    LimitsError
        The file cannot be read, is not TOML, or a key, a value or an expression in it is wrong.
    """
    data = read_toml(path, what="the limits", error=LimitsError)
    return from_tables(data, file=path)


def from_tables(data: Mapping[str, Any], *, file: str | Path | None = None) -> Limits:
    """The same from tables that are already in memory: a stored record's, for one. Raises LimitsError."""
    limits = validated(Limits, data, file=file, error=LimitsError)
    try:
        limits.check()
    except LimitsError as error:
        raise LimitsError(error.problem, file=file, field=error.field, expected=error.expected, mend=error.mend) from error
    return limits
