"""The etched border of weld metal is a dark line too: what is called unfused along it must be darker than the rest of it."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import scipy

from specimeter.measure.section import Section
from specimeter.measure.section_kinds import AT_LINE_MM, AT_PX
from specimeter.measure.section_place import fusion_lines
from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.contour import sample
from specimeter.segment.model import ExaminedArea, Outline

SURE = 4.5  # log-odds of the network, from which its word stands alone
REACH_PX, LINE_PX = 9.0, 4.0  # across the line: looked at; its darkest is taken within, the weld metal and the plate beyond
SMOOTH_PX, COURSE_PX = 3, 9  # along it: over which light is averaged, and its course steadied
APART = 2.5  # times as far as what lies at the line: there the rest of it begins
DARKER = 90.0  # percentile of the rest's darkness, which a stretch that is not fused passes
LEAST_PX, LEAST_REST_PX = 3, 30  # of a line beside what was called, and of its rest, to be compared


def without_etching(
    outlines: Sequence[Outline], photo: Photo, section: Section, surface: Surface, area: ExaminedArea
) -> list[Outline]:
    """The outlines less those that are a stretch of the etched fusion line, no darker than nine tenths of its rest.

    Only lines of the side wall are asked for, of which the network is not sure; where no fusion line is known, or too little of
    it, all stay.
    """
    doubtful = [one for one in outlines if one.kind == "lack-of-sidewall-fusion" and one.evidence.get("log_odds", SURE) < SURE]
    if section.weld_px is None or not doubtful:
        return list(outlines)
    px_mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    near_px = max(AT_LINE_MM / px_mm, AT_PX)
    lines = fusion_lines(surface.develop(section.weld_px), surface.develop(area.outline_px))
    told = [dips(photo.linear(), surface.project(line)) for line in lines]
    gone = [one for one in doubtful if any(_alike(one, outlines, *line, near_px) for line in told)]
    return [one for one in outlines if not any(one is other for other in gone)]


def dips(light: np.ndarray, line_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places (N, 2) a pixel apart along a line, and how much darker it is there than the darker of its two sides, (N,)."""
    part = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line_px, axis=0).T))])
    at = np.arange(0.0, part[-1], 1.0)
    places = np.column_stack([np.interp(at, part, column) for column in line_px.T])
    way = np.gradient(scipy.ndimage.uniform_filter1d(places, COURSE_PX, axis=0, mode="nearest"), axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    t = np.arange(-REACH_PX, REACH_PX + 0.01, 0.5)
    across = places[:, None] + t[None, :, None] * np.column_stack([-way[:, 1], way[:, 0]])[:, None]
    seen = scipy.ndimage.uniform_filter1d(sample(light, across[..., 0], across[..., 1]), SMOOTH_PX, axis=0, mode="nearest")
    sides = np.minimum(*(np.median(seen[:, sign * t > LINE_PX], axis=1) for sign in (-1, 1)))
    return places, 1 - seen[:, np.abs(t) <= LINE_PX].min(axis=1) / np.maximum(sides, 1e-4)


def _alike(one: Outline, outlines: Sequence[Outline], places: np.ndarray, dark: np.ndarray, near_px: float) -> bool:
    """Whether what was called lies at a line and is no darker than most of its rest, of which nothing was called."""
    own = _away(one, places) < near_px
    rest = np.all([_away(other, places) > APART * near_px for other in outlines], axis=0)
    if own.sum() < LEAST_PX or rest.sum() < LEAST_REST_PX:
        return False
    return bool(np.median(dark[own]) < np.percentile(dark[rest], DARKER))


def _away(one: Outline, places: np.ndarray) -> np.ndarray:
    """Distance of places (N, 2) from an outline in pixels, below 0 inside it."""
    ring = np.asarray(one.outline_px, np.float32).reshape(-1, 1, 2)
    return np.array([-cv2.pointPolygonTest(ring, (float(x), float(y)), True) for x, y in places])
