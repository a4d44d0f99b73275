"""Whether a size of a section is known well enough to be given: one rule for lengths, angles, radii, areas and shares."""

from __future__ import annotations

import numpy as np

# U (k = 2) up to which a size tells something: a floor, or the share of the value, whichever is more. A floor is about a sixth
# of the range that the size can have: of 90 degrees from abrupt to flush, of 180 from a slit to no notch, of a share's whole;
# a size that knows no such range, as a root's radius, is told by its share alone (judgement)
MOST_U = {"mm": (0.4, 0.15), "deg": (15.0, 0.0), "mm2": (1.0, 0.3), "dilution": (0.15, 0.0)}  # by the unit a name ends in
MOST_U_OF = {
    "penetration_mm": (1.0, 0.15),  # where an etching, not an edge, tells it
    "haz_width_mm": (0.6, 0.2),
    "opening_angle_deg": (30.0, 0.0),
    "root_radius_mm": (0.0, 2 / 3),
}
NO_OTHER = "it is lost as soon as the outline is moved by what it may be off"
_SAID = {"mm": " mm", "deg": " \u00b0", "mm2": " mm\u00b2", "dilution": ""}


def too_uncertain(name: str, value: float, U: float) -> str | None:
    """Why a size is not given though there is a number: its uncertainty makes it mean nothing. None if it may be given."""
    if not np.isfinite(U):
        return NO_OTHER
    unit = name.rsplit("_", 1)[-1]
    floor, share = MOST_U_OF.get(name, MOST_U[unit])
    if max(floor, share * abs(value)) >= U:
        return None
    return f"it could be told to \u00b1 {U:.2g}{_SAID[unit]} only"
