"""Whether everything was looked at and can be believed: examined area, every feature under a rule, checks of the scale."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.judge import values
from specimeter.judge.expression import holds
from specimeter.judge.interval import Interval
from specimeter.judge.limits import FEATURE_TESTS, Limits, Rule
from specimeter.judge.membership import named
from specimeter.judge.wording import kind_words, listed, quantity
from specimeter.measure.feature import Feature
from specimeter.scale.height import lies_beside
from specimeter.scale.model import Scale
from specimeter.scale.surface import Surface
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import BEND_TESTS, MACRO_TESTS, Sheet

U_CALLIPER_MM = 0.1  # k = 2; judgement: a workshop calliper across ground edges, burrs included
STEEPEST_DEG = 60.0  # steeper surface is not examined
HAZ_MM = 3.0  # heat-affected zone beside the weld, each side; judgement
EDGE_SEEN = 0.95  # of the needed part of an edge: the ends are where the outline turns
HAND = 0.02  # how near to an edge an outline drawn by hand must come, as a share of the width
LEAST_CONFIDENCE = 0.5
LOWEST_MM, HIGHEST_MM = -50.0, 250.0  # of a surface over its marker; judgement: no block is so high, no bent leg so long
NEAREST = 0.5  # of the lens's distance: beyond it a lens cannot show both marker and surface sharp
FRACTURE = 0.5  # of width times thickness: less than half of a nick-break's face is notches (judgement)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """What was not looked at (`unseen`), what no rule or person answers for (`open`), and what is only to be told."""

    unseen: tuple[str, ...] = ()
    open: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def said_of(self, what: str) -> Coverage:
        """The same with `what` before each sentence."""
        return Coverage(**{name: tuple(what + one for one in getattr(self, name)) for name in ("unseen", "open", "cautions")})


def of_limits(sheet: Sheet, limits: Limits) -> Coverage:
    """Whether the limits are for this test and for this specimen, where they say so; a section's have its sizes."""
    doubts, tests, applies = [], limits.limits.tests, limits.limits.applies
    if not tests and sheet.specimen.test in MACRO_TESTS and not any(map(_of_sections, limits.rule)):
        doubts.append(
            f"No rule is about a size that a {sheet.specimen.test} shows, and the limits name no test: are they meant for it? "
            "Then say so in limits.tests."
        )
    if tests and sheet.specimen.test not in tests:
        doubts.append(f"The limits are for {listed(tests)}, and this is a {sheet.specimen.test}.")
    if applies is not None and limits.applies_expression is not None:
        truth = holds(limits.applies_expression, values.of_sheet(sheet, "mm"), guarded=True)
        if truth is not True:
            why = "which the sheet does not settle" if truth is None else "which is not so here"
            doubts.append(f"The limits are for {applies}, {why}.")
    return Coverage(unseen=tuple(doubts))


def _of_sections(rule: Rule) -> bool:
    """Whether a rule is about what only a section shows: its sizes, or the depth of an undercut."""
    return rule.test == "section" or (rule.size_expression is not None and "depth_mm" in rule.size_expression.names)


def of_scale(sheet: Sheet, scale: Scale | None) -> Coverage:
    """Whether the scale contradicts itself, or the sheet asks for a surface where no specimen can lie."""
    if scale is None:
        return Coverage()
    doubts = [_sentence(doubt) for doubt in scale.evidence.get("doubts", ())]
    height = sheet.scale.surface_height_mm
    if height is None:
        if lies_beside(sheet) and "height_from" not in scale.evidence:
            doubts.append(
                "How high the face stands over the card or rule was not entered: sizes may be off by a tenth or more."
            )
        return Coverage(open=tuple(doubts))
    way = f"{abs(height):g} mm {'nearer to' if height > 0 else 'farther from'} the lens than the marker"
    if not LOWEST_MM <= height <= HIGHEST_MM:
        doubts.append(
            f"The surface is said to lie {way}, and from {-LOWEST_MM:g} mm below it to {HIGHEST_MM:g} mm above it is what a "
            "specimen beside a marker allows: check scale.surface_height_mm."
        )
    elif abs(height) > NEAREST * scale.view.distance_mm:
        doubts.append(
            f"The surface is said to lie {way}, which is {scale.view.distance_mm:.0f} mm from the lens: no photo shows both "
            "sharp. Check scale.surface_height_mm."
        )
    return Coverage(open=tuple(doubts))


def of_surface(surface: Surface | None) -> Coverage:
    """Whether the picture's own edges speak against the crown line that a person marked: either may be wrong, and a length
    measured on the wrong slope may come out too short."""
    if surface is None or "marked_beside_mm" not in surface.evidence:
        return Coverage()
    return Coverage(
        open=(
            "The crown line marked in [bend] axis and the specimen's own edges disagree: where the crown lies, and with it how "
            "long what lies beside it is, is in doubt.",
        )
    )


def of_area(sheet: Sheet, area: ExaminedArea | None, *, area_mm2: float | None = None) -> Coverage:
    """Whether the examined area is the weld and heat-affected zone over the full width, and agrees with the calliper.

    Of a nick-break the face is the specimen's width times its thickness, less the notches: `area_mm2` must be half of it.

    The calliper's width is the free check of the scale: a disagreement beyond the combined expanded uncertainty is a
    caution and leaves the judgement open. Without a calliper width there is no such check, which leaves it open too, since
    leaving the width out must not help.
    """
    if area is None or len(area.outline_px) < 3:
        return Coverage(unseen=("No examined area was found.",))
    unseen, doubts, cautions = [], [], []
    if area.confidence < LEAST_CONFIDENCE:
        doubts.append("The examined area was found with low confidence: check its outline, or give it in the table [region].")
    if sheet.specimen.test not in BEND_TESTS:
        unseen += _fracture_left_out(sheet, area_mm2)
        calliper, width, u_width = sheet.specimen.specimen_width_mm, area.width_mm, area.u_width_mm
        if calliper is not None and width is not None and u_width is not None:
            cautions = _width_doubt(calliper, width, u_width, bent=False)
        return Coverage(unseen=tuple(unseen), open=(*doubts, *cautions), cautions=tuple(cautions))
    if len(area.exclude_px):
        left = len(area.exclude_px)
        unseen.append(
            "One part of the face was left out of the examination."
            if left == 1
            else f"{left} parts of the face were left out of the examination."
        )
    weld, thickness = sheet.specimen.weld_width_mm, sheet.specimen.specimen_thickness_mm
    assert sheet.bend is not None  # the sheet of a bend test gives both
    assert thickness is not None
    arc_mm = 2 * math.radians(STEEPEST_DEG) * (sheet.bend.former_diameter_mm / 2 + thickness)
    needed = 1.0 if weld is None or sheet.specimen.test == "longitudinal-bend" else (weld + 2 * HAZ_MM) / arc_mm
    if needed > 1:
        unseen.append(
            f"The weld, {weld:g} mm wide, and its heat-affected zone are wider than the {arc_mm:.3g} mm of the bend that one "
            "photo can show."
        )
    if not spans(area, min(needed, 1.0)):
        unseen.append(
            "The examined area does not reach from edge to edge of the specimen over the weld and its heat-affected zone: the "
            "full width was not seen."
        )
    calliper = sheet.specimen.specimen_width_mm
    if calliper is None:
        doubts.append("The sheet gives no calliper width (specimen.specimen_width_mm), so nothing checks the scale.")
    elif area.width_mm is None or area.u_width_mm is None:
        doubts.append("The specimen's width was not measured in the photo, so the calliper width does not check the scale.")
    else:
        doubt = _width_doubt(calliper, area.width_mm, area.u_width_mm, bent=True)
        doubts += doubt
        cautions += doubt
    return Coverage(unseen=tuple(unseen), open=tuple(doubts), cautions=tuple(cautions))


def spans(area: ExaminedArea, share: float) -> bool:
    """Whether the outline reaches both edges of the specimen along the middle `share` of each.

    A point of an edge counts as reached if it lies within the outline, or outside it by less than `HAND` of the distance
    between the edges: so near does a hand draw.
    """
    edges = [np.asarray(edge, float).reshape(-1, 2) for edge in area.edges_px if len(edge)]
    if len(edges) < 2:
        return False
    apart_px = float(np.linalg.norm(edges[0].mean(axis=0) - edges[1].mean(axis=0)))
    outline = np.asarray(area.outline_px, np.float32).reshape(-1, 1, 2)
    for edge in edges:
        along = np.linspace(0.5 - share / 2 * EDGE_SEEN, 0.5 + share / 2 * EDGE_SEEN, 33)
        lies = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(edge, axis=0), axis=1))])
        if lies[-1] == 0:
            return False
        places = np.column_stack([np.interp(along * lies[-1], lies, edge[:, axis]) for axis in (0, 1)])
        if any(cv2.pointPolygonTest(outline, (float(x), float(y)), True) < -HAND * apart_px for x, y in places):
            return False
    return True


def of_features(limits: Limits, features: Sequence[Feature], counted: Collection[str], *, reviewed: bool) -> Coverage:
    """Whether each feature is under a rule, or set aside with a reason in a review by a named person.

    A feature is under a rule if the rule's kinds name it and its conditions let it in. One that the conditions leave out (at a
    corner, too small to count) is left out on nobody's word: a named person sets it aside, by rejecting it or, where it is
    real, by confirming it, each with a reason. `counted`: the ids of those that some rule takes in.
    """
    looking = [rule for rule in limits.rule if rule.test in FEATURE_TESTS]
    doubts, cautions = [], []
    present = [feature for feature in features if feature.status != "rejected"]
    known = {feature.id for feature in present if any(named(rule, feature) for rule in looking)}
    free = [feature for feature in present if feature.id not in counted]
    for feature in free:
        if _set_aside(feature, reviewed):
            cautions.append(f"No rule counts {feature.id}; a named person set that aside: {feature.reason}")
    free = [feature for feature in free if not _set_aside(feature, reviewed)]
    for kind in sorted({feature.kind for feature in free if feature.id not in known}):
        ids = [feature.id for feature in free if feature.kind == kind and feature.id not in known]
        doubts.append(f"No rule looks at {listed(ids)} ({kind_words(kind)}).")
    left_out = [feature.id for feature in free if feature.id in known]
    if left_out:
        doubts.append(
            f"{listed(left_out)} left out of every rule by the conditions in the limits: a named person sets that aside, with "
            "a reason, or a rule is entered for it."
        )
    unexplained = [f.id for f in features if f.status == "rejected" and not _set_aside(f, reviewed)]
    if unexplained:
        doubts.append(f"{listed(unexplained)} set aside without a reason and a completed review by a named person.")
    return Coverage(open=tuple(doubts), cautions=tuple(map(_sentence, cautions)))


def _set_aside(feature: Feature, reviewed: bool) -> bool:
    """Whether a named person, in a completed review, gave a reason why no rule need look at it."""
    return reviewed and bool(feature.reason and feature.reason.strip()) and feature.status in ("rejected", "confirmed", "added")


def _fracture_left_out(sheet: Sheet, area_mm2: float | None) -> list[str]:
    width, thickness = sheet.specimen.specimen_width_mm, sheet.specimen.specimen_thickness_mm
    if sheet.specimen.test != "nick-break":
        return []
    if width is None or thickness is None or area_mm2 is None:
        lacking = "specimen.specimen_width_mm and specimen_thickness_mm" if area_mm2 is not None else "the area examined"
        return [f"Whether the whole face was examined is not known without {lacking}."]
    if area_mm2 < FRACTURE * width * thickness:
        return [
            f"The examined area is {area_mm2:.3g} of the {width * thickness:.3g} mm2 of the specimen's section: more than any "
            "notches account for was left out."
        ]
    return []


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?", "!")) else f"{text}."


def _width_doubt(calliper_mm: float, width_mm: float, u_width_mm: float, *, bent: bool) -> list[str]:
    allowed = math.hypot(2 * u_width_mm, U_CALLIPER_MM)
    if abs(width_mm - calliper_mm) <= allowed:
        return []
    photo = quantity(Interval.around(width_mm, 2 * u_width_mm), "mm")
    if bent:
        return [
            f"The photo gives a width of {photo}, the calliper {calliper_mm:g} mm: they differ by more than the {allowed:.2g} "
            "mm that their uncertainties allow. Check the scale, its height, and that the calliper width is that of the bent "
            "specimen across its crown."
        ]
    return [
        f"The photo gives a width of {photo}, the calliper {calliper_mm:g} mm: they differ by more than the {allowed:.2g} mm "
        "that their uncertainties allow. Check the scale, its height, and that the calliper width is that of the whole bar "
        "with its machined ends."
    ]
