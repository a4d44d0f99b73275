"""Where nobody entered how high a flat specimen stands over the card beside it: its height told by its own size.

As on a bend (`crown`): seen from the lens, a face at one height looks like a larger one farther away. A calliper across the bar
of a broken half, or the thickness of a cut's plate, gives the one factor that the picture lacks; it owes nothing to the card's
print or to how far the lens was.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from specimeter.scale.budget import Term, term
from specimeter.scale.crown import CALLIPER, HIGHEST_MM, LOWEST_MM, U_CALLIPER_MM, with_height
from specimeter.scale.height import Height, Pin, lies_beside
from specimeter.scale.model import Scale
from specimeter.scale.surface import Flat
from specimeter.scale.view import View
from specimeter.sheet import Sheet

U_ENDS_MM = 0.12  # of the distance of the two ends as seen: development scenes, 0.4 % of widths of 20 to 110 mm
U_LEVEL_MM = 1.0  # how much higher or lower than the face the ends stand: they are cut before the bar is broken (judgement)
PLATE = "thickness of the plate"
U_PLATE_MM, U_PLATE_REL = 0.1, 0.005  # of a thickness as the sheet tells it: rolling, a calliper beside the weld (judgement)
U_SURFACE_PX = 0.4  # of each surface of a plate in the picture, both out or both in: half-level at a broken edge (judgement)
MOST_U = 2.0  # of what was assumed: that the cut lies level with the card is the least that can be, no estimate (judgement)
CUT_MM = (-10.0, 60.0)  # where a cut can lie over a card beside it: a slice or a mount on the bench (judgement)


def u_ends_mm(width_mm: float, scale: Scale) -> float:
    """Standard uncertainty of a bar's width as its ends were seen, without the scale's, in mm."""
    return float(np.hypot(U_ENDS_MM, U_LEVEL_MM * width_mm / _lens_mm(scale)))


def by_its_own_width(sheet: Sheet, scale: Scale, surface: Flat, ends_px: np.ndarray) -> tuple[Scale, Flat]:
    """Scale and surface with the face's height told by the calliper; as they are where the height was entered.

    Parameters
    ----------
    ends_px : array, shape (2, 2)
        Two points [x, y] on the bar's two ends, square across from each other.
    """
    calliper = sheet.specimen.specimen_width_mm
    if calliper is None or not lies_beside(sheet):
        return scale, surface
    shown = float(np.linalg.norm(np.subtract(*surface.develop(ends_px))))
    terms = (
        _line("calliper width", calliper, U_CALLIPER_MM, "judgement: read to 0.1 mm, jaws square"),
        _line("ends of the bar in the picture", shown, U_ENDS_MM, "as a network saw them on development scenes"),
        _line("level of the ends", _lens_mm(scale), U_LEVEL_MM, "judgement: up to a few mm over or under the face"),
    )
    pin = Pin(ends_px=np.asarray(ends_px, float), length_mm=calliper, terms=terms, source=CALLIPER)
    return _raised(scale, surface, pin, (LOWEST_MM, HIGHEST_MM), "the broken face", "width")


def by_its_plate(sheet: Sheet, scale: Scale, surface: Flat, across_px: np.ndarray) -> tuple[Scale, Flat]:
    """The same of a cut, by the thickness of one of its plates; as they are where that tells less than was assumed.

    Parameters
    ----------
    across_px : array, shape (2, 2)
        Two points [x, y] on a plate's two surfaces, square across from each other.
    """
    pin = plate_pin(sheet, surface, across_px)
    if pin is None or pin.u_mm(surface.view) > MOST_U * scale.surface_height_u_mm:
        return scale, surface
    return _raised(scale, surface, pin, CUT_MM, "the cut", "thickness")


def plate_pin(sheet: Sheet, surface: Flat, across_px: np.ndarray) -> Pin | None:
    """What the thickness of a plate tells of a cut's height; None where that was entered, or no thickness was."""
    thickness = sheet.specimen.parent_thickness_mm
    if thickness is None or not lies_beside(sheet):
        return None
    shown = float(np.linalg.norm(np.subtract(*surface.develop(across_px))))
    u_shown = 2 * U_SURFACE_PX * shown / max(float(np.linalg.norm(np.subtract(*across_px))), 1.0)
    terms = (
        _line(PLATE, thickness, float(np.hypot(U_PLATE_MM, U_PLATE_REL * thickness)), "judgement: rolling, a calliper"),
        _line("surfaces of the plate in the picture", shown, u_shown, "judgement: both edges out or in by 0.4 pixels"),
    )
    return Pin(ends_px=np.asarray(across_px, float), length_mm=thickness, terms=terms, source=PLATE)


def lies_so(pin: Pin, view: View) -> bool:
    """Whether a cut can lie as high over a card beside it as a plate's thickness says."""
    u_mm = pin.u_mm(view)
    return bool(CUT_MM[0] - u_mm <= pin.over(view) <= min(CUT_MM[1], 0.7 * view.distance_mm) + u_mm)


def _raised(scale: Scale, surface: Flat, pin: Pin, between_mm: tuple[float, float], what: str, size: str) -> tuple[Scale, Flat]:
    mm, u_mm = pin.over(surface.view), pin.u_mm(surface.view)
    if not between_mm[0] <= mm <= min(between_mm[1], 0.7 * surface.view.distance_mm):
        return scale, surface
    height = Height(mm=mm, u_mm=u_mm, basis=f"told by the {pin.source}", pin=pin, cautions=(_said(mm, pin.source, what, size),))
    doubt = f"the face's height was not entered but told by the {pin.source}, so that nothing checks the scale"
    better = with_height(scale, height, (doubt,), told_by=pin.source)
    return better.at(pin.ends_px.mean(axis=0)), replace(surface, view=better.view, height_mm=mm)


def _said(height_mm: float, source: str, what: str, size: str) -> str:
    where = (
        f"{what} stands about {height_mm:.0f} mm nearer to the lens than the card"
        if height_mm > 2.0
        else f"{what} stands about as high as the card"
    )
    return (
        f"no surface height was entered: by the {source} {where}, and the scale was set by that; the {size} is no longer "
        "a check. Raise the card to the face's height, or enter surface_height_mm"
    )


def _lens_mm(scale: Scale) -> float:
    return float(scale.view.distance_mm - scale.surface_height_mm)


def _line(source: str, value: float, u: float, basis: str) -> Term:
    return term(source, value=value, unit="mm", u=u, sensitivity=1.0 / value, basis=basis)
