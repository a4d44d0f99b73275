"""The resolution that a scanner or microscope stored in the file becomes a scale, where the sheet asks for it."""

from __future__ import annotations

from typing import Any

import numpy as np

from specimeter.decode import Resolution
from specimeter.errors import ScaleError
from specimeter.scale.budget import K, Term, combine, rectangular, term
from specimeter.scale.height import Height, lens_distance, lens_over_marker, specimen_px, surface_height
from specimeter.scale.model import Scale
from specimeter.scale.view import View
from specimeter.sheet import Sheet

_AFAR_MM = 1e5  # a scanner and a microscope look straight on everywhere: a lens so far that height changes nothing
_DEPTH_MM = 300.0  # path of light in a scanner: what stands off its glass looks smaller by so much (judgement)
_REL = 0.005  # half-width: how true scanners' and microscopes' own resolution is without a check
_DEFAULT_DPI = (72.0, 96.0)
_EDITORS_DPI = (100.0, 150.0, 180.0, 200.0, 240.0, 300.0)
_SQUARE = 0.001


def scale_from_file(photo: Any, sheet: Sheet) -> Scale:
    """Scale from the resolution stored in the file: TIFF tags, OME-TIFF physical size, PNG pHYs.

    Parameters
    ----------
    photo : Photo
        Its ``resolution`` is what the file says.
    sheet : Sheet

    Returns
    -------
    Scale
        A view straight down from afar, world origin at the top-left pixel.

    Raises
    ------
    ScaleError
        The file stores none; a camera wrote it; it is a program's default of 72 or 96 dots an inch; pixels are not square.
    """
    stored = _checked(photo)
    per_px = float(np.sqrt(stored.x_mm_per_px * stored.y_mm_per_px))
    height, entered = surface_height(sheet), lens_distance(sheet)
    distance = _AFAR_MM if entered is None else lens_over_marker(entered, height)[0]
    centre = np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2])
    view = View(
        focal_px=distance / per_px,
        centre_px=centre,
        rotation=np.eye(3),
        translation_mm=np.array([*(-centre * per_px), distance]),
    )
    where = specimen_px(sheet)
    reference = centre if where is None else where
    budget = _budget(sheet, per_px, height, photo, distance)
    cautions = list(height.cautions)
    dpi = 25.4 / per_px
    if any(abs(dpi / usual - 1) < 1e-3 for usual in _EDITORS_DPI):
        cautions.append(
            f"{dpi:.0f} dots an inch is also what editors write into any file: check the scale by something of known size"
        )
    return Scale(
        method="file",
        view=view,
        surface_height_mm=height.mm,
        surface_height_u_mm=height.u_mm,
        u_rel=combine(budget),
        budget=budget,
        tilt_deg=0.0,
        evidence={
            "stored_in": stored.source,
            "x_mm_per_px": stored.x_mm_per_px,
            "y_mm_per_px": stored.y_mm_per_px,
            "dots_per_inch": dpi,
            "tilt": "not measured: a scanner or microscope looks straight down",
            "mm_per_px_at_reference": per_px * (distance - height.mm) / distance,
        },
        cautions=tuple(cautions),
        reference_px=(float(reference[0]), float(reference[1])),
    )


def _checked(photo: Any) -> Resolution:
    stored: Resolution | None = getattr(photo, "resolution", None)

    def refuse(problem: str, mend: str) -> ScaleError:
        expected = "a TIFF, OME-TIFF or PNG with the resolution that a scanner or microscope wrote"
        return ScaleError(problem, file=photo.file, field="scale.method", expected=expected, mend=mend)

    otherwise = 'use method = "card", "graduations" or "length"'
    if stored is None:
        raise refuse("the file stores no resolution in mm", f"export it from the scanner or microscope again, or {otherwise}")
    if stored.by_camera:
        raise refuse(
            "a camera took this picture: the resolution stored in its file is for printing and says nothing of sizes", otherwise
        )
    for per_px in (stored.x_mm_per_px, stored.y_mm_per_px):
        if any(abs(25.4 / per_px / dpi - 1) < 2e-3 for dpi in _DEFAULT_DPI):
            raise refuse(
                f"{25.4 / per_px:.0f} dots an inch is what programs write when they know nothing",
                f"scan it again, or {otherwise}",
            )
    if abs(stored.x_mm_per_px / stored.y_mm_per_px - 1) > _SQUARE:
        raise refuse(
            f"its pixels are not square: {stored.x_mm_per_px:.5g} x {stored.y_mm_per_px:.5g} mm",
            "scan with the same resolution both ways",
        )
    return stored


def _budget(sheet: Sheet, per_px: float, height: Height, photo: Any, distance: float) -> tuple[Term, ...]:
    field = per_px * max(photo.width_px, photo.height_px)
    expanded = sheet.scale.length_U_mm
    return (
        term(
            "the stored resolution",
            value=per_px,
            unit="mm per px",
            u=(rectangular(_REL) if expanded is None else expanded / K / field) * per_px,
            sensitivity=1.0 / per_px,
            basis="judgement: unchecked, within 0.5 %"
            if expanded is None
            else "U over the picture's long side, as entered or by certificate (k = 2)",
        ),
        term(
            "height of the surface over the plane of that resolution",
            value=height.mm,
            unit="mm",
            u=height.u_mm,
            sensitivity=-1.0 / min(_DEPTH_MM, distance),
            basis=f"{height.basis}; a path of light of {min(_DEPTH_MM, distance):.0f} mm (judgement)",
        ),
    )
