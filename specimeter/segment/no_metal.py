"""Whether the examined area shows metal at all: print, paper, cloth, wood or ink over most of it is named."""

from __future__ import annotations

from dataclasses import replace

from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.learned import LEAST_NO_METAL, share_of_no_metal
from specimeter.segment.model import ExaminedArea


def doubt_metal(photo: Photo, surface: Surface, area: ExaminedArea) -> ExaminedArea:
    """The area with its share of `no_metal`, and a caution where that is most of it. Raises SpecimeterError as `look` does."""
    share = share_of_no_metal(photo, surface, area)
    area = replace(area, no_metal=share)
    if share < LEAST_NO_METAL:
        return area
    said = (
        f"{100 * share:.0f} % of the examined area looks like print, paper, cloth or wood and not like metal, so dark "
        "shapes in it are hardly proposed: see whether it lies on the specimen's face, and outline the face in the sheet "
        "if it does not."
    )
    return replace(area, cautions=(*area.cautions, said))
