"""Reading a TOML file a person wrote: how places, values and near misses are told."""

from __future__ import annotations

from typing import Annotated

import pytest
from pydantic import AfterValidator, Field

from specimeter.errors import LimitsError
from specimeter.toml_file import Table, dotted, nearest, read, shown, validated, wrong


class Inner(Table):
    id: str = Field(description="a name")
    size_mm: float = Field(gt=0, description="a size in mm: above 0")


class Outer(Table):
    part: tuple[Inner, ...] | None = Field(None, strict=False, description="the parts")
    other: Inner | None = Field(None, description="another part")
    count: int = Field(1, ge=1, description="how many: 1 or more")


def refused(data):
    with pytest.raises(LimitsError) as caught:
        validated(Outer, data, file="F.toml", error=LimitsError)
    return caught.value


def test_the_error_s_class_is_the_caller_s_and_so_is_the_file(tmp_path):
    with pytest.raises(LimitsError, match="the limits"):
        read(tmp_path / "none.toml", what="the limits", error=LimitsError)
    assert refused({"count": 0}).file == "F.toml"


def test_places():
    data = {"part": [{"id": "a", "size_mm": 1}, {"size_mm": -1}]}
    assert dotted(("part", 0, "size_mm"), data) == "part[a].size_mm"
    assert dotted(("part", 1, "size_mm"), data) == "part[item 2].size_mm"
    assert refused({"part": [{"id": "b", "size_mm": 0}]}).field == "part[b].size_mm"


def test_unknown_keys_are_answered_with_what_is_known():
    error = refused({"other": {"id": "a", "size_mm": 1, "sise_mm": 2}})
    assert (error.field, error.mend) == ("other.sise_mm", 'the nearest known key is "size_mm"')
    error = refused({"other": {"id": "a", "size_mm": 1, "colour": 2}})
    assert error.expected == "one of: id, size_mm"
    assert refused({"odder": {}}).mend == 'the nearest known key is "other"'


def test_values_are_told_as_they_stand_in_the_file():
    assert shown(True) == "true (a truth value)"
    assert shown("25") == 'the text "25"'
    assert shown(25.0) == "the number 25.0"
    assert shown({}) == "a table"
    assert len(shown("x" * 1000)) < 100


def test_nearest():
    assert nearest("former_diametr", ["angle_deg", "former_diameter_mm"]) == "former_diameter_mm"
    assert nearest("THICKNESS", ["axis", "thickness"]) == "thickness"
    assert nearest("corner", ["at_corner", "area_mm2"]) == "at_corner"
    assert nearest("zzz", ["axis"]) is None


def test_braces_in_a_value_are_only_braces():
    """A value that looks like a format field must not be taken for one."""

    def refuse(name):
        raise wrong("got {expected} and {0}", expected="{problem}")

    class Picky(Table):
        name: Annotated[str, AfterValidator(refuse)] = Field(description="a name")

    with pytest.raises(LimitsError) as caught:
        validated(Picky, {"name": "x"}, file=None, error=LimitsError)
    assert caught.value.problem == "got {expected} and {0}"
    assert caught.value.expected == "{problem}"
