"""Sizes that cannot belong to one specimen, and sizes that were read in inches: named, and never from a small size alone."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from specimeter import sheet
from specimeter.errors import SheetError
from specimeter.sheet_sizes import read_in_inches


def specimen(**sizes):
    return SimpleNamespace(**sizes)


def test_each_entry_that_may_be_in_inches_is_named_with_its_millimetres():
    """3/8 in is 9.525 mm and 1 1/2 in 38.1 mm (25.4 mm an inch, exact); what is in mm already is not named."""
    told = read_in_inches(
        specimen(specimen_thickness_mm=0.375, specimen_width_mm=38.0), specimen(former_diameter_mm=1.5, angle_deg=180.0)
    )
    assert "specimen_thickness_mm = 0.375 read in inches would be 9.525 mm" in told
    assert "former_diameter_mm = 1.5 read in inches would be 38.1 mm" in told
    assert "specimen_width_mm" not in told


def test_common_sizes_in_millimetres_are_not_taken_for_inches():
    """A 10 mm plate, a 40 mm former: read in inches no specimen is so large."""
    assert read_in_inches(specimen(parent_thickness_mm=10.0, specimen_width_mm=38.0), specimen(former_diameter_mm=40.0)) is None
    assert read_in_inches(specimen(parent_thickness_mm=None)) is None


@pytest.mark.parametrize(
    ("thickness", "former", "parent", "named"),
    [
        (9.5, 1.9, 30.0, "former_diameter_mm = 1.9 read in inches would be 48.26 mm"),
        (0.3, 47.5, 30.0, "specimen_thickness_mm = 0.3 read in inches would be 7.62 mm"),
        (9.5, 40.0, 0.375, "parent_thickness_mm = 0.375 read in inches would be 9.525 mm"),
    ],
)
def test_a_size_that_does_not_fit_the_others_names_the_inches(tmp_path, thickness, former, parent, named):
    """The refusal says what it read in inches would be in mm where that is a specimen's size."""
    file = tmp_path / "s.toml"
    file.write_text(
        f'[specimen]\nid = "A"\ntest = "face-bend"\nspecimen_thickness_mm = {thickness}\nparent_thickness_mm = {parent}\n'
        f'[bend]\nformer_diameter_mm = {former}\nangle_deg = 180.0\naxis = "vertical"\n'
    )
    with pytest.raises(SheetError) as refused:
        sheet.read(file)
    assert named in refused.value.mend


@pytest.mark.parametrize(("thickness", "width", "refused"), [(30.0, 10.0, True), (10.0, 30.0, False), (10.0, 8.0, False)])
def test_a_thickness_and_a_width_that_were_exchanged_are_refused(tmp_path, thickness, width, refused):
    """No bend specimen stands on its narrow side; one of a small pipe may be a little thicker than wide (judgement)."""
    file = tmp_path / "s.toml"
    file.write_text(
        f'[specimen]\nid = "A"\ntest = "side-bend"\nspecimen_thickness_mm = {thickness}\nspecimen_width_mm = {width}\n'
        '[bend]\nformer_diameter_mm = 50.0\nangle_deg = 180.0\naxis = "vertical"\n'
    )
    if not refused:
        assert sheet.read(file).specimen.specimen_width_mm == width
        return
    with pytest.raises(SheetError) as error:
        sheet.read(file)
    assert error.value.field == "specimen.specimen_thickness_mm"
    assert "exchanged" in error.value.mend
