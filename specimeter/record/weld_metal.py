"""A person's word on a section's weld metal and heat-affected zone: points clicked, from which they are measured again."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from specimeter.errors import RecordError
from specimeter.measure.section import section_of
from specimeter.photo import Photo
from specimeter.record import build, edit, rebuild, recompute
from specimeter.record.model import Drawn, Record
from specimeter.segment.weld_metal import WIDEST_DRAWN_MM

OF_METAL = ("penetration_mm", "weld_area_mm2", "haz_width_mm", "dilution")  # sizes that follow from the weld metal
Clicked = Sequence[Sequence[float]] | np.ndarray | None


def weld_metal(
    record: Record, picture: Photo, points_px: Clicked, *, by: str, when: datetime, why: str | None = None
) -> Record:
    """The record with weld metal as a person clicked it, (N, 2) pixels [x, y] in order round it; None: as the program found it.

    Where the weld's face is, the points may lie in the air: the metal's outline bounds the weld metal there.

    Raises
    ------
    OutlineError
        If the points are no outline.
    RecordError
        If the record is of no section, the photograph is another one, the points hold no metal of the cut, there are none to
        take back, or the record is issued.
    """
    return _measured(record, picture, "weld_drawn_px", points_px, "weld metal drawn", by=by, when=when, why=why)


def heat_zone(record: Record, picture: Photo, points_px: Clicked, *, by: str, when: datetime, why: str | None = None) -> Record:
    """The record with a heat-affected zone as wide as three or more points, (N, 2) pixels [x, y] along its outer border, say.

    None: as the program found it. Raises as `weld_metal` does, and RecordError where no fusion line is known to measure from,
    or a point cannot be on the zone's border: in the air, in the weld metal or far from it.
    """
    return _measured(record, picture, "zone_drawn_px", points_px, "heat-affected zone drawn", by=by, when=when, why=why)


def _measured(
    record: Record, picture: Photo, part: str, points_px: Clicked, what: str, *, by: str, when: datetime, why: str | None
) -> Record:
    edit.check_open(record)
    if record.cut is None:
        raise RecordError(
            "the record is of no macro section", field="cut", expected="the record of a macro-fillet or macro-butt"
        )
    photo = record.cut.photo
    stored = next(one for one in record.photos if one.id == photo)
    if picture.sha256 != stored.sha256:
        raise RecordError("this is not the photograph of the section", field="photo", expected=f"{photo}, {stored.file}")
    closed, field = part == "weld_drawn_px", f"cut.{part}"
    if points_px is None and getattr(record.cut, part) is None:
        raise RecordError("no points were clicked that could be taken back", field=field, expected="points in pixels")
    points = None if points_px is None else edit.polygon(record, points_px, photo, field, closed=closed)
    told = {"weld_drawn_px": record.cut.weld_drawn_px, "zone_drawn_px": record.cut.zone_drawn_px, part: points}
    weld, zone = (None if one is None else np.array(one) for one in (told["weld_drawn_px"], told["zone_drawn_px"]))
    sheet = recompute.sheet_of(record).for_photo(1 + [one.id for one in record.photos].index(photo))
    surface, scale, area = rebuild.surface_of(record, photo), rebuild.scale_of(record, photo), rebuild.area_of(record, photo)
    again = section_of(picture, sheet, area, surface=surface, scale=scale, weld_px=weld, zone_px=zone)
    if points is not None and again.weld_px is None:
        why_not = again.missing.get("weld_area_mm2", "no weld was found")
        raise RecordError(
            f"no weld metal comes of these points: {why_not}" if closed else f"no fusion line to measure from: {why_not}",
            field=field,
            expected="points in order round the weld metal, over a cut whose outline is sure",
            mend="click round the weld metal from toe to toe; beyond its face the points may lie in the air",
        )
    if points is not None and not closed and "haz_width_mm" not in again.sizes:
        raise RecordError(
            f"no width comes of these points: {again.missing['haz_width_mm']}",
            field=field,
            expected=f"points in the plates along the zone's outer border, at most {WIDEST_DRAWN_MM:g} mm from the fusion line",
            mend="click along the border again; if the fusion line is wrong, click round the weld metal first",
        )
    names = {*OF_METAL, *(f"U_{name}" for name in OF_METAL)}
    sizes = {name: value for name, value in (record.section or {}).items() if name not in names}
    sizes |= {name: float(value) for name, value in again.sizes.items() if name in names}
    kept = tuple(one for one in record.cut.drawn if one.size not in names)
    lines = tuple(
        Drawn(size=name, lines_px=tuple(build.points(line) for line in lines))
        for name, lines in again.drawn.items()
        if name in names
    )
    cut = record.cut.model_copy(
        update={
            "missing": {name: said for name, said in record.cut.missing.items() if name not in names}
            | {name: said for name, said in again.missing.items() if name in names},
            "weld_px": None if again.weld_px is None else build.points(again.weld_px),
            part: points,
            "drawn": (*kept, *lines),
        }
    )
    entry = {"what": what, "field": field, "old": _told(getattr(record.cut, part)), "new": _told(points)}
    return edit.entered(record, {"cut": cut, "section": sizes}, [entry], by=by, when=when, why=why)


def _told(points: Sequence[Sequence[float]] | None) -> list[list[float]] | None:
    return None if points is None else [[float(x), float(y)] for x, y in points]
