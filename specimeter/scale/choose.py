"""Which printed card the markers in a photograph belong to, and what to do when that cannot be said."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike

from specimeter.errors import ScaleError
from specimeter.scale.card_layout import CARDS, FRAME, STRIP, Card
from specimeter.scale.markers import Marker, detect, refine

_LEAST_FRAME = 3
_WANTED = frozenset(marker_id for card in CARDS for marker_id in card.centres_mm)


def find_markers(photo: Any, within_px: ArrayLike | None = None) -> list[Marker]:
    """All markers of both cards in a photograph, edges fitted; the same id twice where it is seen twice.

    Parameters
    ----------
    photo : Photo
    within_px : array_like, shape (N, 2), optional
        An outline [x, y] around the card: markers whose middle lies outside it do not count, and inside it
        contrast is stretched where the picture as it is shows none.
    """
    enough = [STRIP.centres_mm, FRAME.centres_mm]
    if within_px is None:
        rough = detect(_green(photo), _WANTED, enough=enough)
    else:
        outline = np.asarray(within_px, np.float32)
        low = np.clip(np.floor(outline.min(axis=0)).astype(int), 0, None)
        high = np.ceil(outline.max(axis=0)).astype(int) + 1
        part = np.ascontiguousarray(_green(photo)[low[1] : high[1], low[0] : high[0]])
        found = detect(part, _WANTED, enough=enough) or detect(_stretched(part), _WANTED, enough=enough)
        moved = {marker_id: [corners + low for corners in seen] for marker_id, seen in found.items()}

        def inside(corners: np.ndarray) -> bool:
            return cv2.pointPolygonTest(outline, corners.mean(axis=0).tolist(), False) >= 0

        rough = {id: kept for id, seen in moved.items() if (kept := [corners for corners in seen if inside(corners)])}
    return refine(photo.linear(), rough) if rough else []


def _stretched(grey: np.ndarray) -> np.ndarray:
    """Grey with the contrast of each part stretched: a card in deep shade, or in glare."""
    return cv2.createCLAHE(clipLimit=40.0, tileGridSize=(8, 8)).apply(grey)


def choose_card(markers: Sequence[Marker], photo: Any) -> tuple[Card, list[Marker], tuple[str, ...]]:
    """The one card that the markers belong to, and what is to be said about it. One marker of a strip will do for now.

    Raises
    ------
    ScaleError
        No marker, too few, two cards.
    """
    found = sorted(marker.id for marker in markers)
    of_strip = [marker for marker in markers if marker.id in STRIP.centres_mm]
    of_frame = [marker for marker in markers if marker.id in FRAME.centres_mm]
    if not found:
        raise _no_marker(photo)
    twice = sorted({marker_id for marker_id in found if found.count(marker_id) > 1})
    if twice or (of_strip and of_frame):
        what = (
            f"{'markers' if twice[1:] else 'marker'} {', '.join(map(str, twice))} seen more than once"
            if twice
            else f"markers of a strip ({_ids(of_strip)}) and of a frame ({_ids(of_frame)}) are in view"
        )
        raise ScaleError(
            f"two cards: {what}, and they may lie at different heights",
            file=photo.file,
            field="scale.method",
            expected="one printed card in the photograph",
            mend="take all cards but one out of view and photograph again, or point at the one beside the specimen (card_px)",
        )
    if of_strip:
        return STRIP, of_strip, ()
    centres = np.array([FRAME.centres_mm[marker.id] for marker in of_frame])
    spans = np.ptp(centres, axis=0)
    if len(of_frame) < _LEAST_FRAME or spans[0] < 40 or spans[1] < 30:
        raise ScaleError(
            f"the frame is half hidden: of its 12 markers only {_ids(of_frame)} "
            f"{'was' if len(of_frame) == 1 else 'were'} found",
            file=photo.file,
            field="scale.method",
            expected=f"at least {_LEAST_FRAME} markers, not all along one edge",
            mend="uncover the frame's other edges, keep glare off them, or move back until the whole frame is in the picture",
        )
    hidden = sorted(set(FRAME.centres_mm) - {marker.id for marker in of_frame})
    if not hidden:
        return FRAME, of_frame, ()
    many = f"of the frame's 12 markers {len(of_frame)} were found; hidden or glaring: {', '.join(map(str, hidden))}"
    return FRAME, of_frame, (many,)


def _green(photo: Any, step: int = 1) -> np.ndarray:
    """The green channel as 8 bits, every `step`-th pixel."""
    green: np.ndarray = cv2.extractChannel(np.ascontiguousarray(photo.rgb[::step, ::step]), 1)
    return np.ascontiguousarray(green if green.dtype == np.uint8 else (green >> 8).astype(np.uint8))


def _no_marker(photo: Any) -> ScaleError:
    step = max(1, max(photo.width_px, photo.height_px) // 1500)
    flipped = detect(cv2.flip(_green(photo, step), 1), _WANTED)
    if any(set(card.centres_mm) <= set(flipped) for card in CARDS) or len(flipped) > _LEAST_FRAME:
        return ScaleError(
            f"the picture is mirrored: markers {', '.join(map(str, sorted(flipped)))} read only from its back",
            file=photo.file,
            field="scale.method",
            expected="the photograph as taken",
            mend="turn off the camera's mirroring, or use the original file",
        )
    return ScaleError(
        "no marker of a printed card was found",
        file=photo.file,
        field="scale.method",
        expected="the strip or the frame in view, flat, sharp and evenly lit, its squares at least 20 pixels wide",
        mend='lay a printed card beside the specimen and photograph again, or use method = "length" with two marked points',
    )


def one_marker_only(seen: Marker, photo: Any) -> ScaleError:
    """The refusal of a strip of which one marker shows, and too few of its millimetre marks."""
    hidden = next(marker_id for marker_id in STRIP.centres_mm if marker_id != seen.id)
    x, y = seen.centre_px
    return ScaleError(
        f"only marker {seen.id} of the strip was found, at pixel [{x:.0f}, {y:.0f}]; marker {hidden} was not, and too few of "
        "the millimetre marks between them",
        file=photo.file,
        field="scale.method",
        expected="both black squares of the strip in view, with their white margin; or one and 25 mm or more of the marks",
        mend="uncover it, keep lamp glare and shadow edges off it, keep both ends in the picture and in focus",
    )


def _ids(markers: Sequence[Marker]) -> str:
    return ", ".join(str(marker_id) for marker_id in sorted(marker.id for marker in markers))
