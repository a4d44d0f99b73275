"""What only a photograph can tell, told by it once more: what it resolves, width, blind parts, the sizes of a section."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from specimeter.measure.section import section_of
from specimeter.photo import Photo
from specimeter.record import build, rebuild, recompute
from specimeter.record.model import Cut, Record
from specimeter.scale.crown import CALLIPER
from specimeter.scale.model import Scale
from specimeter.scale.surface import Flat
from specimeter.segment.area import examined_area
from specimeter.segment.model import Outline
from specimeter.segment.sharpness import resolving
from specimeter.segment.unseen import mark_unseen

PLACED = ("measured and recorded", "placed again", "photograph added")  # acts after which the outlines are as they were found
TAKEN_BACK = "earlier acts taken back"
ANOTHER_PROGRAM = 0.1  # finding again is not promised to be the same in another version: so far off is told, and no fault
HEIGHT_BY_WIDTH = 0.25  # of its u: where the width told the crown's height, it was measured before the crown was moved there

AS_STORED = "taken as stored: outlines, the examined area's outline, scale, surface and their uncertainties"


def faults(record: Record, photo: str, picture: Photo) -> tuple[list[str], list[str]]:
    """What the photograph says otherwise than the record, and what of this could not be told from it; in sentences."""
    number = 1 + [one.id for one in record.photos].index(photo)
    sheet = recompute.sheet_of(record).for_photo(number)
    surface, scale, area = rebuild.surface_of(record, photo), rebuild.scale_of(record, photo), rebuild.area_of(record, photo)
    stored = next(part for part in record.examined if part.photo == photo)
    wrong, open_ = [], []
    loose = 0.0 if build.measuring_code(record) == build.code_sha256() else ANOTHER_PROGRAM

    resolved, seen = resolving(picture, surface, area)
    if not _alike(resolved, stored.smallest_resolvable_mm, loose):
        wrong.append(_told(photo, "smallest_resolvable_mm", stored.smallest_resolvable_mm, resolved))

    share_of_u = 1.0 if loose else HEIGHT_BY_WIDTH if _by_width(scale) else 0.0
    if _by_width(scale) and isinstance(surface, Flat):  # its ends were seen before the face was moved there, coarser or finer
        width_mm, share_of_u = sheet.specimen.specimen_width_mm, 0.0
        open_.append(f"the bar's ends in {photo}, whose distance told how high the face stands, are taken as stored")
    else:
        width_mm = examined_area(picture, sheet, scale, surface).width_mm
    if loose and (width_mm is None) != (stored.width_mm is None):
        open_.append(f"the width in {photo} shows to one version of the program and not to another: taken as stored")
    elif not _alike(width_mm, stored.width_mm, slack=share_of_u * (stored.u_width_mm or 0.0)):
        wrong.append(_told(photo, "width_mm", stored.width_mm, width_mm))

    if record.cut is not None and record.cut.photo == photo:
        whole = replace(area, unseen=(), cautions=())
        weld, zone = (
            None if clicked is None else np.array(clicked) for clicked in (record.cut.weld_drawn_px, record.cut.zone_drawn_px)
        )
        again = section_of(picture, sheet, whole, surface=surface, scale=scale, weld_px=weld, zone_px=zone)
        stored_sizes = record.section or {}
        for name in sorted(again.sizes.keys() | stored_sizes):
            if loose and (name in again.sizes) != (name in stored_sizes):
                open_.append(f"{name} shows to one version of the program and not to another: taken as stored")
            elif not _alike(again.sizes.get(name), stored_sizes.get(name), loose):
                wrong.append(f"section.{name} is {stored_sizes.get(name)}, and {again.sizes.get(name)} from the photograph")
        deep = [one for one in record.features if one.photo == photo and one.depth_mm is not None and one.found_by == "auto"]
        for one, notch in zip(deep, again.undercuts, strict=False):
            if not _alike(notch.undercut.depth_mm, one.depth_mm, loose):
                wrong.append(f"features.{one.id}.depth_mm is {one.depth_mm}, and {notch.undercut.depth_mm} from the photograph")
        if len(deep) != len(again.undercuts):
            open_.append(
                f"{len(deep)} undercuts are stored and {len(again.undercuts)} found again: their depths are taken as stored"
            )
        elif not loose:
            drawn = build.cut_part(again, deep, photo)
            wrong += [f"cut: {told}" for told in recompute.differences(_dumped(record.cut), _dumped(drawn))]

    found = found_then(record, photo)
    if found is None:
        open_.append(f"the parts of {photo} that show nothing are taken as stored: acts were taken back since")
    else:
        blind = mark_unseen(picture, surface, replace(seen, unseen=(), cautions=()), found).unseen
        if [part.why for part in blind] != [part.why for part in area.unseen] or not all(
            _alike(one.length_mm, other.length_mm, loose) for one, other in zip(blind, area.unseen, strict=True)
        ):
            wrong.append(_told(photo, "unseen", f"{len(area.unseen)} parts", f"{len(blind)} parts, of these or other lengths,"))
    return wrong, open_


def found_then(record: Record, photo: str) -> list[Outline] | None:
    """The outlines of a photograph as they were when it was placed, which the log's later acts tell; None where they do not."""
    outlines = dict(
        zip((one.id for one in record.features if one.photo == photo), rebuild.outlines_of(record, photo), strict=True)
    )
    for entry in reversed(record.log):
        added_here = entry.what == "photograph added" and entry.field == f"photos.{photo}"
        if entry.what in PLACED[:2] or added_here:
            break
        if entry.what == TAKEN_BACK:
            return None
        parts = (entry.field or "").split(".")
        if parts[0] != "features" or len(parts) < 2 or parts[1] not in outlines:
            continue
        if len(parts) == 2 and entry.what == "added":
            del outlines[parts[1]]
        elif parts[2:] == ["outline_px"]:
            outlines[parts[1]] = replace(outlines[parts[1]], outline_px=np.array(entry.old, float))
    return list(outlines.values())


def _dumped(cut: Cut) -> dict:
    return cut.model_dump(mode="json", exclude_none=True)


def _by_width(scale: Scale) -> bool:
    return str(scale.evidence.get("height_from", "")).startswith(CALLIPER)


def _alike(one: float | None, other: float | None, loose: float = 0.0, *, slack: float = 0.0) -> bool:
    if one is None or other is None or not (math.isfinite(one) and math.isfinite(other)):
        return (one is None or not math.isfinite(one)) and other is None
    return math.isclose(one, other, rel_tol=max(recompute.RELATIVE, loose), abs_tol=slack)


def _told(photo: str, name: str, stored: object, again: object) -> str:
    return f"examined.{photo}.{name} is {stored}, and {again} from the photograph"
