"""Sizes in a sheet that cannot belong to one specimen, and those that look as if they had been read in inches."""

from __future__ import annotations

from typing import Any

from specimeter.toml_file import wrong

MM_PER_INCH = 25.4
# Greatest value in mm, and the sizes in mm that it would have in inches: between them lies what test specimens measure. Thin
# sheet is tested too, so a small size alone says nothing: only one that the photograph or another size contradicts (judgement).
_IN_INCHES = {
    "specimen_width_mm": (5.0, 6.0, 130.0),
    "specimen_thickness_mm": (2.0, 3.0, 51.0),
    "parent_thickness_mm": (3.0, 3.0, 80.0),
    "weld_width_mm": (1.5, 3.0, 40.0),
    "former_diameter_mm": (8.0, 6.0, 205.0),
}


def read_in_inches(specimen: Any, bend: Any = None) -> str | None:
    """A sentence that names the entries which may have been read in inches; None where there are none.

    To be said only where the photograph or another entry contradicts them; `specimen` and `bend` are a sheet's tables.
    """
    entered = {key: getattr(table, key, None) for table in (specimen, bend) for key in _IN_INCHES if hasattr(table, key)}
    small = {key: value for key, value in entered.items() if value is not None and _may_be(key, value)}
    if not small:
        return None
    told = ", ".join(f"{key} = {value:g} read in inches would be {value * MM_PER_INCH:.4g} mm" for key, value in small.items())
    return f"The sheet's sizes are in millimetres: {told}."


def _may_be(key: str, value: float) -> bool:
    most, least_mm, most_mm = _IN_INCHES[key]
    return value <= most and least_mm <= value * MM_PER_INCH <= most_mm


def check_fit(specimen: Any, bend: Any) -> None:
    """Refuse sizes that cannot belong to one bent specimen; the margins leave room for plate tolerances."""
    thickness, parent = specimen.specimen_thickness_mm, specimen.parent_thickness_mm
    ratio = bend.former_diameter_mm / thickness
    inches = read_in_inches(specimen, bend)
    also = f". {inches}" if inches else ""
    if not 0.4 <= ratio <= 100:
        raise wrong(
            f"a former of {bend.former_diameter_mm:g} mm for a specimen {thickness:g} mm thick ({ratio:.2g} times it)",
            field="bend.former_diameter_mm",
            expected="a former of 0.4 to 100 times the specimen's thickness",
            mend=f"check bend.former_diameter_mm and specimen.specimen_thickness_mm{also}",
        )
    width = specimen.specimen_width_mm
    thin = specimen.test == "side-bend" and parent is not None and width is not None and abs(width - parent) <= 0.25 * parent
    if width is not None and thickness > 1.5 * width and not thin:  # a side bend is as wide as its plate is thick
        raise wrong(
            f"a bend specimen {thickness:g} mm thick and only {width:g} mm wide",
            field="specimen.specimen_thickness_mm",
            expected="a thickness of at most 1.5 times the width, which is measured along the bend's axis",
            mend=f"check whether specimen_thickness_mm and specimen_width_mm were exchanged{also}",
        )
    cut, name = (
        (specimen.specimen_width_mm, "specimen_width_mm")
        if specimen.test == "side-bend"
        else (thickness, "specimen_thickness_mm")
    )
    if parent is not None and cut is not None and cut > 1.1 * parent + 1:
        raise wrong(
            f"a {specimen.test} specimen with {name} = {cut:g} cannot be cut from a parent {parent:g} mm thick",
            field=f"specimen.{name}",
            expected="at most the parent's thickness"
            + (" (a side bend lies across it)" if name == "specimen_width_mm" else ""),
            mend=f"check parent_thickness_mm, specimen_thickness_mm and specimen_width_mm{also}",
        )
