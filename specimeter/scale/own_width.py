"""Where nobody entered how high a broken half stands over the card beside it: its height told by its own width.

As on a bend (`crown`): seen from the lens, a face at one height looks like a larger one farther away. A calliper across the
bar gives the one factor that the picture lacks; it owes nothing to the card's print or to how far the lens was.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from specimeter.scale.budget import combine, term
from specimeter.scale.crown import CALLIPER, HIGHEST_MM, LOWEST_MM, U_CALLIPER_MM, with_height
from specimeter.scale.height import Height, Pin, lies_beside
from specimeter.scale.model import Scale
from specimeter.scale.surface import Flat
from specimeter.sheet import Sheet

U_ENDS_MM = 0.12  # of the distance of the two ends as seen: development scenes, 0.4 % of widths of 20 to 110 mm
U_LEVEL_MM = 1.0  # how much higher or lower than the face the ends stand: they are cut before the bar is broken (judgement)


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
    mm = pin.over(surface.view)
    u_mm = float((surface.view.distance_mm - mm) * combine(terms))
    if not LOWEST_MM <= mm <= min(HIGHEST_MM, 0.7 * surface.view.distance_mm):
        return scale, surface
    height = Height(mm=mm, u_mm=u_mm, basis=f"told by the {CALLIPER}", pin=pin, cautions=(_said(mm),))
    doubt = f"the face's height was not entered but told by the {CALLIPER}, so that nothing checks the scale"
    better = with_height(scale, height, (doubt,), told_by=CALLIPER)
    return better.at(np.asarray(ends_px, float).mean(axis=0)), replace(surface, view=better.view, height_mm=mm)


def _said(height_mm: float) -> str:
    if height_mm > 2.0:
        return (
            f"no surface height was entered: by the {CALLIPER} the broken face stands about {height_mm:.0f} mm nearer to the "
            "lens than the card, and the scale was set by that; the width is no longer a check. Raise the card to the face's "
            "height, or enter surface_height_mm"
        )
    return (
        f"no surface height was entered: by the {CALLIPER} the broken face stands about as high as the card, and the scale was "
        "set by that; the width is no longer a check. Raise the card to the face's height, or enter surface_height_mm"
    )


def _lens_mm(scale: Scale) -> float:
    return float(scale.view.distance_mm - scale.surface_height_mm)


def _line(source: str, value: float, u: float, basis: str):
    return term(source, value=value, unit="mm", u=u, sensitivity=1.0 / value, basis=basis)
