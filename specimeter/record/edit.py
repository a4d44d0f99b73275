"""What a named person does to a record: each act is a pure function that gives the record as it is after it.

Every function takes the record first, then what is done, then `by` (the person's name) and `when` (a moment with its zone), and
gives a new record: changed, recomputed (`specimeter.record.recompute`) and with its log entries chained on. Nothing is written.

- `confirm(record, ids)`, `reject(record, ids, why=)`, `reopen(record, ids, why=)`: what becomes of features
- `add(record, outline_px, kind=)`: a feature that the program did not find
- `teach(record, outlines, kind=, this_px=, not_px=)`: features that strokes over examples found, and the strokes
- `outline(record, id, outline_px)`: another outline for a feature; `redraw(record, ids, outlines_px, why=)`: several parts
  become one, or one becomes several: the old ones are rejected, the new ones added
- `classify(record, id, kind=, cause=, cause_basis=)`: what is seen, and what it came of, with the basis for that
- `corner(record, id, at_corner)`: whether it begins at a corner, by eye; None takes the word back
- `same(record, id, other)`: the same imperfection seen twice, counted once; None undoes the link
- `observe(record, name, value)`, `enter(record, field, value)`: the sheet's observations and its other entries
- `specimeter.record.weld_metal.weld_metal(record, picture, points_px)`: where a section's weld metal is, and
  `heat_zone`, beside it, where its heat-affected zone ends; None takes either back
- `looked_over(record)`: the person says that the whole face was looked over, which with every feature gone through completes
  the review

A record that was issued is frozen: `specimeter.record.issue.amend` begins a new revision of it first.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

import numpy as np

from specimeter.errors import OutlineError, RecordError, SheetError
from specimeter.record import build, model, recompute
from specimeter.record.model import Record
from specimeter.segment.model import Outline
from specimeter.sheet import KINDS, Sheet
from specimeter.sheet_fields import outline_fault
from specimeter.toml_file import nearest, validated

CAUSE_BASES = ("seen-in-opening", "broken-open", "position", "procedure", "guess")
HAND_U_EDGE_PX, HAND_U_TIP_PX = 1.0, 2.0  # of an outline drawn by hand on an enlarged picture; judgement
MOST_WORDS = 500
FIXED_TABLES = (
    "scale",
    "region",
    "photo",
    "bend",
    "other_photo",
)  # what the surface was placed by: another photograph's work, not a review's

AGAINST = ("exceeds", "replace", "void")  # outcomes that no act lifts without a reason

Points = Sequence[Sequence[float]] | np.ndarray


def confirm(record: Record, ids: Sequence[str], *, by: str, when: datetime, why: str | None = None) -> Record:
    """The features are what they are said to be; one that was added stays `added`, which says as much.

    A reason is kept with the feature: it sets aside a real one that no rule of the limits counts (a tear at a corner, say).
    """
    why = None if why is None else line(why, "why", "the reason, such as: a tear from the corner, no cause seen in it")
    changes = {id: {"status": _feature(record, id).status, "reason": why} for id in ids}
    changes = {id: one if one["status"] == "added" else one | {"status": "confirmed"} for id, one in changes.items()}
    return _changed(record, changes, by=by, when=when, what="confirmed", why=why)


def reject(record: Record, ids: Sequence[str], *, by: str, when: datetime, why: str) -> Record:
    """The features are no imperfections: kept, drawn struck out, never counted."""
    why = line(why, "why", "the reason, such as: a scratch from the fixture, bright at its bottom")
    changes = {id: {"status": "rejected", "reason": why, "same_as": None} for id in ids}
    for feature in record.features:  # a link to what is not counted would lose the other half
        if feature.same_as in changes and feature.id not in changes:
            changes[feature.id] = {"same_as": None}
    return _changed(record, changes, by=by, when=when, what="rejected", why=why)


def reopen(record: Record, ids: Sequence[str], *, by: str, when: datetime, why: str) -> Record:
    """The features are to be looked at again: `proposed`, as the program left them, or `added` by whoever drew them."""
    why = line(why, "why", "why it is to be looked at again")
    changes = {}
    for id in ids:
        _feature(record, id)
        drawn = any(entry.field == f"features.{id}" for entry in record.log)  # the entry of `add`
        changes[id] = {"status": "added" if drawn else "proposed", "reason": None}
    return _changed(record, changes, by=by, when=when, what="reopened", why=why)


def add(
    record: Record,
    outline_px: Points,
    *,
    kind: str,
    by: str,
    when: datetime,
    photo: str = "p1",
    u_edge_px: float = HAND_U_EDGE_PX,
    u_tip_px: float = HAND_U_TIP_PX,
    why: str | None = None,
) -> Record:
    """A feature that a person drew, shape (N, 2) in pixels [x, y]; it gets the next free id.

    Raises
    ------
    OutlineError
        If the outline is none, crosses itself or leaves the photograph.
    RecordError
        If there is no such photograph or kind, or the record is issued.
    """
    new = _drawn(record, outline_px, kind=kind, photo=photo, u_edge_px=u_edge_px, u_tip_px=u_tip_px)
    entry = {"what": "added", "field": f"features.{new.id}", "new": _log_points(new.outline_px)}
    return entered(record, {"features": (*record.features, new)}, [entry], by=by, when=when, why=why)


def teach(
    record: Record,
    outlines: Sequence[Outline],
    *,
    kind: str,
    this_px: Sequence[Points],
    not_px: Sequence[Points],
    by: str,
    when: datetime,
    photo: str = "p1",
    why: str | None = None,
) -> Record:
    """Features that `specimeter.segment.taught` found by a person's strokes; the strokes [x, y] are kept in the log.

    With the photograph they give the same outlines again. Raises as `add` does, and RecordError without outlines or strokes.
    """
    if not len(outlines) or not len(this_px) or not len(not_px):
        raise RecordError("nothing was taught", expected='outlines, and strokes over "this" and over "not this"')
    features = list(record.features)
    for one in outlines:
        drawn = _drawn(
            record.model_copy(update={"features": tuple(features)}),
            one.outline_px,
            kind=kind,
            photo=photo,
            u_edge_px=one.u_edge_px,
            u_tip_px=one.u_tip_px,
        )
        features.append(drawn.model_copy(update={"found_by": "taught", "confidence": float(one.confidence)}))
    new = features[len(record.features) :]
    strokes = {"this": [_log_points(stroke) for stroke in this_px], "not": [_log_points(stroke) for stroke in not_px]}
    entries: list[dict[str, Any]] = [{"what": "taught", "field": f"photos.{photo}", "new": strokes}]
    entries += [{"what": "added", "field": f"features.{one.id}", "new": _log_points(one.outline_px)} for one in new]
    return entered(record, {"features": tuple(features)}, entries, by=by, when=when, why=why)


def outline(
    record: Record,
    id: str,
    outline_px: Points,
    *,
    by: str,
    when: datetime,
    u_edge_px: float = HAND_U_EDGE_PX,
    u_tip_px: float = HAND_U_TIP_PX,
    why: str | None = None,
) -> Record:
    """Another outline for a feature; who draws it has looked at it, so it is confirmed. Raises as `add` does."""
    old = _feature(record, id)
    points = polygon(record, outline_px, old.photo, f"features.{id}.outline_px")
    status = "added" if old.status == "added" else "confirmed"
    drawn = {"outline_px": points, "u_edge_px": float(u_edge_px), "u_tip_px": float(u_tip_px), "found_by": "hand"}
    return _changed(record, {id: {**drawn, "status": status, "reason": None}}, by=by, when=when, what="outlined", why=why)


def redraw(
    record: Record,
    ids: Sequence[str],
    outlines_px: Sequence[Points],
    *,
    by: str,
    when: datetime,
    why: str,
    u_edge_px: float = HAND_U_EDGE_PX,
    u_tip_px: float = HAND_U_TIP_PX,
) -> Record:
    """Several features become one, or one becomes several, by outlines that a person drew; the old ones are rejected.

    The new ones take kind, cause and photograph from the first of the old ones.
    """
    why = line(why, "why", "why it was redrawn, such as: one crack, seen in two parts")
    if not ids or not len(outlines_px):
        raise RecordError("there is nothing to redraw", expected="at least one feature and one outline")
    first, features, new = _feature(record, ids[0]), list(record.features), []
    for points in outlines_px:
        drawn = _drawn(
            record.model_copy(update={"features": tuple(features)}),
            points,
            kind=first.kind,
            photo=first.photo,
            u_edge_px=u_edge_px,
            u_tip_px=u_tip_px,
        )
        drawn = drawn.model_copy(update={"cause": first.cause, "cause_basis": first.cause_basis})
        features.append(drawn)
        new.append(drawn)
    entries = [{"what": "added", "field": f"features.{one.id}", "new": _log_points(one.outline_px)} for one in new]
    record = entered(record, {"features": tuple(features)}, entries, by=by, when=when, why=why)
    return reject(record, ids, by=by, when=when, why=f"redrawn as {' and '.join(one.id for one in new)}: {why}")


def classify(
    record: Record,
    id: str,
    *,
    by: str,
    when: datetime,
    kind: str | None = None,
    cause: str | None = None,
    cause_basis: str | None = None,
    why: str | None = None,
) -> Record:
    """What is seen, and what it came of; a cause needs its basis, and ``""`` takes it back.

    Naming a cause never takes a feature out of a rule.
    """
    _feature(record, id)
    change: dict[str, Any] = {}
    if kind is not None:
        change |= {"kind": _one_of(kind, KINDS, "kind"), "may_be": None}
    if cause == "":
        change |= {"cause": None, "cause_basis": None}
    elif cause is not None:
        change["cause"] = _one_of(cause, KINDS, "cause")
        if cause_basis is None:
            raise RecordError("the cause has no basis", field="cause_basis", expected=", ".join(CAUSE_BASES))
    if cause_basis is not None and cause != "":
        if cause is None and _feature(record, id).cause is None:
            raise RecordError("there is no cause that this could be the basis of", field="cause_basis", expected="a cause")
        change["cause_basis"] = _one_of(cause_basis, CAUSE_BASES, "cause_basis")
    return _changed(record, {id: change}, by=by, when=when, what="classified", why=why)


def corner(record: Record, id: str, at_corner: bool | None, *, by: str, when: datetime, why: str | None = None) -> Record:
    """Whether the feature begins at a corner of the specimen, as seen by eye; None takes the word back."""
    return _changed(record, {id: {"corner_by_eye": at_corner}}, by=by, when=when, what="corner by eye", why=why)


def same(record: Record, id: str, other: str | None, *, by: str, when: datetime, why: str | None = None) -> Record:
    """`id` is the imperfection `other`, seen on the other half or another photograph: counted once, at its larger size."""
    if other is not None:
        one, two = _feature(record, id), _feature(record, other)
        problem = None
        if one.id == two.id:
            problem = f"{id} would be linked to itself"
        elif "rejected" in (one.status, two.status):
            problem = f"{one.id if one.status == 'rejected' else two.id} was rejected, and is not counted anyway"
        elif one.kind != two.kind:
            problem = f"{one.id} is {one.kind} and {two.id} is {two.kind}: set their kinds alike first"
        elif one.id in _linked(record, two.id):
            problem = f"{one.id} and {two.id} are linked already"
        if problem:
            raise RecordError(problem, field=f"features.{id}.same_as", expected="two features of one imperfection")
        while (further := _feature(record, id).same_as) is not None:  # what it is linked to already is the same as well
            id = further
    return _changed(record, {id: {"same_as": other}}, by=by, when=when, what="linked", why=why)


def observe(
    record: Record, name: str, value: bool | str | float | None, *, by: str, when: datetime, why: str | None = None
) -> Record:
    """What a person saw and no picture measures: true, false or ``"undetermined"``; None takes it out."""
    return enter(record, f"observations.{name}", value, by=by, when=when, why=why)


def enter(record: Record, field: str, value: Any, *, by: str, when: datetime, why: str | None = None) -> Record:
    """An entry of the sheet, ``order.client``, set or (None) taken out; what places the surface needs measuring again instead.

    Raises
    ------
    SheetError
        If the sheet would not be one.
    """
    table, _, key = field.partition(".")
    if not key or "." in key or table in FIXED_TABLES or field in ("specimen.id", "specimen.test"):
        raise RecordError(
            f"the sheet's entry {field!r} cannot be changed in a review",
            field=field,
            expected="an entry such as observations.complete-root-fusion, order.client or people.measured_by; what places the "
            "surface, and the specimen's id and test, are not reviewed but measured again",
            mend="correct the sheet and measure the photograph again",
        )
    old = (record.sheet.get(table) or {}).get(key)
    entries = {**(record.sheet.get(table) or {}), key: value.isoformat() if isinstance(value, date) else value}
    sheet = {**record.sheet, table: {name: entry for name, entry in entries.items() if entry is not None}}
    checked = validated(Sheet, sheet, file=None, error=SheetError)
    sheet = build.plain(checked.model_dump(mode="json", exclude_none=True))
    entry = {"what": "entered", "field": f"sheet.{field}", "old": old, "new": (sheet.get(table) or {}).get(key)}
    return entered(record, {"sheet": sheet}, [entry], by=by, when=when, why=why)


def looked_over(record: Record, *, by: str, when: datetime, why: str | None = None) -> Record:
    """The person says that the whole examined face was looked over, for what the program may have missed."""
    review = record.review.model_copy(update={"by": person(by), "when": build.utc(when)})
    entry = {"what": "looked the whole face over", "field": "review", "old": record.review.by, "new": by.strip()}
    return entered(record, {"review": review}, [entry], by=by, when=when, why=why)


def left_to_do(record: Record) -> list[str]:
    """What keeps the review from being complete, in sentences."""
    open_ = [feature.id for feature in record.features if feature.status == "proposed"]
    told = [f"{', '.join(open_)}: neither confirmed nor rejected"] if open_ else []
    return told if record.review.by is not None else [*told, "nobody has said that the whole face was looked over"]


def _changed(
    record: Record, changes: Mapping[str, Mapping[str, Any]], *, by: str, when: datetime, what: str, why: str | None
) -> Record:
    """Fields of features set; an entry for each that is not what it was, and one that says so if none is."""
    entries, features = [], {feature.id: feature for feature in record.features}
    for id, change in changes.items():
        old = _feature(record, id)
        features[id] = old.model_copy(update=dict(change))
        for name, new in change.items():
            before = getattr(old, name)
            if before != new and name not in ("reason", "may_be"):  # the entry's `why`, and what the kind's entry settles
                pair = (before, new) if name != "outline_px" else (_log_points(before), _log_points(new))
                entries.append({"what": what, "field": f"features.{id}.{name}", "old": pair[0], "new": pair[1]})
    if not entries:
        entries = [{"what": f"{what}: {', '.join(changes) or 'nothing'}, as before"}]
    return entered(record, {"features": tuple(features.values())}, entries, by=by, when=when, why=why)


def entered(
    record: Record,
    changes: Mapping[str, Any],
    entries: Sequence[Mapping[str, Any]],
    *,
    by: str,
    when: datetime,
    why: str | None,
) -> Record:
    """The record with the changes, recomputed, and logged."""
    check_open(record)
    who, at = person(by), moment(record, when)
    why = None if why is None else line(why, "why", "the reason")
    changed = {**changes, "tool": build.judged_by_this_program(record.tool)}
    new = recompute.recompute(record.model_copy(update=changed), before=record)
    if why is None and _needs_a_reason(record, new, entries):
        raise RecordError(
            f"this act takes the outcome from {record.outcome} to {new.outcome}, and gives no reason",
            field="why",
            expected="a reason on record for what makes the outcome better",
            mend='say why: --why "REASON"',
        )
    lines = [{**entry, "when": at, "who": who, "why": why} for entry in entries]
    return model.logged(model.parts_of(new), *lines)


def check_open(record: Record) -> None:
    """Refuse a record that was issued: it is frozen. Raises RecordError."""
    if record.issue is not None:
        raise RecordError(
            f"the record was issued as {record.issue.number}, revision {record.issue.revision}, and is frozen",
            expected="a record that is not issued",
            mend="specimeter issue RECORD --amend --why REASON --by NAME begins a new revision, which names this one",
        )


def _needs_a_reason(record: Record, new: Record, entries: Sequence[Mapping[str, Any]]) -> bool:
    """Whether an act lifts a finding against the specimen, or makes it within by what the sheet says (not by what was seen)."""
    if record.outcome in AGAINST and new.outcome not in AGAINST:
        return True
    fields = [str(entry.get("field") or "") for entry in entries]
    stated = any(field.startswith("sheet.") and not field.startswith("sheet.observations.") for field in fields)
    return stated and new.outcome == "within" != record.outcome


def moment(record: Record, when: datetime) -> str:
    """The moment as the log holds it; RecordError where it lies before the last entry."""
    if when.tzinfo is None:
        raise ValueError("`when` needs its time zone")
    at, last = build.utc(when), record.log[-1].when
    if datetime.fromisoformat(at) < datetime.fromisoformat(last):
        raise RecordError(
            f"this computer's clock says {at}, and the record's last entry is of {last}",
            field="log",
            mend="set the clock right",
        )
    return at


def person(name: str) -> str:
    """The name of a person, trimmed; RecordError where it is none."""
    name = line(name, "by", "the name of a person")
    if name.lower().startswith("specimeter"):
        raise RecordError(f"{name!r} is the program, not a person", field="by", expected="the name of a person")
    return name


def line(text: Any, field: str, expected: str) -> str:
    """One line of words, trimmed; RecordError where there are none."""
    text = " ".join(text.split()) if isinstance(text, str) else ""
    if not text or not text.isprintable() or len(text) > MOST_WORDS or not re.search(r"\w", text):
        raise RecordError(f"got {text[:40]!r}", field=field, expected=f"{expected}: a line of 1 to {MOST_WORDS} characters")
    return text


def _one_of(word: str, known: Sequence[str], field: str) -> str:
    if word not in known:
        near = nearest(word, known)
        raise RecordError(
            f"got {word!r}", field=field, expected=", ".join(known), mend=f'did you mean "{near}"?' if near else None
        )
    return word


def _feature(record: Record, id: str) -> model.Feature:
    for feature in record.features:
        if feature.id == id:
            return feature
    known = ", ".join(feature.id for feature in record.features[:40]) or "none: the record holds no feature"
    raise RecordError(f"there is no feature {id!r}", field="features", expected=f"one of {known}")


def _linked(record: Record, id: str) -> set[str]:
    """All features linked to this one, itself included."""
    pairs = [(feature.id, feature.same_as) for feature in record.features if feature.same_as is not None]
    found, size = {id}, 0
    while len(found) > size:
        size = len(found)
        found |= {name for pair in pairs if found & set(pair) for name in pair}
    return found


def _drawn(record: Record, points: Points, *, kind: str, photo: str, u_edge_px: float, u_tip_px: float) -> model.Feature:
    return model.Feature(
        id=f"f{1 + last_number(record)}",
        photo=photo,
        kind=_one_of(kind, KINDS, "kind"),
        status="added",
        found_by="hand",
        confidence=1.0,
        outline_px=polygon(record, points, photo, "outline_px"),
        u_edge_px=float(u_edge_px),
        u_tip_px=float(u_tip_px),
    )


def last_number(record: Record) -> int:
    """The greatest number that a feature has in its name, 0 if there is none."""
    return max([0, *(int(one.id[1:]) for one in record.features if re.fullmatch(r"f[0-9]{1,9}", one.id))])


def polygon(record: Record, points: Points, photo: str, field: str, *, closed: bool = True) -> tuple[tuple[float, float], ...]:
    """Points of an outline, or of a line if not `closed`, within a photograph, checked. Raises OutlineError or RecordError."""
    picture = next((one for one in record.photos if one.id == photo), None)
    if picture is None:
        raise RecordError(f"there is no photo {photo!r}", field="photo", expected=", ".join(one.id for one in record.photos))
    try:
        outline_px = np.asarray(points, float)
    except (TypeError, ValueError):
        outline_px = np.empty(0)
    problem, what = None, "outline" if closed else "line"
    if outline_px.ndim != 2 or outline_px.shape[1] != 2 or len(outline_px) < 3:
        problem = f"this is no {what}"
    elif not closed and len(np.unique(outline_px, axis=0)) < 3:
        problem = "fewer than three of the points differ"
    elif not np.isfinite(outline_px).all():
        problem = "a coordinate is not a number"
    elif (outline_px < -0.5).any() or (outline_px > np.array([picture.width_px, picture.height_px]) - 0.5).any():
        problem = f"the {what} leaves the photograph of {picture.width_px} x {picture.height_px} pixels"
    else:
        problem = outline_fault(outline_px) if closed and len(outline_px) <= 2000 else None
    if problem:
        raise OutlineError(
            problem,
            field=field,
            expected="three or more points [x, y] in pixels, in order "
            + ("around the feature" if closed else "along the line"),
            mend="draw it again",
        )
    return tuple((float(x), float(y)) for x, y in outline_px)


def _log_points(points: Sequence[Sequence[float]] | np.ndarray) -> list[list[float]]:
    return [[float(x), float(y)] for x, y in points]
