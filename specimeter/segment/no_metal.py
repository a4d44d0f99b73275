"""Whether the examined area shows metal at all: print, paper, cloth, wood or ink over most of it is named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from specimeter.segment.learned import look
from specimeter.segment.model import ExaminedArea

MOST_PX = 60_000  # of the picture that is looked at: a twentieth of a second
LEAST_SHARE = 0.5  # of the area


def share_of_no_metal(photo, surface, area: ExaminedArea) -> float:
    """Share of the examined area, 0 to 1, that the network takes for something other than metal."""
    seen = look(photo, surface, area, most_px=MOST_PX)
    return float(np.mean(seen.log_odds[4][seen.usable] > 0)) if seen.usable.any() else 0.0


def doubt_metal(photo, surface, area: ExaminedArea) -> ExaminedArea:
    """The area with a caution where most of it shows no metal; else as it was. Raises SpecimeterError as `look` does."""
    share = share_of_no_metal(photo, surface, area)
    if share < LEAST_SHARE:
        return area
    said = (
        f"{100 * share:.0f} % of the examined area looks like print, paper, cloth or wood and not like metal: "
        "see whether it lies on the specimen's face, and draw its outline in the sheet if it does not."
    )
    return replace(area, cautions=(*area.cautions, said))
