"""From a photograph and its sheet to a scale: which way it is had, and what to do when it cannot be had."""

from __future__ import annotations

from typing import Any

from specimeter.scale.card import scale_from_card
from specimeter.scale.choose import choose_card, find_markers
from specimeter.scale.file import scale_from_file
from specimeter.scale.graduations import scale_from_graduations
from specimeter.scale.graduations_choose import find_edges
from specimeter.scale.length import scale_from_length
from specimeter.scale.model import Scale
from specimeter.sheet import Sheet


def find_scale(photo: Any, sheet: Sheet) -> Scale:
    """The scale of one photograph, by the method that its sheet asks for.

    Parameters
    ----------
    photo : Photo
    sheet : Sheet
        ``method`` auto: a card; where there is none, the known length if one was marked; else a rule whose marks say what
        they are.

    Returns
    -------
    Scale
        Its budget holds where the specimen is taken to lie: the middle of the region or of the marked bend axis, else of
        the frame's window, else of the picture.

    Raises
    ------
    ScaleError
        If millimetres cannot be had; it says what to do.
    """
    method = sheet.scale.method
    if method == "length":
        return scale_from_length(photo, sheet)
    if method == "file":
        return scale_from_file(photo, sheet)
    if method == "graduations":
        return scale_from_graduations(photo, sheet)
    markers = find_markers(photo)
    if not markers and method == "auto":
        if sheet.scale.from_px is not None:
            return scale_from_length(photo, sheet)
        edges = find_edges(photo)
        if edges and (sheet.scale.graduation_mm is not None or any(edge.pattern.division_mm for edge in edges)):
            return scale_from_graduations(photo, sheet, edges=edges)
    card, mine, cautions = choose_card(markers, photo)
    return scale_from_card(photo, sheet, card, mine, cautions)
