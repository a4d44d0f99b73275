"""``coupon.toml``: what the test piece is, which specimens are asked for and were cut, when another one may be tested."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, Strict, model_validator

from specimeter.errors import SpecimeterError
from specimeter.judge.limits import Rule
from specimeter.sheet import Test
from specimeter.sheet_fields import FolderName, Text, number, words
from specimeter.toml_file import Table, validated, wrong
from specimeter.toml_file import read as read_toml

OVER_SPECIMENS = ("each", "sum", "count")  # the tests of a rule that make sense over several specimens


class CouponError(SpecimeterError, ValueError):
    """The coupon's file has an unknown key, a wrong value, or specimens that contradict each other."""


class Coupon(Table):
    """The test piece itself."""

    id: FolderName = Field(description="the stamp on the test piece")
    client: Text | None = words("client")
    order: Text | None = words("order")
    procedure: Text | None = words("welding procedure that is being qualified")
    welder: Text | None = words("welder or operator who is being qualified")
    process: Text | None = words("welding process")
    position: Text | None = words("welding position")
    material: Text | None = words("parent material")
    heat: Text | None = words("heat or cast number")
    filler: Text | None = words("filler metal")
    thickness_mm: float | None = number(0.3, 500, "thickness of the plate or pipe wall in mm")
    cut_map: Text | None = words("where the specimens were cut from, in words or by the drawing's number")
    rules: Text | None = words("code, edition and clause that ask for these specimens")


class Specimen(Table):
    """One specimen cut from it."""

    id: FolderName = Field(description="the specimen's stamp, which also names its record")
    test: Test = Field(description="its test")
    position: Text | None = words("where in the test piece it was cut from")
    record: Text | None = words("folder of its record, seen from this file; by default its id in the folder of records")
    replaces: FolderName | None = Field(None, description="id of the specimen whose place it takes")


class Retest(Table):
    """When a specimen that broke a limit may be replaced. A void test, and `replace`, always ask for another one."""

    after: Annotated[tuple[Literal["exceeds", "replace", "void"], ...], Strict(False)] = Field(
        ("replace", "void"), description='outcomes after which others may be tested: a list of "exceeds", "replace", "void"'
    )
    specimens: int = Field(1, ge=1, le=10, description="how many take the place of one: a whole number from 1 to 10")
    basis: Text | None = words("code and clause of the retest rule")


class Entered(Table):
    """The whole file."""

    coupon: Coupon = Field(description="the table [coupon]: what the test piece is")
    required: dict[Test, Annotated[int, Field(ge=1, le=100)]] = Field(
        description="how many specimens of each test are asked for"
    )
    specimen: Annotated[tuple[Specimen, ...], Strict(False), Field(max_length=500)] = Field(
        (), description="one table [[specimen]] for each specimen that was cut"
    )
    retest: Retest = Field(Retest(), description="the table [retest]: when another specimen may be tested")
    decision: Literal["guarded", "simple"] = Field("guarded", description="how the uncertainty enters the rules below")
    rule: Annotated[tuple[Rule, ...], Strict(False), Field(max_length=50)] = Field(
        (), description="one table [[rule]] for each limit over all specimens, written as in the limits"
    )

    @model_validator(mode="after")
    def _consistent(self) -> Entered:
        by_id = {one.id: one for one in self.specimen}
        if len(by_id) != len(self.specimen):
            raise wrong("two specimens have the same id", field="specimen", mend="give each its own stamp")
        for one in self.specimen:
            if one.replaces is None:
                continue
            old = by_id.get(one.replaces)
            if old is None:
                raise wrong(
                    f"{one.id} replaces {one.replaces}, which is not among the specimens",
                    field="specimen",
                    mend="keep the specimen that failed in the file: its record stays",
                )
            if old.test != one.test:
                raise wrong(f"{one.id} is a {one.test} and replaces a {old.test}", field="specimen")
            seen = {one.id}
            step: Specimen | None = old
            while step is not None:
                if step.id in seen:
                    raise wrong(f"{one.id} replaces itself in the end", field="specimen")
                seen.add(step.id)
                step = by_id.get(step.replaces or "")
        for rule in self.rule:
            if rule.test not in OVER_SPECIMENS:
                raise wrong(
                    f'a rule over specimens cannot have the test "{rule.test}"',
                    field="rule",
                    expected=", ".join(OVER_SPECIMENS),
                )
        return self


def read(path: str | Path) -> Entered:
    """Read and check a coupon's file.

    Raises
    ------
    CouponError
        It cannot be read, or a key, a value or an expression in it is wrong.
    """
    return from_tables(read_toml(path, what="the coupon", error=CouponError), file=path)


def from_tables(data: Mapping[str, Any], *, file: str | Path | None = None) -> Entered:
    """The same from tables in memory. Raises CouponError."""
    entered = validated(Entered, data, file=file, error=CouponError)
    for rule in entered.rule:
        try:
            rule.check()
        except SpecimeterError as error:
            raise CouponError(error.problem, file=file, field=error.field, expected=error.expected, mend=error.mend) from error
    return entered
