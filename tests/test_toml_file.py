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


def test_a_length_in_inches_is_asked_for_in_millimetres():
    """1 in is 25.4 mm exactly (international yard and pound, 1959): what a person measured in inches is turned for them."""
    error = refused({"other": {"id": "a", "size_in": 1.18}})
    assert error.mend == "enter it as size_mm, in millimetres (1 in is 25.4 mm)"
    for text in ("1.18 in", "1,18 inch", '1.18"'):
        assert refused({"other": {"id": "a", "size_mm": text}}).mend == "enter millimetres, without quotation marks: 29.972"
    assert (
        refused({"other": {"id": "a", "size_mm": "29,97"}}).mend
        == "write the number without quotation marks, with a decimal point"
    )


@pytest.mark.parametrize(
    ("line", "mend"),
    [
        ("valid = yes", "write true or false"),
        ("valid = True", "write true or false"),
        ("test = side-bend", "put text between quotation marks"),
        ("test = \u201cside-bend\u201d", "straight quotation marks"),
        ("width_mm = 30,01", "a decimal point, not a comma"),
        ("width_mm = 30.01 mm", "its unit is in the key's name"),
        ("bend", "in square brackets: [bend]"),
    ],
)
def test_a_line_that_is_no_toml_is_told_how_to_mend_it(tmp_path, line, mend):
    """What people type instead: words for true and false, typographic quotation marks, a comma, a unit, a bare table's name."""
    (tmp_path / "s.toml").write_text(f"[specimen]\n{line}\n", encoding="utf-8")
    with pytest.raises(LimitsError) as caught:
        read(tmp_path / "s.toml", what="the specimen sheet", error=LimitsError)
    assert mend in caught.value.mend
    assert f"    {line}\n" in caught.value.problem


def test_limits_given_for_the_sheet_are_told_apart(tmp_path):
    """The two files lie side by side, and their options are alike: the message says which is which, and where it goes."""
    (tmp_path / "l.toml").write_text("[limits]\ntitle = 'x'\n", encoding="utf-8")
    (tmp_path / "s.toml").write_text("[specimen]\nid = 'x'\n", encoding="utf-8")
    with pytest.raises(LimitsError) as caught:
        read(tmp_path / "l.toml", what="the specimen sheet", error=LimitsError)
    assert (caught.value.problem, caught.value.mend) == (
        "these are the limits, not the specimen sheet",
        "give this file as the limits (--limits)",
    )
    with pytest.raises(LimitsError) as caught:
        read(tmp_path / "s.toml", what="the limits", error=LimitsError)
    assert (caught.value.problem, caught.value.mend) == (
        "this is the specimen sheet, not the limits",
        "give this file as the specimen sheet (--sheet)",
    )
