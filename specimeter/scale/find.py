"""From a photograph and its sheet to a scale: which way it is had, and what to do when it cannot be had."""

from __future__ import annotations

from typing import Any

from specimeter.errors import ScaleError
from specimeter.scale.card import scale_from_card
from specimeter.scale.choose import choose_card, find_markers
from specimeter.scale.length import scale_from_length
from specimeter.scale.model import Scale
from specimeter.sheet import Sheet


def find_scale(photo: Any, sheet: Sheet) -> Scale:
    """The scale of one photograph, by the method that its sheet asks for.

    Parameters
    ----------
    photo : Photo
    sheet : Sheet
        ``method`` auto: a card; where there is none, the known length if one was marked.

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
    if method in ("graduations", "file"):
        raise ScaleError(
            f'this version cannot take the scale from "{method}": it reads printed cards and known lengths',
            file=photo.file,
            field="scale.method",
            expected='"card", "length" or "auto"',
            mend="lay a printed card beside the specimen, or mark two points of the rule and enter the length between them",
        )
    if method == "length":
        return scale_from_length(photo, sheet)
    markers = find_markers(photo)
    if not markers and method == "auto" and sheet.scale.from_px is not None:
        return scale_from_length(photo, sheet)
    card, mine, cautions = choose_card(markers, photo)
    return scale_from_card(photo, sheet, card, mine, cautions)
