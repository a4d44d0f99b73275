"""The sheet: what is read, and what each mistake of a technician is answered with."""

from __future__ import annotations

import contextlib
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter import sheet as sheets
from specimeter.errors import AreaError, SheetError
from specimeter.sheet import Sheet, check_against_photo

DESIGN = Path(__file__).resolve().parents[2] / "shared" / "design.md"

GOOD = """
[specimen]
id = "SB-25-03"
test = "side-bend"
parent_thickness_mm = 25.0
specimen_thickness_mm = 10
specimen_width_mm = 25.0
weld_width_mm = 18.0
sought = ["lack-of-sidewall-fusion"]

[bend]
former_diameter_mm = 40.0
angle_deg = 180.0
axis = "vertical"

[scale]
method = "length"
from_px = [412.0, 3020.5]
to_px = [3650.0, 3011.0]
length_mm = 50.0
length_U_mm = 0.05
surface_height_mm = 0.0
surface_height_U_mm = 1.0

[region]
outline_px = [[100.0, 100.0], [200.0, 100.0], [200.0, 200.0]]
exclude_px = [[[110.0, 110.0], [115.0, 110.0], [115.0, 115.0]]]

[validity]
tension_face = "side"
former_required_mm = 40.0
weld_inside_bend = true
valid = true

[observations]
complete-root-fusion = true
porous-root = "undetermined"

[weld]
process = "135"
bevel_deg = 30
weld_axis_px = [[10, 20], [10, 400]]

[photo]
camera_file = "bench.camera.json"

[people]
measured_by = "R. Okonjo"
measured_on = 2026-03-21
examined_directly = true
magnifier = 5

[order]
client = "Works at the weir"
deviations = ["ground finish"]
"""


@pytest.fixture
def refusal(tmp_path):
    """The error that a text draws as a sheet."""

    def refuse(text: str | bytes) -> SheetError:
        path = tmp_path / "S.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        with pytest.raises(SheetError) as caught:
            sheets.read(path)
        assert caught.value.file == path
        assert str(path) in str(caught.value)
        return caught.value

    return refuse


def changed(old: str, new: str) -> str:
    assert old in GOOD
    return GOOD.replace(old, new)


def test_every_table_is_read(tmp_path):
    """What was written is what is there; whole numbers serve as numbers; an absent table is None, but scale has defaults."""
    path = tmp_path / "S.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())  # an editor's byte order mark is no mistake
    sheet = sheets.read(path)
    assert sheet.specimen.specimen_thickness_mm == 10.0
    assert sheet.specimen.sought == ("lack-of-sidewall-fusion",)
    assert sheet.bend.axis == "vertical"
    assert sheet.scale.from_px == (412.0, 3020.5)
    assert sheet.region.exclude_px[0][1] == (115.0, 110.0)
    assert sheet.observations == {"complete-root-fusion": True, "porous-root": "undetermined"}
    assert sheet.people.measured_on.isoformat() == "2026-03-21"
    assert sheet.section is None
    assert Sheet.model_validate({"specimen": {"id": "N1", "test": "nick-break"}}).scale.method == "auto"


def test_an_outline_around_a_card_is_a_proper_one(refusal):
    """It does not cross itself, and encloses something."""
    for corners, told in (("[0, 0], [9, 9], [9, 0], [0, 9]", "crosses itself"), ("[0, 0], [9, 9], [5, 5]", "no area")):
        error = refusal(re.sub(r'method = "length".*?surf', f"card_px = [{corners}]\nsurf", GOOD, flags=re.DOTALL))
        assert error.field == "scale.card_px"
        assert told in error.problem


def test_the_sheet_survives_the_record(tmp_path):
    """Stored as JSON and read back it is the same sheet."""
    sheet = Sheet.model_validate(tomllib.loads(GOOD))
    stored = sheet.model_dump(mode="json", exclude_none=True)
    assert Sheet.model_validate(stored) == sheet
    assert Sheet.model_validate_json(sheet.model_dump_json(exclude_none=True)) == sheet


@pytest.mark.skipif(not DESIGN.exists(), reason="../shared/design.md is not beside this checkout")
def test_the_design_s_own_example_is_read(tmp_path):
    """Every key of the example in the design is known."""
    path = tmp_path / "S.toml"
    path.write_text(DESIGN.read_text().split("## 5. The sheet")[1].split("```toml")[1].split("```")[0])
    assert sheets.read(path).specimen.id == "SB-25-03"


def test_axis_may_be_two_points():
    data = tomllib.loads(GOOD)
    data["bend"].pop("axis")
    data["bend"]["axis_px"] = [[10, 20], [12, 400]]
    assert Sheet.model_validate(data).bend.axis == ((10, 20), (12, 400))


@pytest.mark.parametrize(
    ("old", "new", "field", "told"),
    [
        ("former_diameter_mm = 40.0", "former_diameter_mm = 0", "bend.former_diameter_mm", "from 1 to 1000"),
        ("former_diameter_mm = 40.0", "former_diameter_mm = -40", "bend.former_diameter_mm", "from 1 to 1000"),
        ("former_diameter_mm = 40.0", "former_diameter_mm = 2", "bend.former_diameter_mm", "0.4 to 100 times"),
        ("angle_deg = 180.0", "angle_deg = 0", "bend.angle_deg", "from 10 to 181"),
        ("angle_deg = 180.0", "angle_deg = 182", "bend.angle_deg", "from 10 to 181"),
        ("parent_thickness_mm = 25.0", 'parent_thickness_mm = "25"', "specimen.parent_thickness_mm", "without quotation marks"),
        ("parent_thickness_mm = 25.0", "parent_thickness_mm = true", "specimen.parent_thickness_mm", "truth value"),
        ("parent_thickness_mm = 25.0", "parent_thickness_mm = nan", "specimen.parent_thickness_mm", "not a finite number"),
        ("parent_thickness_mm = 25.0", "parent_thickness_mm = inf", "specimen.parent_thickness_mm", "500"),
        ("specimen_thickness_mm = 10", "specimen_thickness_mm = 2000", "specimen.specimen_thickness_mm", "from 0.3 to 300"),
        ("specimen_thickness_mm = 10", "", "specimen.specimen_thickness_mm", "no radius"),
        ("specimen_width_mm = 25.0", "specimen_width_mm = 0", "specimen.specimen_width_mm", "from 1 to 500"),
        ("specimen_width_mm = 25.0", "specimen_width_mm = 40", "specimen.specimen_width_mm", "cannot be cut"),
        ('test = "side-bend"', 'test = "sidebend"', "specimen.test", 'did you mean "side-bend"?'),
        ('test = "side-bend"', 'test = "nick-break"', "bend", "is not bent"),
        ('test = "side-bend"', "", "specimen.test", "is missing"),
        ('id = "SB-25-03"', 'id = "../../etc"', "specimen.id", "'/'"),
        ('id = "SB-25-03"', 'id = "nul"', "specimen.id", "reserved"),
        ('id = "SB-25-03"', 'id = ".hidden"', "specimen.id", "dot"),
        ('id = "SB-25-03"', 'id = ""', "specimen.id", "1 to 64"),
        ('id = "SB-25-03"', 'id = "' + "𠀋" * 64 + '"', "specimen.id", "too long"),
        ('id = "SB-25-03"', r'id = "SB\u0000"', "specimen.id", "cannot stand"),
        ("lack-of-sidewall-fusion", "lack of fusion", "specimen.sought[item 1]", "lack-of-fusion"),
        ('axis = "vertical"', 'axis = "upright"', "bend.axis", '"horizontal"'),
        ('axis = "vertical"', 'axis = [[1, 2], ["3", 4]]', "bend.axis[item 2][item 1]", "without quotation marks"),
        ('axis = "vertical"', "axis = [[1, 2], [1, 2]]", "bend.axis", "less than one pixel"),
        ('axis = "vertical"', 'axis = "vertical"\naxis_px = [[1, 2], [30, 4]]', "bend.axis_px", "keep one"),
        ("former_diameter_mm", "former_diametr_mm", "bend.former_diametr_mm", 'nearest known key is "former_diameter_mm"'),
        ("[bend]", "[bends]", "bends", 'nearest known key is "bend"'),
        ("[bend]", "[bend]\nspecimen_width_mm = 3", "bend.specimen_width_mm", "belongs in the table [specimen]"),
        ('method = "length"', 'method = "ruler"', "scale.method", '"graduations"'),
        ("to_px = [3650.0, 3011.0]", "", "scale.to_px", "to_px is missing"),
        ("to_px = [3650.0, 3011.0]", "to_px = [412.0, 3020.5]", "scale.to_px", "0.0 pixels apart"),
        ("to_px = [3650.0, 3011.0]", "to_px = [3650.0]", "scale.to_px[item 2]", "a number is missing"),
        ("length_U_mm = 0.05", "length_U_mm = 20", "scale.length_U_mm", "a quarter"),
        ("surface_height_mm = 0.0", "", "scale.surface_height_U_mm", "a height that is not given"),
        ("[200.0, 200.0]]", "[150.0, 100.0]]", "region.outline_px", "no area"),
        ("[scale]", "[scale]\ncard_px = [[0, 0], [9, 9], [9, 0], [0, 9]]", "scale.card_px", "remove card_px"),
        (
            "[scale]",
            "[scale]\ncard_px = [[0, nan], [9, 9], [9, 0]]",
            "scale.card_px[item 1][item 2]",
            "3 to 2000 points [x, y]",
        ),
        ("[200.0, 100.0], [200.0, 200.0]]", "[200.0, 200.0], [200.0, 100.0], [100.0, 180.0]]", "region.outline_px", "crosses"),
        ("[[100.0, 100.0], [200.0, 100.0], [200.0, 200.0]]", "[[1, 1], [2, 2]]", "region.outline_px", "3 to 2000 points"),
        ("valid = true", "valid = false", "validity.reason", "not why"),
        ("complete-root-fusion = true", 'complete-root-fusion = "yes"', "observations.complete-root-fusion", "write true"),
        ("complete-root-fusion", "Complete_root", "observations.Complete_root", "hyphens"),
        ("measured_on = 2026-03-21", 'measured_on = "in March"', "people.measured_on", "2026-03-21"),
        ('client = "Works at the weir"', 'client = "  "', "order.client", "blank"),
        ('client = "Works at the weir"', r'client = "a\u001b[2Jb"', "order.client", "cannot be printed"),
        ("bevel_deg = 30", "bevel_deg = 120", "weld.bevel_deg", "from 0 to 90"),
        ("[photo]", "[section]\ngrit = 600\n[photo]", "section", "has no section"),
    ],
)
def test_a_mistake_is_named_with_its_field_and_its_cure(refusal, old, new, field, told):
    """The message names the dotted field, and says what was expected or how to mend it."""
    error = refusal(changed(old, new))
    assert error.field == field
    assert told in str(error)
    assert error.expected or error.mend
    assert not re.search(r"\bpydantic|\bValidationError|literal_error|function-after|constrained", str(error))


def test_several_mistakes_are_counted_and_the_cause_comes_first(refusal):
    error = refusal(
        changed("former_diameter_mm = 40.0", "former_diametr_mm = 40.0").replace("angle_deg = 180.0", "angle_deg = 0")
    )
    assert error.field == "bend.former_diametr_mm"
    assert "2 more to mend after it" in str(error)
    assert "bend.angle_deg" in str(error)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "is empty"),
        ("# nothing\n", "is empty"),
        (b'[specimen]\nid = "Pr\xfcf"', "not UTF-8 text: byte 0xfc in line 2"),
        (b"\xff\xfe\x00", "not UTF-8"),
        ("[specimen]\nid = SB-1\n", "line 2, column 6"),
        ("[specimen]\nparent_thickness_mm = 25,0\n", "decimal point, not a comma"),
        ("[specimen]\nparent_thickness_mm = 25 mm\n", "its unit is in the key's name"),
        ("[specimen]\n[specimen]\n", "line 2"),
        ("[specimen]\nid = 'a", "end of the file"),
        ("a = " + "[" * 5000, "nested too deeply"),
        ("[[specimen]]\nid = 'a'\n", "got the list"),
        ("x = '" + "y" * 2_000_000 + "'", "far too large"),
    ],
)
def test_what_is_no_sheet_at_all(refusal, text, told):
    assert told in str(refusal(text))


def test_missing_file_and_folder(tmp_path):
    for name in ("weir.sheet.toml", "weir.limits.toml", "x.toml", "bend-7.sheet.jpg"):
        (tmp_path / name).write_text(GOOD)
    for path, told in (
        (tmp_path / "wier.sheet.toml", 'is it "weir.sheet.toml"?'),
        (tmp_path / "weir.sheet", 'is it "weir.sheet.toml"?'),
        (tmp_path / "bend-7.sheet.toml", "check the path"),
        (tmp_path, "this is a folder"),
        (tmp_path / "gone" / "S.toml", "is not there either"),
        (tmp_path / "bad\0name", "cannot be read"),
    ):
        with pytest.raises(SheetError, match=re.escape(told)):
            sheets.read(path)


def test_places_must_lie_in_the_photo():
    """The frame runs half a pixel beyond the outer centres; a hair further is outside."""
    data = tomllib.loads(GOOD)
    check_against_photo(Sheet.model_validate(data), 4000, 3100)
    with pytest.raises(SheetError, match=r"\[3650, 3011\] lies outside") as caught:
        check_against_photo(Sheet.model_validate(data), 3650, 3100)
    assert caught.value.field == "scale.to_px"
    check_against_photo(Sheet.model_validate(data), 3651, 3100)

    data["bend"]["axis"] = [[50, 3099.6], [50, 10]]
    with pytest.raises(SheetError) as caught:
        check_against_photo(Sheet.model_validate(data), 4000, 3100)
    assert caught.value.field == "bend.axis"

    data = tomllib.loads(GOOD) | {"region": {"outline_px": [[100, 100], [4100, 100], [200, 200]]}}
    with pytest.raises(AreaError) as caught:
        check_against_photo(Sheet.model_validate(data), 4000, 3100)
    assert caught.value.field == "region.outline_px"


def test_photo_too_small_and_specimen_too_wide():
    data = tomllib.loads(GOOD)
    with pytest.raises(SheetError, match="too small"):
        check_against_photo(Sheet.model_validate(data), 4000, 150)
    data["scale"] |= {"length_mm": 2.0, "length_U_mm": 0.01}
    with pytest.raises(SheetError, match="25 mm wide is not in this photo") as caught:
        check_against_photo(Sheet.model_validate(data), 4000, 3100)
    assert caught.value.field == "specimen.specimen_width_mm"


@given(data=st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(
        [*Sheet.model_fields, "id", "test", "axis", "outline_px", "former_diameter_mm", "{x}", "[word]"]), inner, max_size=4),
    max_leaves=20,
))  # fmt: skip
@settings(deadline=None, max_examples=150)
def test_nothing_but_a_sheet_error_comes_out(data):
    """Whatever stands in the file, the answer is a sheet or a SheetError."""
    from specimeter.toml_file import validated

    tables = data if isinstance(data, dict) else {"specimen": data}
    with contextlib.suppress(SheetError):
        assert isinstance(validated(Sheet, tables, file="S.toml", error=SheetError), Sheet)
