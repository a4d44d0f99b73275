"""Every number of a record once more from what is stored (outlines, scale, surface, sheet, limits), with the main job's means.

`recompute(record)` gives the record as it must be: sizes, examined area, verdicts, outcome, reasons, cautions and the state of
the review. What only the photograph can tell (the outlines themselves, the specimen's width, what can be resolved) is taken as
it is stored. A record that nobody tampered with is equal to its recomputation, bit for bit on the same libraries.
`differences(stored, again)` names what is not.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from specimeter.errors import SheetError
from specimeter.judge import limits as judge_limits
from specimeter.judge.decide import decide
from specimeter.judge.face import Face, counted_once
from specimeter.judge.model import Judgement
from specimeter.measure import sizes
from specimeter.measure.feature import Feature
from specimeter.measure.section import hidden
from specimeter.record import build, model, rebuild
from specimeter.record.model import Record
from specimeter.scale.budget import combine
from specimeter.sheet import Sheet
from specimeter.toml_file import validated

SAID = ("same_as", "corner_by_eye")  # what people say of a feature beside what a measured one holds
MEASURED_FROM = ("id", "outline_px", "u_edge_px", "u_tip_px", "depth_mm", "U_depth_mm", "corner_by_eye")
NOT_COUNTED = "it was rejected, and rejected features are not counted"
RELATIVE = 1e-9


def recompute(record: Record, *, before: Record | None = None) -> Record:
    """The same record with everything in it that follows from something else worked out again; its log is as it was.

    Parameters
    ----------
    before : Record, optional
        The record before an act that made `record` of it. Sizes that the act cannot have changed are taken from it, if this
        program worked them out.

    Raises
    ------
    SpecimeterError
        If the sheet, the limits or an outline in it are none.
    """
    photos = [photo.id for photo in record.photos]
    measured = {feature.id: feature for photo in photos for feature in _measured(record, photo, before)}
    sound = _untouched(record, before)
    record = record.model_copy(
        update={
            "scales": tuple(_scale(record, scale) for scale in record.scales),
            "surfaces": tuple(_surface(record, surface) for surface in record.surfaces),
            "examined": tuple(_examined(record, examined) for examined in record.examined),
            "features": tuple(
                stored if stored.id in sound else _feature(stored, measured[stored.id]) for stored in record.features
            ),
            "review": _review(record),
        }
    )
    judgement = judge(record, limits_of(record), [measured[feature.id] for feature in record.features])
    return record.model_copy(
        update={
            "verdicts": tuple(build.verdict_part(verdict) for verdict in judgement.verdicts),
            "outcome": judgement.outcome,
            "reasons": judgement.because,
            "cautions": build.cautions_of(model.parts_of(record), judgement),
        }
    )


def judge(record: Record, limits: judge_limits.Limits | None, features: Sequence[Feature] | None = None) -> Judgement:
    """The judgement over a stored record by any limits; `features` may be handed on if they are measured already."""
    if features is None:
        features = _as_stored(record)
    sheet = sheet_of(record)
    first, *others = (_face(record, sheet, number) for number in range(1, len(record.photos) + 1))
    return decide(
        sheet,
        limits,
        features,
        photo=first.photo,
        area=first.area,
        smallest_resolvable_mm=first.smallest_resolvable_mm,
        scale=first.scale,
        surface=first.surface,
        reviewed=record.review.state != "unreviewed",
        area_mm2=first.area_mm2,
        U_area_mm2=first.U_area_mm2,
        section=record.section,
        hidden=() if record.cut is None else hidden(record.cut.cautions),
        others=others,
        links=links_of(record),
    )


def _face(record: Record, sheet: Sheet, number: int) -> Face:
    photo = record.photos[number - 1].id
    examined = next(part for part in record.examined if part.photo == photo)
    return Face(
        photo=photo,
        sheet=sheet.for_photo(number),
        area=rebuild.area_of(record, photo),
        smallest_resolvable_mm=examined.smallest_resolvable_mm,
        scale=rebuild.scale_of(record, photo),
        surface=rebuild.surface_of(record, photo),
        area_mm2=examined.area_mm2,
        U_area_mm2=examined.U_area_mm2,
    )


def features_of(record: Record) -> list[Feature]:
    """The features as a rule sees them: measured again, each imperfection once, the rejected ones among them."""
    return counted_once(_as_stored(record), links_of(record))


def links_of(record: Record) -> dict[str, str]:
    """From a feature's id to that of another picture of the same imperfection."""
    return {stored.id: stored.same_as for stored in record.features if stored.same_as is not None}


def sheet_of(record: Record) -> Sheet:
    """The sheet as it was entered. Raises SheetError."""
    return validated(Sheet, record.sheet, file=None, error=SheetError)


def limits_of(record: Record) -> judge_limits.Limits | None:
    """The limits as they were entered, or None. Raises LimitsError."""
    return None if record.limits is None else judge_limits.from_tables(record.limits)


def differences(stored: Any, again: Any, place: str = "") -> Iterator[str]:
    """Places in JSON data where the recomputed value is not the stored one; numbers may differ by 1e-9 of their size."""
    if isinstance(stored, Mapping) and isinstance(again, Mapping):
        for key in {**stored, **again}:
            yield from differences(stored.get(key), again.get(key), f"{place}.{key}" if place else str(key))
    elif isinstance(stored, list) and isinstance(again, list) and len(stored) == len(again):
        for number, (one, other) in enumerate(zip(stored, again, strict=True)):
            name = one["id"] if isinstance(one, Mapping) and "id" in one else number
            yield from differences(one, other, f"{place}.{name}")
    elif isinstance(stored, float | int) and isinstance(again, float | int) and not isinstance(stored, bool):
        if not math.isclose(stored, again, rel_tol=RELATIVE, abs_tol=1e-12):
            yield f"{place} is {stored!r}, and {again!r} when it is recomputed"
    elif stored != again:
        yield f"{place} is {_short(stored)}, and {_short(again)} when it is recomputed"


def _as_stored(record: Record) -> list[Feature]:
    """The features measured again, in the record's order."""
    measured = {feature.id: feature for photo in record.photos for feature in _measured(record, photo.id)}
    return [measured[feature.id] for feature in record.features]


def _measured(record: Record, photo: str, before: Record | None = None) -> list[Feature]:
    """The features of one photograph as measured again, with what people said of them; the rejected ones apart."""
    stored = [feature for feature in record.features if feature.photo == photo]
    if not stored:
        return []
    if before is not None and _sizes_hold(record, before, photo):
        return [_with_words(rebuild.feature_of(feature), feature) for feature in stored]
    outlines = dict(zip((feature.id for feature in stored), rebuild.outlines_of(record, photo), strict=True))
    surface, scale, area = rebuild.surface_of(record, photo), rebuild.scale_of(record, photo), rebuild.area_of(record, photo)
    measured = []
    for rejected in (False, True):
        chosen = [feature for feature in stored if (feature.status == "rejected") == rejected]
        again = sizes.measure(
            [outlines[feature.id] for feature in chosen], photo_id=photo, surface=surface, scale=scale, area=area
        )
        measured += [_with_words(new, old) for new, old in zip(again, chosen, strict=True)]
    return measured


def _untouched(record: Record, before: Record | None) -> set[str]:
    """Features that the act left as this program had worked them out, on photographs whose sizes hold."""
    if before is None:
        return set()
    hold = {photo.id for photo in record.photos if _sizes_hold(record, before, photo.id)}
    old = {id(feature) for feature in before.features}
    return {feature.id for feature in record.features if feature.photo in hold and id(feature) in old}


def _sizes_hold(record: Record, before: Record, photo: str) -> bool:
    """Whether no size of a photograph's features can be another one than before, and this program worked those out."""
    if before.tool.code_sha256 != build.code_sha256():
        return False
    if any(getattr(record, name) != getattr(before, name) for name in ("scales", "surfaces", "examined")):
        return False
    old, new = ([one for one in of.features if one.photo == photo] for of in (before, record))
    return (
        len(old) == len(new)
        and all(
            one is other
            or (
                all(getattr(one, name) == getattr(other, name) for name in MEASURED_FROM)
                and (one.status == "rejected") == (other.status == "rejected")
            )
            for one, other in zip(old, new, strict=True)
        )
        and not any(value.startswith(sizes.CUT) for one in new for value in one.missing.values())
    )


def _feature(stored: model.Feature, measured: Feature) -> model.Feature:
    """The feature as it must be: the stored one where nothing of it changed, which spares building it anew."""
    if all(getattr(stored, name) == getattr(measured, name) for name in build.FEATURE) and (
        (stored.tips_px is None) == (measured.tips_px is None)
        and (stored.tips_px is None or measured.tips_px is None or np.array_equal(stored.tips_px, measured.tips_px))
        and len(stored.budget) == len(measured.budget)
        and all(
            getattr(one, name) == getattr(other, name)
            for one, other in zip(stored.budget, measured.budget, strict=True)
            for name in build.TERM
        )
    ):
        return stored
    return build.feature_part(measured, **{name: getattr(stored, name) for name in SAID})


def _with_words(new: Feature, old: model.Feature) -> Feature:
    """The sizes of `new` with what people said of `old`."""
    said: dict[str, Any] = {name: getattr(old, name) for name in ("id", "status", "cause", "cause_basis", "reason")}
    missing = dict(new.missing)
    if old.corner_by_eye is not None:
        said["at_corner"] = old.corner_by_eye
        missing.pop("at_corner", None)
    if old.status == "rejected":
        said |= {"nearest_mm": None, "U_nearest_mm": None}
        missing["nearest_mm"] = NOT_COUNTED
    return replace(new, **said, missing=missing)


def _scale(record: Record, stored: model.Scale) -> model.Scale:
    surface, area = rebuild.surface_of(record, stored.photo), rebuild.area_of(record, stored.photo)
    scale = rebuild.scale_of(record, stored.photo)
    numbers = {"mm_per_px": build.mm_per_px_of(surface, area), "tilt_deg": float(scale.view.tilt_deg)}
    if stored.budget:
        numbers["u_rel"] = float(combine(scale.budget))
    return stored.model_copy(update=numbers)


def _surface(record: Record, stored: model.SurfaceShape) -> model.SurfaceShape:
    surface, area = rebuild.surface_of(record, stored.photo), rebuild.area_of(record, stored.photo)
    return stored.model_copy(update={"axis_px": build.axis_px_of(surface, area)})


def _examined(record: Record, stored: model.Examined) -> model.Examined:
    photo = stored.photo
    surface, scale, area = rebuild.surface_of(record, photo), rebuild.scale_of(record, photo), rebuild.area_of(record, photo)
    area_mm2, U_area_mm2 = sizes.area_mm2(surface, scale, area)
    return stored.model_copy(update={"area_mm2": area_mm2, "U_area_mm2": U_area_mm2})


def _review(record: Record) -> model.Review:
    """Issued if it was; else reviewed once a person said that the face was looked over and no feature is left as proposed."""
    complete = record.review.by is not None and all(feature.status != "proposed" for feature in record.features)
    state = "issued" if record.issue is not None else "reviewed" if complete else "unreviewed"
    return record.review.model_copy(update={"state": state})


def _short(value: Any) -> str:
    text = "absent" if value is None else repr(value)
    return text if len(text) <= 120 else f"{text[:117]}..."
