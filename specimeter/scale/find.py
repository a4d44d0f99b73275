"""From a photograph and its sheet to a scale: which way it is had, and what to do when it cannot be had."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from specimeter.errors import ScaleError
from specimeter.scale.camera_profile import Profile
from specimeter.scale.card import scale_from_card
from specimeter.scale.choose import choose_card, find_markers
from specimeter.scale.distance import Focal, of_profile
from specimeter.scale.file import scale_from_file
from specimeter.scale.graduations import scale_from_graduations
from specimeter.scale.graduations_choose import find_edges
from specimeter.scale.length import scale_from_length
from specimeter.scale.model import Scale
from specimeter.sheet import Sheet


def find_scale(photo: Any, sheet: Sheet, profile: Profile | None = None) -> Scale:
    """The scale of one photograph, by the method that its sheet asks for.

    Parameters
    ----------
    photo : Photo
    sheet : Sheet
        ``method`` auto: a card; where there is none, the known length if one was marked; else a rule whose marks say what
        they are.
    profile : Profile, optional
        Of the lens: what `camera_profile.of_sheet` reads where the sheet names one.

    Returns
    -------
    Scale
        Its budget holds where the specimen is taken to lie: the middle of the region or of the marked bend axis, else of
        the frame's window, else of the picture.

    Raises
    ------
    ScaleError
        If millimetres cannot be had, or the lens profile is for another lens; it says what to do.
    """
    if profile is None:
        if sheet.photo is not None and sheet.photo.camera_file is not None:
            raise ScaleError(
                f"the sheet names the lens profile {sheet.photo.camera_file!r}, and it was not read",
                file=photo.file,
                field="photo.camera_file",
                mend="remove camera_file from the sheet, or measure with a program that reads it",
            )
        return _found(photo, sheet, None)
    scale = _found(photo, sheet, of_profile(profile.for_photo(photo)))
    if scale.method != "file":
        return scale
    unused = "the lens profile was not used: the file's own resolution holds all over the picture"
    return replace(scale, cautions=(*scale.cautions, unused))


def _found(photo: Any, sheet: Sheet, lens: Focal | None) -> Scale:
    method = sheet.scale.method
    if method == "length":
        return scale_from_length(photo, sheet, lens=lens)
    if method == "file":
        return scale_from_file(photo, sheet)
    if method == "graduations":
        return scale_from_graduations(photo, sheet, lens=lens)
    markers = find_markers(photo, sheet.scale.card_px)
    if not markers and sheet.scale.card_px is not None:
        raise ScaleError(
            "no marker of a printed card was found inside the outline around it",
            file=photo.file,
            field="scale.card_px",
            expected="an outline around the whole card, its black squares sharp and at least 20 pixels wide",
            mend="draw it wider around the card, or use a known length",
        )
    if not markers and method == "auto":
        if sheet.scale.from_px is not None:
            return scale_from_length(photo, sheet, lens=lens)
        edges = find_edges(photo)
        if edges and (sheet.scale.graduation_mm is not None or any(edge.pattern.division_mm for edge in edges)):
            return scale_from_graduations(photo, sheet, edges=edges, lens=lens)
    try:
        card, mine, cautions = choose_card(markers, photo)
        return scale_from_card(photo, sheet, card, mine, cautions, lens=lens)
    except ScaleError as error:
        if sheet.scale.card_px is not None:
            error.mend = f"draw card_px around the whole card and its white margin; or, where it is so drawn: {error.mend}"
        raise
