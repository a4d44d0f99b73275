"""The judgement over all: verdicts combined in three-valued logic, and everything that keeps it from `within`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from specimeter.judge import coverage, foresight, rules, validity
from specimeter.judge.expression import Expression, holds
from specimeter.judge.face import Face, Links, counted_once, imperfections, on_face
from specimeter.judge.interval import Interval
from specimeter.judge.limits import Limits
from specimeter.judge.membership import named
from specimeter.judge.model import Judgement, Verdict
from specimeter.judge.verdicts import Evidence
from specimeter.judge.wording import listed, with_unit
from specimeter.measure.along import along_weld
from specimeter.measure.feature import Feature
from specimeter.scale.model import Scale
from specimeter.scale.surface import Surface
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import Sheet

RANK = ("exceeds", "replace", "not-measured", "undecided", "within")  # an earlier one prevails
UNLINKED = (
    "Features of different photographs are counted one by one: where two show one imperfection, link them "
    "(specimeter review RECORD --same ID OTHER)."
)
TRUTH = {"within": True, "exceeds": False}  # of a verdict in `accept`; the others are not known


def decide(
    sheet: Sheet,
    limits: Limits | None,
    features: Sequence[Feature],
    *,
    area: ExaminedArea | None,
    smallest_resolvable_mm: float | None,
    scale: Scale | None,
    reviewed: bool = False,
    area_mm2: float | None = None,
    U_area_mm2: float | None = None,
    section: Mapping[str, float] | None = None,
    hidden: Sequence[str] = (),
    surface: Surface | None = None,
    photo: str = "p1",
    others: Sequence[Face] = (),
    links: Links | None = None,
) -> Judgement:
    """Compare what was measured with the limits that the user entered.

    Parameters
    ----------
    limits : Limits or None
        None gives the outcome ``no-limits`` (or ``void``).
    features : sequence of Feature
        Those with status ``rejected`` are never counted; unless `reviewed`, they keep the outcome from ``within``.
    area : ExaminedArea or None
        Where features were looked for; None, or one that does not span the specimen, keeps the outcome from ``within``.
    smallest_resolvable_mm : float or None
        The smallest opening that the photo can show; a rule that counts smaller ones cannot be ``within``.
    scale : Scale or None
        None: nothing was measured, whatever the features say.
    reviewed : bool
        A named person has been through every feature.
    area_mm2, U_area_mm2 : float, optional
        Of the examined area, for shares.
    section : mapping, optional
        A macro section's sizes, ``throat_mm`` beside ``U_throat_mm``.
    hidden : sequence of str, optional
        Sentences, each of an imperfection that may be there and was not measured: until a named person has looked, they keep
        the outcome from ``within``.
    surface : Surface, optional
        That the features lie on: for places along the weld, and for clear distances among those that a rule counts.
    photo : str
        The photograph that area, resolution, scale and surface are of.
    others : sequence of Face
        The same of every further photograph of the specimen. Each must have been looked at as the first must; shares, spacing
        and windows are each photograph's own, and sizes, sums and numbers are over all, each imperfection once.
    links : mapping, optional
        From a feature's id to that of another picture of the same imperfection.

    Returns
    -------
    Judgement
        The outcome is the first that applies of void, exceeds, replace, not-measured, undecided, within; with `accept` in the
        limits, that expression decides between them in three-valued logic. It says that the limits entered are kept, never
        that a weld is safe: the authorised inspector and the governing code decide.

    References
    ----------
    .. [1] JCGM 106:2012 (ISO/IEC Guide 98-4), clauses 7 and 8.
    """
    tested = validity.check(sheet)
    cautions = [*tested.cautions]
    verdicts: tuple[Verdict, ...] = ()
    gaps: list[tuple[str, str]] = [("not-measured", gap) for gap in tested.gaps]
    gaps += [("undecided", doubt) for doubt in tested.open]
    faces = (
        Face(
            photo=photo,
            sheet=sheet.for_photo(1),
            area=area,
            smallest_resolvable_mm=smallest_resolvable_mm,
            scale=scale,
            surface=surface,
            area_mm2=area_mm2,
            U_area_mm2=U_area_mm2,
        ),
        *others,
    )
    evidence = _evidence(sheet, limits, features, faces, section, links or {})
    features = evidence.features
    if limits is not None:
        counted = {rule.id: rules.members_of(rule, evidence) for rule in limits.rule}
        verdicts = tuple(rules.judge(rule, evidence, counted[rule.id]) for rule in limits.rule)
        under_a_rule = {member.id for rule in limits.rule for member in counted[rule.id] if named(rule, member.feature)}
        for covered in (
            coverage.of_limits(sheet, limits),
            *(coverage.of_scale(face.sheet, face.scale).said_of(_name(face, others)) for face in faces),
            *(coverage.of_surface(face.surface).said_of(_name(face, others)) for face in faces),
            *(coverage.of_area(sheet, face.area, area_mm2=face.area_mm2).said_of(_name(face, others)) for face in faces),
            coverage.of_features(limits, features, under_a_rule, reviewed=reviewed),
        ):
            gaps += [("not-measured", sentence) for sentence in covered.unseen]
            gaps += [("undecided", sentence) for sentence in covered.open]
            cautions += covered.cautions
        gaps += [] if reviewed else [("undecided", sentence) for sentence in hidden]
        cautions += [
            f"The condition `counted` of the rule {rule.id} has no effect: each feature is compared."
            for rule in limits.rule
            if rule.test == "each" and rule.counted is not None
        ]
        cautions += [] if limits.guarded else _unweighed(verdicts)
    if not reviewed and features:
        cautions.append("Not reviewed: no named person has been through the features yet.")
        if others and _unlinked(features, links or {}):
            cautions.append(UNLINKED)
    cautions += foresight.cautions(sheet, features)
    outcome, because = _outcome(limits, verdicts, gaps, tested.void)
    if outcome == "void" and any(verdict.outcome == "exceeds" for verdict in verdicts):
        cautions.append("A limit was exceeded in this test all the same: tell the inspector before another specimen is tested.")
    return Judgement(verdicts=verdicts, outcome=outcome, because=tuple(because), cautions=tuple(dict.fromkeys(cautions)))


def _unlinked(features: Sequence[Feature], links: Links) -> bool:
    """Whether features that are linked to nothing lie on more than one photograph."""
    linked = {*links, *links.values()}
    return len({one.photo for one in features if one.id not in linked and one.status != "rejected"}) > 1


def _unweighed(verdicts: Sequence[Verdict]) -> list[str]:
    """Verdicts of a simple decision whose uncertainty is large against the limit."""
    return [
        f"{verdict.name}: the uncertainty, {with_unit(f'{verdict.U:.2g}', verdict.unit)}, is more than a third of the limit, "
        "and a simple decision does not weigh it."
        for verdict in verdicts
        if verdict.U and verdict.limit and abs(verdict.limit) < 3 * verdict.U
    ]


def _name(face: Face, others: Sequence[Face]) -> str:
    return f"Photograph {face.photo}: " if others else ""


def _evidence(
    sheet: Sheet,
    limits: Limits | None,
    features: Sequence[Feature],
    faces: Sequence[Face],
    section: Mapping[str, float] | None,
    links: Links,
) -> Evidence:
    """What the rules look at: the only photograph's, or of several what holds over all, with each one's own in `faces`."""
    own, alone = [], len(faces) == 1
    for face in faces:
        shown = [feature for feature in features if alone or feature.photo == face.photo]
        placed, spans_mm, weld = _along_weld(limits, shown, face)
        measured = None if face.area_mm2 is None or face.U_area_mm2 is None else (face.area_mm2, face.U_area_mm2)
        evidence = Evidence(
            sheet=sheet,
            features=placed,
            guarded=limits is None or limits.guarded,
            smallest_resolvable_mm=None if face.scale is None else face.smallest_resolvable_mm,
            area=None if measured is None else Interval.around(*measured),
            section=section,
            unseen=() if face.area is None else face.area.unseen,
            scale=face.scale,
            surface=face.surface,
            spans_mm=spans_mm,
            weld=weld,
            photo=face.photo,
        )
        own.append(evidence)
    every = [feature for evidence in own for feature in evidence.features]
    if alone:
        return replace(own[0], features=counted_once(every, links))
    resolved = [None if face.scale is None else face.smallest_resolvable_mm for face in faces]
    known = [size for size in resolved if size is not None]
    return Evidence(
        sheet=sheet,
        features=counted_once(every, links),
        guarded=own[0].guarded,
        smallest_resolvable_mm=None if len(known) < len(resolved) else max(known),
        section=section,
        unseen=tuple(part for evidence in own for part in evidence.unseen),
        faces=tuple(replace(evidence, features=on_face(every, links, evidence.photo)) for evidence in own),
        imperfections=imperfections(every, links),
    )


def _along_weld(
    limits: Limits | None, features: Sequence[Feature], face: Face
) -> tuple[Sequence[Feature], Mapping[str, tuple[float, float]], Interval | None]:
    """The features with their extents along the weld, where each lies, and the weld examined; only where a rule asks for it."""
    asked = limits is not None and any(rule.asks_along_weld for rule in limits.rule)
    if not asked or face.area is None or face.scale is None or face.surface is None:
        return features, {}, None
    photo = features[0].photo if features else ""
    along = along_weld(features, sheet=face.sheet, surface=face.surface, scale=face.scale, area=face.area, photo=photo)
    if along is None:
        return features, {}, None
    if along.weld_mm is None or along.U_weld_mm is None:
        return along.features, along.spans_mm, None
    weld = Interval.around(along.weld_mm, along.U_weld_mm)
    return along.features, along.spans_mm, weld


def _outcome(
    limits: Limits | None, verdicts: Sequence[Verdict], gaps: Sequence[tuple[str, str]], void: Sequence[str]
) -> tuple[str, list[str]]:
    """The outcome and the sentences that led to it."""
    if void:
        return "void", list(void)
    if limits is None:
        return "no-limits", ["No limits were entered, so nothing was compared."]
    outcome = _combined(limits, verdicts)
    if outcome in ("exceeds", "replace"):
        return outcome, [_told(verdict) for verdict in verdicts if verdict.outcome == outcome] or _all(limits, verdicts)
    doubts = [_told(verdict) for verdict in verdicts if verdict.outcome in ("not-measured", "undecided")]
    outcome = min([outcome, *(gap for gap, _ in gaps)], key=RANK.index)
    if outcome == "within":
        return outcome, _all(limits, verdicts)
    return outcome, [*doubts, *(sentence for _, sentence in gaps)]


def _combined(limits: Limits, verdicts: Sequence[Verdict]) -> str:
    """The outcome of the rules alone: the worst of them, or what `accept` makes of those that it names and the worst besides.

    A rule that `accept` does not name must be kept besides, so that no finding is lost by not naming its rule. Within
    `accept` a rule need be evaluated only as far as three-valued logic asks for it: ``flat or (fused and total)`` holds where
    ``flat`` does, for a specimen that bent flat on itself has no fracture to evaluate the others on.
    """
    outcomes = {verdict.rule: verdict.outcome for verdict in verdicts}
    besides = [outcomes[id_] for id_ in limits.beside_accept]
    accept = limits.accept_expression
    return min(besides if accept is None else [*besides, _accepted(accept, outcomes)], key=RANK.index)


def _accepted(accept: Expression, outcomes: Mapping[str, str]) -> str:
    def holds_with(**truths: bool | None) -> bool | None:
        return holds(accept, {id_: (TRUTH | truths).get(outcomes[id_]) for id_ in accept.names}, guarded=True)

    plain = holds_with(replace=False)
    if plain is True:
        return "within"
    if plain is False:
        return "exceeds" if holds_with(replace=True) is False else "replace"
    # Not known: is it still open if every size that is only too close to its limit were settled either way?
    closed = {holds_with(replace=False, undecided=True), holds_with(replace=False, undecided=False)}
    return "not-measured" if None in closed else "undecided"


def _told(verdict: Verdict) -> str:
    return f"{verdict.name}: {verdict.because}"


def _all(limits: Limits, verdicts: Sequence[Verdict]) -> list[str]:
    told = [_told(verdict) for verdict in verdicts]
    if limits.limits.accept is None:
        return told
    besides = f", and besides {listed(limits.beside_accept)}" if limits.beside_accept else ""
    return [f"Accepted is: {limits.limits.accept}{besides}.", *told]
