"""The record: one specimen's whole evidence as it is stored in ``record.json``, checked whenever it is read."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, JsonValue, ValidationError, model_validator

from specimeter import files
from specimeter.errors import RecordError
from specimeter.measure import MOST_FEATURES
from specimeter.record import log, versions

FORMAT, VERSION = "specimeter-record", 2  # as the record says of itself, below
MOST_BYTES = 200_000_000  # three times what as many features as a record may hold take

Outcome = Literal["within", "exceeds", "undecided", "not-measured", "replace", "void", "no-limits"]
Status = Literal["proposed", "confirmed", "added", "rejected"]


def _all_finite(value: Any) -> Any:
    """The same JSON value, or ValueError if a number in it is not finite (JSON has no NaN, and 1e999 reads as infinity)."""
    stack = [value]
    while stack:
        item = stack.pop()
        if isinstance(item, float) and not math.isfinite(item):
            raise ValueError(f"a number is not finite: {item}")
        if isinstance(item, dict | list | tuple):
            stack.extend(item.values() if isinstance(item, dict) else item)
    return value


def _utc_moment(text: str) -> str:
    """The same text, or ValueError if it is not a moment in UTC in ISO 8601."""
    offset = datetime.fromisoformat(text).utcoffset()
    if offset is None or offset:
        raise ValueError("a moment is given in UTC, such as 2026-03-21T09:30:00+00:00")
    return text


if TYPE_CHECKING:  # what a person or an older version wrote: whoever reads it asks what is there
    Json = Any
else:
    Json = JsonValue
Table = Annotated[dict[str, Json], AfterValidator(_all_finite)]
Point = tuple[float, float]
Polygon = Annotated[tuple[Point, ...], Field(min_length=3)]
Line = tuple[Point, ...]
Share = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Moment = Annotated[str, AfterValidator(_utc_moment)]
Name = Annotated[str, Field(min_length=1, max_length=500)]
Missing = dict[str, str]  # name of a number that could not be obtained -> why


class Part(BaseModel):
    """Frozen, strict about types, unknown keys refused, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Photo(Part):
    """One photograph: its name and hash, never its path."""

    id: str
    file: str
    sha256: Sha256
    width_px: Annotated[int, Field(gt=0)]
    height_px: Annotated[int, Field(gt=0)]
    focal_35mm_mm: Positive | None = None
    taken: str | None = None
    cautions: tuple[str, ...] = ()


class BudgetTerm(Part):
    """One line of an uncertainty budget; `contribution` is in the unit of the result."""

    source: str
    value: float | None = None
    unit: str
    u: NotNegative
    sensitivity: float
    contribution: NotNegative
    basis: str
    dof: Positive | None = None  # absent: infinitely many


class CameraView(Part):
    """The camera over the marker's plane: everything that `specimeter.scale.view.View` is built from."""

    focal_px: Positive
    centre_px: Point
    k1: float
    k2: float
    rotation: tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
    translation_mm: tuple[float, float, float]


class Scale(Part):
    """How one photograph's pixels become millimetres, with its evidence; `mm_per_px` at the centre of the examined area."""

    photo: str
    method: str
    mm_per_px: Positive | None = None
    u_rel: NotNegative
    surface_height_mm: float
    surface_height_u_mm: NotNegative
    tilt_deg: NotNegative
    view: CameraView
    budget: tuple[BudgetTerm, ...]
    evidence: Table
    missing: Missing = {}
    cautions: tuple[str, ...] = ()


class SurfaceShape(Part):
    """The shape that pixels lie on: what `specimeter.scale.surface` rebuilds it from, over the scale's view."""

    photo: str
    shape: Literal["flat", "bend"]
    height_mm: float  # of the plane, or of a bend's crown, over the marker
    radius_mm: Positive | None = None  # this and what follows: bends only
    angle_deg: Annotated[float, Field(gt=0, le=180)] | None = None
    crown_mm: Point | None = None
    direction_deg: float | None = None
    u_radius_mm: NotNegative | None = None
    u_direction_deg: NotNegative | None = None
    u_crown_mm: NotNegative | None = None
    edge_radius_mm: NotNegative | None = None  # rounding of the long edges, which lie where `examined` says; absent: none
    u_edge_radius_mm: NotNegative | None = None
    basis: dict[str, str] = {}  # of each u
    axis_px: tuple[Point, Point] | None = None  # the crown line across the examined area, for a reader's eye
    evidence: Table = {}
    cautions: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _whole(self) -> Self:
        bent = (self.radius_mm, self.angle_deg, self.crown_mm, self.direction_deg)
        if self.shape == "bend" and None in bent:
            raise ValueError("a bend has a radius, an angle, a crown and a direction")
        return self


class Unseen(Part):
    """A part of the examined area in which the picture could show no opening."""

    outline_px: Polygon
    why: str
    length_mm: Positive


class Examined(Part):
    """The outline within which features were looked for on one photograph."""

    photo: str
    outline_px: Polygon
    exclude_px: tuple[Polygon, ...] = ()
    edges_px: tuple[Line, ...] = ()
    found_by: str
    confidence: Share
    area_mm2: Positive | None = None
    U_area_mm2: NotNegative | None = None
    width_mm: Positive | None = None
    u_width_mm: NotNegative | None = None
    smallest_resolvable_mm: Positive | None = None
    unseen: tuple[Unseen, ...] = ()
    missing: Missing = {}
    cautions: tuple[str, ...] = ()


class Feature(Part):
    """One imperfection: its outline, its sizes on the developed surface, every U with k = 2."""

    id: str
    photo: str
    kind: str
    may_be: tuple[str, ...] | None = None  # other kinds that the picture does not tell it from surely
    status: Status
    found_by: str
    confidence: Share
    outline_px: Polygon
    u_edge_px: NotNegative
    u_tip_px: NotNegative
    tips_px: tuple[Point, Point] | None = None
    length_mm: Positive | None = None
    U_length_mm: NotNegative | None = None
    width_mm: Positive | None = None
    U_width_mm: NotNegative | None = None
    area_mm2: Positive | None = None
    U_area_mm2: NotNegative | None = None
    at_corner: bool | None = None
    corner_by_eye: bool | None = None  # a named person's word, which stands before what was measured
    nearest_mm: NotNegative | None = None
    U_nearest_mm: NotNegative | None = None
    along_weld_mm: NotNegative | None = None
    through_wall_mm: NotNegative | None = None
    depth_mm: NotNegative | None = None  # of an undercut in a section, square to its plate's surface
    U_depth_mm: NotNegative | None = None
    cause: str | None = None
    cause_basis: str | None = None
    same_as: str | None = None
    reason: str | None = None  # why a named person rejected it
    budget: tuple[BudgetTerm, ...] = ()
    missing: Missing = {}


class Drawn(Part):
    """How one size of a section was measured: lines in pixels, the dimension itself first."""

    size: str
    lines_px: tuple[Line, ...]


class Undercut(Part):
    """What an undercut in a section is besides its depth: sizes with U (k = 2), and its fitted course in pixels."""

    feature: str
    toe: Literal[1, 2]
    width_mm: Positive
    U_width_mm: NotNegative
    opening_angle_deg: float | None = None
    U_opening_angle_deg: NotNegative | None = None
    root_radius_mm: Positive | None = None
    U_root_radius_mm: NotNegative | None = None
    root_radius_at_most_mm: Positive | None = None  # where the radius is not resolved
    stress_concentration: Positive  # 1 + 2 sqrt(depth / radius); of a radius "at most", a lower bound
    fitted_px: Line
    missing: Missing = {}


class Cut(Part):
    """A section's evidence: which photograph, what is missing and why, the weld metal's outline, and every construction."""

    photo: str
    missing: Missing = {}
    weld_px: Polygon | None = None
    weld_drawn_px: Polygon | None = None  # as a person clicked round it
    zone_drawn_px: Polygon | None = None  # points that a person clicked on the border of the heat-affected zone
    drawn: tuple[Drawn, ...] = ()
    undercuts: tuple[Undercut, ...] = ()
    cautions: tuple[str, ...] = ()


class Verdict(Part):
    """One rule's result and its one-sentence because."""

    rule: str
    name: str
    outcome: Literal["within", "exceeds", "undecided", "not-measured", "replace"]
    value: float | None = None
    U: NotNegative | None = None
    limit: float | None = None
    unit: str
    sense: str
    because: str
    features: tuple[str, ...] = ()
    p_conform: Share | None = None


class Review(Part):
    """How far people have gone through it; `by` and `when` are of whoever said that the whole face was looked over."""

    state: Literal["unreviewed", "reviewed", "issued"] = "unreviewed"
    by: str | None = None
    when: Moment | None = None


class Issue(Part):
    """A frozen report: its number and revision, who issued and who authorised it; a later revision names the hash before it."""

    number: Name
    revision: Annotated[int, Field(ge=1)] = 1
    by: Name
    authorised_by: Name
    when: Moment


class Amends(Part):
    """What a revision departs from: the issued record's number, revision and the SHA-256 of its ``record.json``, and why."""

    number: Name
    revision: Annotated[int, Field(ge=1)]
    sha256: Sha256
    why: Name


class Tool(Part):
    """What made the numbers: versions and settings, no person and no machine."""

    version: str
    settings: Table
    libraries: dict[str, str] = {}
    model_sha256: Sha256 | None = None
    code_sha256: Sha256 | None = None  # of the program's own sources: the same code words the same things alike
    measuring_code_sha256: Sha256 | None = None  # of those that measured the photographs; a review by another leaves it


class LogEntry(Part):
    """One line of the append-only log; `when` is UTC in ISO 8601. `specimeter.record.log` says what the two hashes are of."""

    when: Moment
    who: str
    what: str
    field: str | None = None
    old: Json = None
    new: Json = None
    why: str | None = None
    body: Sha256 | None = None  # of all but the log, as it stood after this entry; the last entry always has it
    hash: Sha256  # of this entry and the one before it


class Record(Part):
    """One specimen's whole evidence: ``record.json``."""

    format: Literal["specimeter-record"] = "specimeter-record"
    version: Literal[2] = 2
    sheet: Table
    limits: Table | None = None  # as entered by the user
    photos: Annotated[tuple[Photo, ...], Field(min_length=1)]
    scales: tuple[Scale, ...]
    surfaces: tuple[SurfaceShape, ...]
    examined: tuple[Examined, ...]
    features: tuple[Feature, ...]
    section: dict[str, float] | None = None
    cut: Cut | None = None
    verdicts: tuple[Verdict, ...]
    outcome: Outcome
    reasons: tuple[str, ...]
    review: Review = Review()
    issue: Issue | None = None
    amends: Amends | None = None
    cautions: tuple[str, ...]
    tool: Tool
    log: Annotated[tuple[LogEntry, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _refers_to_what_is_there(self) -> Self:
        photos = [photo.id for photo in self.photos]
        features = [feature.id for feature in self.features]
        known = set(features)
        for name, ids in (("photos", photos), ("features", features)):
            if len(set(ids)) != len(ids):
                raise ValueError(f"{name}: an id is used twice")
        for name in ("scales", "surfaces", "examined", "features"):
            for part in getattr(self, name):
                if part.photo not in photos:
                    raise ValueError(f"{name}: there is no photo {part.photo!r}")
        for feature in self.features:
            if feature.same_as is not None and (feature.same_as == feature.id or feature.same_as not in known):
                raise ValueError(f"features: {feature.id} is the same as {feature.same_as!r}, which is not another feature")
        if (self.review.state == "issued") != (self.issue is not None):
            raise ValueError("review: a record is issued if and only if it says by whom and under which number")
        for verdict in self.verdicts:
            if unknown := set(verdict.features) - known:
                raise ValueError(f"verdicts: rule {verdict.rule!r} counts a feature that is not there: {sorted(unknown)}")
        return self

    @property
    def id(self) -> str:
        """The specimen's id, as its sheet gives it."""
        return str(self.sheet["specimen"]["id"])


def logged(parts: Mapping[str, Any], *entries: Mapping[str, Any]) -> Record:
    """The record of these fields (its `log`, if there is one, is kept) with log entries added, the last one sealing the rest.

    `entries` are fields of `LogEntry` without its hashes. Raises ValidationError if a field is not one of a record.
    """
    kept = tuple(parts.get("log", ()))
    new = tuple(LogEntry(**entry, hash=log.START) for entry in entries)
    draft = Record.model_validate({**parts, "log": (*kept, *new)})
    data = draft.model_dump(mode="json", exclude_none=True)
    added = log.chained(data["log"][: len(kept)], data["log"][len(kept) :], log.body_sha256(data))
    return draft.model_copy(update={"log": (*kept, *(LogEntry(**entry) for entry in added))})


def parts_of(record: Record) -> dict[str, Any]:
    """The record's fields by name, as `logged` takes them."""
    return {name: getattr(record, name) for name in Record.model_fields}


def dump(record: Record) -> bytes:
    """The record as UTF-8 JSON, always the same bytes for the same record: absent keys for what is not there, one part a line.

    ``load(dump(record)) == record`` exactly: numbers are written with as many digits as it takes to read them back.
    """
    data = record.model_dump(mode="json", exclude_none=True)
    lines = []
    for key, value in data.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            text = "[\n  " + ",\n  ".join(_line(item) for item in value) + "]"
        else:
            text = _line(value)
        lines.append(f"{json.dumps(key)}: {text}")
    return ("{" + ",\n ".join(lines) + "}\n").encode()


def sha256(record: Record) -> str:
    """SHA-256 of `dump`, in hexadecimal: the same as that of ``record.json`` as this version writes it."""
    return hashlib.sha256(dump(record)).hexdigest()


def load(source: str | Path | bytes) -> Record:
    """Read and check a record.

    Parameters
    ----------
    source : str, Path or bytes
        ``record.json``, the folder it lies in, or its content.

    Raises
    ------
    RecordError
        If it is missing, unreadable, cut off, of another format or of a newer version, or if a value is damaged; the message
        names the field.
    """
    file = None
    if isinstance(source, bytes):
        content = source
    else:
        file = Path(source)
        if file.is_dir():
            file = file / "record.json"
        try:
            content = files.read(file, most=MOST_BYTES)
        except OSError as error:
            raise RecordError(f"the record cannot be read ({error.strerror})", file=file, expected="a record.json") from error
    head = _json(content, file)
    features = head.get("features") if isinstance(head, dict) else None
    if isinstance(features, list) and len(features) > MOST_FEATURES:
        raise RecordError(
            f"the record holds {len(features)} features",
            file=file,
            field="features",
            expected=f"at most {MOST_FEATURES} of one specimen",
            mend="measure the specimen in several records, each with its own [region] in the sheet",
        )
    if not isinstance(head, dict) or head.get("format") != FORMAT:
        raise RecordError("this is not a record", file=file, field="format", expected=f'"{FORMAT}"')
    version = head.get("version")
    if isinstance(version, int) and not isinstance(version, bool) and version > VERSION:
        raise RecordError(
            f"the record is of version {version}, which this specimeter does not know",
            file=file,
            field="version",
            expected=f"at most {VERSION}",
            mend="update specimeter and read it again",
        )
    if type(version) is int and version in versions.UPGRADES:
        content = json.dumps(versions.upgraded(head)).encode()
    try:
        record = Record.model_validate_json(content)
        record.id  # noqa: B018  the one entry of the sheet that every reader relies on
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        field = ".".join(str(part) for part in first["loc"])
        raise _damaged(first["msg"], file, field or None) from error
    except (KeyError, TypeError) as error:
        raise _damaged("the specimen has no id", file, "sheet.specimen.id") from error
    return record


def _line(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _json(content: bytes, file: Path | None) -> Any:
    try:
        return json.loads(content.decode("utf-8"), object_pairs_hook=_no_twins, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:  # bad UTF-8, bad JSON and a doubled key are all ValueErrors
        raise _damaged(f"it is not whole JSON: {error}", file, None) from error


def _no_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) != len(pairs):
        raise ValueError("a key stands twice in one table")
    return table


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is not a number in JSON")


def _damaged(problem: str, file: Path | None, field: str | None) -> RecordError:
    return RecordError(
        f"the record is damaged: {problem}",
        file=file,
        field=field,
        expected="a record as specimeter wrote it",
        mend="take it from a copy, or measure the photograph again",
    )
