"""The examined area: the bent face up to 60 degrees, the broken face, the cut metal, or what the sheet's region says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from specimeter.errors import AreaError
from specimeter.photo import Photo
from specimeter.scale.borders import Reduced, reduce
from specimeter.scale.crown import CALLIPER, by_its_own_size
from specimeter.scale.crown_line import LEGS
from specimeter.scale.height import lies_beside
from specimeter.scale.model import Scale
from specimeter.scale.own_width import by_its_own_width, by_its_plate, u_ends_mm
from specimeter.scale.place import height_open, u_size
from specimeter.scale.surface import Bend, Flat, Surface
from specimeter.segment import area_fracture, section_outline
from specimeter.segment.edges import SideEdge, follow_side_edges, rounding_mm
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import BROKEN_TESTS, MACRO_TESTS, Region, Sheet
from specimeter.sheet_sizes import read_in_inches

STEEPEST_DEG = 60.0  # surface steeper than this to the sight line is not examined (design, section 7)
PULLED_IN_PX = 0.5  # the outline keeps this far inside the side edges, so that no background is taken for face
OUTLINE_STEPS = 64  # points along each side of an outline that was found
HEIGHT_UNKNOWN = 0.6  # of the confidence, where the face's size in the picture had to be searched too (judgement)
CALLIPER_U_MM = 0.1  # of a calliper's reading for the bent face, whose edges draw in: judgement
MOST_OUTWARDS = 2.5  # standard uncertainties of the edges; what is off by more was not the same pair of edges
BETWEEN_LEGS = 0.6  # at most, where nothing but perspective tells how far along its legs a crown lies: of 47 such faces, widths
# in order, by two renderers 43 overlapped the true one by 0.87 or more; a length's U knows how unsure the crown is
WIDTH_OFF = 0.08  # measured width over calliper width, beyond which the face found is probably not the specimen's


def examined_area(photo: Photo, sheet: Sheet, scale: Scale, surface: Surface) -> ExaminedArea:
    """The outline within which features are looked for.

    A region in the sheet is taken as it is drawn, less what is too steep. Without one a bend's face is outlined between
    its own side edges, as far as it is no steeper than 60 degrees and lies on the bent part; a broken face is found by how it
    looks, without notches and machined ends; of a cut section it is the metal's own outline, onto which a region drawn by
    hand is moved too.

    Raises
    ------
    AreaError
        If nothing is left of the area, or none can be had: flat faces need a region.
    """
    if isinstance(surface, Bend):
        surface = surface.smooth  # edges are followed on the cylinder
    edges = _side_edges(photo, sheet, scale, surface) if isinstance(surface, Bend) else None
    broken, cut = sheet.specimen.test in BROKEN_TESTS, sheet.specimen.test in MACRO_TESTS
    if sheet.region is not None:
        area = _drawn(photo, sheet.region, scale, surface, edges)
        if cut:
            return section_outline.drawn_section(photo, area)
        return area_fracture.with_sides(area) if broken else area
    if cut:
        return section_outline.find_section(photo, sheet, scale, surface)
    if broken:
        return area_fracture.find_face(photo, sheet, scale, surface)
    if not isinstance(surface, Bend):
        raise AreaError(
            "the examined face is not outlined, and on this kind of specimen it is not found automatically",
            field="region.outline_px",
            expected="the face's outline, three or more points [x, y] in pixels",
            mend="draw it and give it in the table [region]",
        )
    if edges is None:
        raise AreaError(
            "the specimen's side edges do not show in the photograph",
            file=photo.file,
            expected="the bent face between its two side edges",
            mend="photograph the whole width of the face, or outline it in [region] outline_px",
        )
    return _found(photo, sheet, scale, surface, edges)


def by_its_edges(sheet: Sheet, scale: Scale, surface: Surface, area: ExaminedArea) -> tuple[Scale, Surface, ExaminedArea]:
    """Where the crown's height was told by the calliper width: told anew by the width between the edges as followed here.
    A broken half whose height nobody entered is told it by the width between its ends, a cut by the thickness of a plate.

    The same picture, so that the outline stays; as they are where the height was had another way, or no width was measured.
    """
    if isinstance(surface, Flat) and sheet.specimen.test in MACRO_TESTS:
        across_px = section_outline.across_a_plate(sheet, surface, area) if lies_beside(sheet) else None
        return (*((scale, surface) if across_px is None else by_its_plate(sheet, scale, surface, across_px)), area)
    if isinstance(surface, Flat):
        return (scale, surface, area) if area.ends_px is None else _by_its_ends(sheet, scale, surface, area, area.ends_px)
    told_by_calliper = scale.evidence.get("height_from", "").startswith(CALLIPER)
    if not told_by_calliper or area.width_mm is None or area.u_width_mm is None:
        return scale, surface, area
    u_edges = float(np.sqrt(max(area.u_width_mm**2 - (scale.u_rel * area.width_mm) ** 2, 0.0)))
    before = surface.height_mm
    scale, surface = by_its_own_size(sheet, scale, surface, width_mm=area.width_mm, u_width_mm=u_edges)
    width = area.width_mm * (surface.view.distance_mm - surface.height_mm) / (surface.view.distance_mm - before)
    return scale, surface, replace(area, width_mm=float(width), u_width_mm=float(np.hypot(u_edges, scale.u_rel * width)))


def with_its_edges(sheet: Sheet, surface: Surface, area: ExaminedArea) -> Surface:
    """A bend with its two long edges where they were followed, rounded as the sheet says or as specimens are prepared."""
    if not isinstance(surface, Bend) or len(area.edges_px) != 2:
        return surface
    assert sheet.bend is not None  # of a bend
    radius, u, basis = rounding_mm(sheet.bend)
    return replace(
        surface, edges_px=area.edges_px, edge_radius_mm=radius, u_edge_radius_mm=u, basis={**surface.basis, "edges": basis}
    )


def _by_its_ends(
    sheet: Sheet, scale: Scale, surface: Flat, area: ExaminedArea, ends_px: np.ndarray
) -> tuple[Scale, Surface, ExaminedArea]:
    scale, surface = by_its_own_width(sheet, scale, surface, ends_px)
    width = float(np.linalg.norm(np.subtract(*surface.develop(ends_px))))
    u_width = float(np.hypot(u_ends_mm(width, scale), scale.u_rel * width))
    return scale, surface, replace(area, width_mm=width, u_width_mm=u_width)


def steepness_limits_mm(bend: Bend, a_mm: ArrayLike) -> np.ndarray:
    """Least and greatest arc position s in mm, shape (N, 2), at each place a along the axis, that are on the bent part and
    no steeper than 60 degrees; NaN where none is."""
    a = np.asarray(a_mm, float).ravel()
    s = np.linspace(-bend.arc_half_mm, bend.arc_half_mm, 241)
    grid = np.stack(np.meshgrid(s, a), axis=-1)
    steep = bend.steepness_on_deg(grid.reshape(-1, 2)).reshape(len(a), len(s))
    limits = np.full((len(a), 2), np.nan)
    good = steep <= STEEPEST_DEG
    for k in np.flatnonzero(good.any(axis=1)):
        first, last = np.flatnonzero(good[k])[[0, -1]]
        limits[k] = s[first], s[last]
        if first > 0:  # steepness grows evenly with s: interpolating one step of 0.75 degrees is good to 0.001 mm
            limits[k, 0] = np.interp(STEEPEST_DEG, steep[k, [first, first - 1]], s[[first, first - 1]])
        if last < len(s) - 1:
            limits[k, 1] = np.interp(STEEPEST_DEG, steep[k, [last, last + 1]], s[[last, last + 1]])
    return limits


def _side_edges(photo: Photo, sheet: Sheet, scale: Scale, bend: Bend) -> tuple[SideEdge, SideEdge] | None:
    calliper = sheet.specimen.specimen_width_mm
    half = (calliper or 25.0) / 2
    expected = bend.evidence.get("side_edges_a_mm", (-half, half))
    thickness = sheet.specimen.specimen_thickness_mm
    assert sheet.bend is not None  # the sheet of a bend test gives both
    assert thickness is not None
    rounding = rounding_mm(sheet.bend)[:2]
    return follow_side_edges(_detailed(photo, bend), bend, expected, calliper, u_size(scale), thickness, rounding)


def _detailed(photo: Photo, bend: Bend) -> Reduced:
    """The photograph as it is, or shrunk where a pixel is finer than 0.03 mm: an edge is no sharper than that."""
    return reduce(photo.rgb, max(1, int(0.03 / bend.mm_per_px_at(bend.project(np.zeros((1, 2)))[0]))))


def _width(edges: tuple[SideEdge, SideEdge], scale: Scale) -> tuple[float, float]:
    """Width at the crown in mm and its standard uncertainty, scale included."""
    width = float(edges[1].at([0.0])[0] - edges[0].at([0.0])[0]) + edges[0].sunk_mm + edges[1].sunk_mm
    return width, float(np.hypot(np.linalg.norm([edge.u_mm for edge in edges]), _u_told(edges, width, scale)))


def _u_told(edges: tuple[SideEdge, SideEdge], width: float, scale: Scale) -> float:
    """Standard uncertainty in mm of a width between two edges that are known in the picture: of scale and rounding."""
    return float(np.hypot(scale.u_rel * width, edges[0].u_sunk_mm + edges[1].u_sunk_mm))


def _outwards(
    edges: tuple[SideEdge, SideEdge], width: float, calliper: float | None, scale: Scale
) -> tuple[np.ndarray, np.ndarray]:
    """By how much each edge is set farther out than it was seen, in mm, for a calliper's sake; and how unsure it is then.

    A rounded edge fades into a dark background, so where the metal ends is seen less surely than a calliper tells how wide
    it is: least squares of both edges as seen and of the width as told, each by its variance, so that the edge that is less
    sure gives way more. The width measured, which checks the scale, is left as it was seen.
    """
    seen = np.array([edge.u_mm**2 for edge in edges])
    if calliper is None:
        return np.zeros(2), np.sqrt(seen)
    whole = seen.sum() + CALLIPER_U_MM**2 + _u_told(edges, width, scale) ** 2
    most = MOST_OUTWARDS * np.sqrt(seen.sum()) * seen / seen.sum()
    return np.clip((calliper - width) * seen / whole, -most, most), np.sqrt(seen * (1 - seen / whole))


def _found(photo: Photo, sheet: Sheet, scale: Scale, bend: Bend, edges: tuple[SideEdge, SideEdge]) -> ExaminedArea:
    width, u_width = _width(edges, scale)
    inward = PULLED_IN_PX * bend.mm_per_px_at(bend.project(np.zeros((1, 2)))[0])
    outwards, u_edges = _outwards(edges, width, sheet.specimen.specimen_width_mm, scale)
    sides, seen = [], []
    for edge, sign, further in zip(edges, (1.0, -1.0), outwards, strict=True):
        low, high = steepness_limits_mm(bend, edge.at([0.0]))[0]
        if np.isnan(low):
            raise AreaError(
                "every part of the face is steeper than 60 degrees to the sight line",
                file=photo.file,
                mend="photograph the bend face from above its crown",
            )
        s = np.linspace(low, high, OUTLINE_STEPS)
        seen.append(np.column_stack([s, edge.at(s) - sign * further]))
        sides.append(seen[-1] + [0.0, sign * inward])
    one, two = sides
    across = [_steep_line(bend, one[-1, 1], two[-1, 1], 1), _steep_line(bend, two[0, 1], one[0, 1], 0)]
    outline = bend.project(np.concatenate([one, across[0], two[::-1], across[1]]))
    inside = (outline >= -0.5) & (outline <= np.array([photo.width_px, photo.height_px]) - 0.5)
    cautions = []
    if not inside.all():
        cautions.append("Part of the bent face lies outside the photograph and was not examined.")
        outline = np.clip(outline, 0, np.array([photo.width_px, photo.height_px]) - 1.0)
    confidence = _confidence(edges, width, sheet.specimen.specimen_width_mm, scale, bend)
    if confidence < 0.5:
        cautions.append(
            "The examined area was found with low confidence: check its outline and the test that the sheet names, or give it "
            "in [region]."
        )
        cautions += filter(None, [read_in_inches(sheet.specimen, sheet.bend)])
    return ExaminedArea(
        outline_px=outline,
        found_by="auto",
        edges_px=tuple(bend.project(side) for side in seen),
        u_edges_mm=(float(u_edges[0]), float(u_edges[1])),
        width_mm=width,
        u_width_mm=u_width,
        confidence=confidence,
        cautions=tuple(cautions),
    )


def _steep_line(bend: Bend, from_mm: float, to_mm: float, which: int) -> np.ndarray:
    """The 60 degree line (which: 0 at least s, 1 at greatest s) between two places along the axis, ends left out."""
    a = np.linspace(from_mm, to_mm, OUTLINE_STEPS // 2)[1:-1]
    return np.column_stack([steepness_limits_mm(bend, a)[:, which], a])


def _confidence(edges: tuple[SideEdge, SideEdge], width: float, calliper: float | None, scale: Scale, bend: Bend) -> float:
    """0 to 1, from how well the borders show, how near rivals come and how the width agrees with the calliper."""
    support = min(bend.evidence.get("support", 1.0), 0.5 * (edges[0].support + edges[1].support) + 0.35)
    confidence = np.clip((support - 0.5) / 0.35, 0.05, 0.99)
    if bend.cautions:
        confidence = min(confidence, BETWEEN_LEGS if set(bend.cautions) == {LEGS} else 0.45)
    if height_open(scale):
        confidence *= HEIGHT_UNKNOWN
    if calliper is not None:
        confidence *= np.exp(-0.5 * (np.log(width / calliper) / np.hypot(WIDTH_OFF / 2, u_size(scale))) ** 2)
    return float(confidence)


def _drawn(
    photo: Photo, region: Region, scale: Scale, surface: Surface, edges: tuple[SideEdge, SideEdge] | None
) -> ExaminedArea:
    """The sheet's region, cut where it reaches surface that is too steep."""
    drawn = _dense(np.asarray(region.outline_px, float))
    outline = _cut(drawn, surface, photo)
    cautions: tuple[str, ...] = ()
    if _area_px(outline) < 0.995 * _area_px(drawn):
        cautions = (
            "Part of the region is steeper than 60 degrees to the sight line, or beyond the bent part: it was left out.",
        )
    area = ExaminedArea(
        outline_px=outline,
        exclude_px=tuple(np.asarray(hole, float) for hole in region.exclude_px),
        found_by="sheet",
        cautions=cautions,
    )
    if edges is None or not isinstance(surface, Bend) or min(edge.support for edge in edges) < 0.3:
        return area
    width, u_width = _width(edges, scale)
    lines = []
    for edge in edges:
        s = np.linspace(edge.s_mm[0], edge.s_mm[-1], OUTLINE_STEPS)
        developed = np.column_stack([s, edge.at(s)])
        limit = steepness_limits_mm(surface, edge.at([0.0]))[0]
        lines.append(surface.project(developed[(s >= limit[0]) & (s <= limit[1])]))
    return replace(area, edges_px=tuple(line for line in lines if len(line)), width_mm=width, u_width_mm=u_width)


def _dense(polygon: np.ndarray) -> np.ndarray:
    """The polygon with no side longer than a four-hundredth of its own extent."""
    longest = max(1.0, float(np.ptp(polygon, axis=0).max()) / 400)
    parts = []
    for start, end in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        count = max(1, int(np.ceil(np.hypot(*(end - start)) / longest)))
        parts.append(start + np.arange(count)[:, None] / count * (end - start))
    return np.concatenate(parts)


def _examinable(points_px: np.ndarray, surface: Surface) -> np.ndarray:
    good = np.nan_to_num(surface.steepness_deg(points_px), nan=90.0) <= STEEPEST_DEG
    if isinstance(surface, Bend):
        good &= np.abs(np.nan_to_num(surface.develop(points_px)[:, 0], nan=np.inf)) <= surface.arc_half_mm
    return good


def _cut(polygon: np.ndarray, surface: Surface, photo: Photo) -> np.ndarray:
    """The part of a dense polygon that can be examined; where it leaves and comes back, it follows the limit between."""
    good = _examinable(polygon, surface)
    if good.all():
        return polygon
    if not good.any():
        raise AreaError(
            "no part of the region's outline lies on surface less steep than 60 degrees to the sight line",
            file=photo.file,
            field="region.outline_px",
            mend="outline the part of the face round the crown; check the axis, the former and the thickness",
        )
    start = int(np.flatnonzero(good & ~np.roll(good, -1))[0])  # the last good point before the outline first leaves
    polygon, good = np.roll(polygon, -start, axis=0), np.roll(good, -start)
    parts: list[np.ndarray] = []
    left: np.ndarray | None = None
    for k in range(len(polygon)):
        following = (k + 1) % len(polygon)
        if good[k]:
            parts.append(polygon[k : k + 1])
        if good[k] and not good[following]:
            left = _crossing(polygon[k], polygon[following], surface)
        elif not good[k] and good[following]:
            assert left is not None  # the first good point before the outline leaves comes first
            back = _crossing(polygon[following], polygon[k], surface)
            parts.append(_along_limit(left, back, surface))
    return np.concatenate(parts)


def _crossing(inside: np.ndarray, outside: np.ndarray, surface: Surface) -> np.ndarray:
    for _ in range(20):
        middle = (inside + outside) / 2
        if _examinable(middle[None], surface)[0]:
            inside = middle
        else:
            outside = middle
    return inside


def _along_limit(left: np.ndarray, back: np.ndarray, surface: Surface) -> np.ndarray:
    """Pixels from where an outline left the examinable part to where it comes back, along that part's limit."""
    if not isinstance(surface, Bend):
        return np.array([left, back])
    (s, a), (_, b) = surface.develop(np.array([left, back]))
    line = _steep_line(surface, a, b, int(s > 0))
    return np.concatenate([left[None], surface.project(line), back[None]])


def _area_px(polygon: np.ndarray) -> float:
    x, y = polygon.T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)
