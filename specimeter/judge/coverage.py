"""Whether everything was looked at: the examined area, every feature under a rule, and the calliper's check of the scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from specimeter.judge.interval import Interval
from specimeter.judge.limits import FEATURE_TESTS, Limits
from specimeter.judge.membership import members, named
from specimeter.judge.wording import listed, quantity
from specimeter.measure.feature import Feature
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import BEND_TESTS, Sheet

U_CALLIPER_MM = 0.1  # k = 2; judgement: a workshop calliper across ground edges, burrs included
STEEPEST_DEG = 60.0  # steeper surface is not examined


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """What was not looked at (`unseen`), what no rule or person answers for (`open`), and what is only to be told."""

    unseen: tuple[str, ...] = ()
    open: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def of_area(sheet: Sheet, area: ExaminedArea | None) -> Coverage:
    """Whether the examined area is the weld and heat-affected zone over the full width, and agrees with the calliper.

    The calliper's width is the free check of the scale: a disagreement beyond the combined expanded uncertainty is a
    caution and leaves the judgement open. Without a calliper width there is no such check, which leaves it open too, since
    leaving the width out must not help.
    """
    if area is None or len(area.outline_px) < 3:
        return Coverage(unseen=("No examined area was found.",))
    if sheet.specimen.test not in BEND_TESTS:
        return Coverage()
    unseen, doubts, cautions = [], [], []
    if len(area.exclude_px):
        unseen.append(f"{len(area.exclude_px)} part(s) of the face were left out of the examination.")
    if len(area.edges_px) < 2:
        unseen.append("The examined area does not reach both edges of the specimen: its full width was not seen.")
    weld, thickness = sheet.specimen.weld_width_mm, sheet.specimen.specimen_thickness_mm
    arc_mm = 2 * math.radians(STEEPEST_DEG) * (sheet.bend.former_diameter_mm / 2 + thickness)
    if weld is not None and weld > arc_mm and sheet.specimen.test != "longitudinal-bend":
        unseen.append(f"The weld, {weld:g} mm wide, is wider than the {arc_mm:.3g} mm of the bend that one photo can show.")
    calliper = sheet.specimen.specimen_width_mm
    if calliper is None:
        doubts.append("The sheet gives no calliper width (specimen.specimen_width_mm), so nothing checks the scale.")
    elif area.width_mm is None or area.u_width_mm is None:
        doubts.append("The specimen's width was not measured in the photo, so the calliper width does not check the scale.")
    else:
        doubt = _width_doubt(calliper, area.width_mm, area.u_width_mm)
        doubts += doubt
        cautions += doubt
    return Coverage(unseen=tuple(unseen), open=tuple(doubts), cautions=tuple(cautions))


def of_features(sheet: Sheet, limits: Limits, features: Sequence[Feature], *, reviewed: bool) -> Coverage:
    """Whether each feature is under a rule, or set aside with a reason in a review by a named person."""
    looking = [rule for rule in limits.rule if rule.test in FEATURE_TESTS]
    doubts, cautions = [], []
    present = [feature for feature in features if feature.status != "rejected"]
    uncovered = [feature for feature in present if not any(named(rule, feature) for rule in looking)]
    for kind in sorted({feature.kind for feature in uncovered}):
        ids = [feature.id for feature in uncovered if feature.kind == kind]
        doubts.append(f"No rule looks at {listed(ids)} ({kind.replace('-', ' ')}).")
    unexplained = [f.id for f in features if f.status == "rejected" and not (reviewed and f.reason)]
    if unexplained:
        doubts.append(f"{listed(unexplained)} set aside without a reason and a completed review by a named person.")
    counted = {m.id for rule in looking for m in members(rule, sheet, features, guarded=limits.guarded)}
    left_out = [feature.id for feature in present if feature not in uncovered and feature.id not in counted]
    if left_out:
        cautions.append(f"{listed(left_out)} left out of every rule by the conditions in the limits, as entered.")
    return Coverage(open=tuple(doubts), cautions=tuple(cautions))


def _width_doubt(calliper_mm: float, width_mm: float, u_width_mm: float) -> list[str]:
    allowed = math.hypot(2 * u_width_mm, U_CALLIPER_MM)
    if abs(width_mm - calliper_mm) <= allowed:
        return []
    photo = quantity(Interval.around(width_mm, 2 * u_width_mm), "mm")
    return [
        f"The photo gives a width of {photo}, the calliper {calliper_mm:g} mm: they differ by more than the {allowed:.2g} mm "
        "that their uncertainties allow. Check the scale, its height, and that the calliper width is that of the bent "
        "specimen across its crown."
    ]
