"""How far the measured surface stands over the marker, and what that does to the scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from specimeter.errors import ScaleError
from specimeter.scale.budget import K, Term, combine, term
from specimeter.scale.view import View
from specimeter.sheet import BEND_TESTS, Sheet

_U_ABSENT_BEND_MM, _U_ABSENT_FLAT_MM = 10.0, 2.0
_U_ABSENT_BESIDE_MM = {"nick-break": 20.0, "fillet-break": 20.0, "macro-butt": 8.0, "macro-fillet": 8.0}  # judgement
_U_UNSTATED_MM = 1.0
_STANDING_MM = (35.0, 20.0)  # a bent specimen's crown over the bench it stands on, and its standard uncertainty (judgement)
_U_DISTANCE_MM, _U_DISTANCE_REL = 5.0, 0.015
ON_THE_BENCH = (
    "no surface height was entered: the card lies on the bench, the crown stands nearer to the lens, so sizes come out too "
    "large; raise the card to the crown's height, or enter surface_height_mm"
)
BESIDE = (
    "no surface height was entered: a card or rule that lies on the bench is farther from the lens than the face of the "
    "specimen beside it, so sizes come out too large; raise it to the face's height, or enter surface_height_mm (0 if it lies "
    "level with the face)"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pin:
    """Two pixels on the surface a known distance apart at one height: they tell the height, whatever the camera's distance.

    `terms` are the budget's lines of that distance, relative to it.
    """

    ends_px: np.ndarray  # (2, 2)
    length_mm: float
    terms: tuple[Term, ...]
    source: str  # "calliper width" | "radius of the bend" | "thickness of the plate"

    def over(self, view: View) -> float:
        """The height in mm over the marker's plane at which the two lie so far apart: distances grow as the lens is far."""
        apart = float(np.linalg.norm(np.subtract(*view.on_plane(self.ends_px))))
        return view.distance_mm * (1.0 - self.length_mm / apart)

    def u_mm(self, view: View) -> float:
        """What its own uncertainty makes of the height, the view held."""
        return float((view.distance_mm - self.over(view)) * combine(self.terms))


@dataclass(frozen=True, slots=True, kw_only=True)
class Height:
    """Height of the measured surface (a bend: its crown) over the marker, nearer to the camera counted positive."""

    mm: float
    u_mm: float
    basis: str
    cautions: tuple[str, ...] = ()
    pin: Pin | None = None  # what told it, where nobody entered it

    def over(self, view: View) -> float:
        """The height in one of the views that the marker allows: as entered, or as the pin tells it in that view."""
        return self.mm if self.pin is None else self.pin.over(view)

    def terms(self, view: View, point_px: np.ndarray) -> tuple[Term, ...]:
        """The budget's lines of the height itself, or of what told it."""
        return (height_term(view, point_px, self),) if self.pin is None else self.pin.terms


def surface_height(sheet: Sheet) -> Height:
    """The height as entered; absent it is 0, with a standard uncertainty of 10 mm on a bend, 20 mm on a broken half, 8 mm on a
    section; 2 mm where a length on the specimen itself or the file gives the scale."""
    entered, expanded = sheet.scale.surface_height_mm, sheet.scale.surface_height_U_mm
    if entered is None:
        if sheet.specimen.test in BEND_TESTS:
            return Height(mm=0.0, u_mm=_U_ABSENT_BEND_MM, basis="not entered, on a bend", cautions=(ON_THE_BENCH,))
        if lies_beside(sheet):
            u_mm = _U_ABSENT_BESIDE_MM[sheet.specimen.test]
            return Height(mm=0.0, u_mm=u_mm, basis="not entered, beside a specimen of some height", cautions=(BESIDE,))
        return Height(mm=0.0, u_mm=_U_ABSENT_FLAT_MM, basis="not entered, on a flat specimen")
    if expanded is None:
        return Height(mm=entered, u_mm=_U_UNSTATED_MM, basis="entered without an uncertainty: judgement")
    return Height(mm=entered, u_mm=expanded / K, basis="entered with its U (k = 2)")


def lies_beside(sheet: Sheet) -> bool:
    """Whether the scale comes from a card or rule beside a flat specimen, whose height over it nobody entered."""
    own = sheet.scale.method in ("length", "file") or sheet.scale.from_px is not None
    return sheet.scale.surface_height_mm is None and not own and sheet.specimen.test in _U_ABSENT_BESIDE_MM


def lens_distance(sheet: Sheet) -> tuple[float, float] | None:
    """The entered camera distance and its standard uncertainty, in mm, lens to surface."""
    distance = sheet.scale.camera_distance_mm
    return None if distance is None else (distance, float(np.hypot(_U_DISTANCE_MM, _U_DISTANCE_REL * distance)))


def lens_over_marker(entered: tuple[float, float], height: Height) -> tuple[float, float]:
    """The entered camera distance, to the surface, as a distance to the marker's plane, and its standard uncertainty, mm.

    A bend whose height nobody entered stands on a bench beside its card: its crown some way over it.
    """
    value, u = entered
    if height.u_mm >= _U_ABSENT_BEND_MM:
        return value + _STANDING_MM[0], float(np.hypot(u, _STANDING_MM[1]))
    return value + height.mm, float(np.hypot(u, height.u_mm))


def check_below_lens(height: Height, view: View, file: str) -> None:
    """Refuse a surface that would reach the lens."""
    if height.mm > 0.8 * view.distance_mm:
        raise ScaleError(
            f"the surface would stand {height.mm:g} mm over the marker, but the lens only {view.distance_mm:.0f} mm",
            file=file,
            field="scale.surface_height_mm",
            expected="a height well below the lens, in mm, positive when the surface is nearer to the camera than the marker",
            mend="check surface_height_mm (and camera_distance_mm, if entered) in the sheet",
        )


def specimen_px(sheet: Sheet) -> np.ndarray | None:
    """Where the sheet says that the specimen lies, [x, y]: the middle of its region or of its marked bend axis; else None."""
    if sheet.region is not None and sheet.region.outline_px:
        return np.mean(np.array(sheet.region.outline_px, float), axis=0)
    if sheet.bend is not None and not isinstance(sheet.bend.axis, str):
        return np.mean(np.array(sheet.bend.axis, float), axis=0)
    return None


def length_logs(view: View, point_px: np.ndarray, height_mm: float) -> np.ndarray:
    """Logarithms of the lengths in mm, on the plane `height_mm` over the marker, of one pixel at 0 45 90 135 deg, (4,)."""
    angles = np.radians([0.0, 45.0, 90.0, 135.0])
    ways = np.column_stack([np.cos(angles), np.sin(angles)])
    point = np.asarray(point_px, float)
    ends = view.on_plane(np.concatenate([point + ways, point - ways]), height_mm=height_mm)
    return np.log(np.linalg.norm(ends[:4] - ends[4:], axis=1) / 2)


def mm_per_px(view: View, point_px: np.ndarray, height_mm: float) -> float:
    """Square root of the area in mm2 that one pixel covers on the plane `height_mm` over the marker."""
    steps = np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
    ends = view.on_plane(np.asarray(point_px, float) + steps, height_mm=height_mm)
    (ax, ay), (bx, by) = ends[0] - ends[1], ends[2] - ends[3]
    return float(np.sqrt(abs(ax * by - ay * bx)))


def height_term(view: View, point_px: np.ndarray, height: Height) -> Term:
    """What not knowing the height contributes: a length scales as the distance from the lens."""
    step = 0.1
    change = length_logs(view, point_px, height.mm + step) - length_logs(view, point_px, height.mm - step)
    return term(
        "height of the surface over the marker",
        value=height.mm,
        unit="mm",
        u=height.u_mm,
        sensitivity=-float(np.sqrt(np.mean((change / (2 * step)) ** 2))),
        basis=height.basis,
    )
