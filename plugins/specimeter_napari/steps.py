"""The path of the job: which step is done, which needs a person, what is wrong, and what comes next. No window here."""

from __future__ import annotations

from dataclasses import dataclass

from specimeter.errors import AreaError, LimitsError, PhotoError, ScaleError, SheetError, SpecimeterError, SurfaceError
from specimeter.record.edit import left_to_do
from specimeter_napari.session import Session

STEPS = ("specimen", "scale", "area", "features", "limits", "finding")
TITLES = {
    "specimen": "Specimen",
    "scale": "Scale",
    "area": "Area",
    "features": "Features",
    "limits": "Limits",
    "finding": "Finding",
}
HOME = (
    (SheetError, "specimen"),
    (PhotoError, "specimen"),
    (ScaleError, "scale"),
    (SurfaceError, "area"),
    (AreaError, "area"),
    (LimitsError, "limits"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """How one step stands: ``done``, ``you`` (needs you), ``wrong`` or ``later``; and one sentence that says it."""

    name: str
    stands: str
    says: str


def home_of(error: SpecimeterError) -> str:
    """The step at which an error can be mended."""
    table = (error.field or "").split(".")[0]
    if table in ("scale", "region", "limits"):
        return {"region": "area"}.get(table, table)
    return next((step for kind, step in HOME if isinstance(error, kind)), "finding")


def sentence(error: SpecimeterError) -> str:
    """An error as one or two plain sentences, without the place of the file."""
    parts = [error.problem, error.expected and f"expected: {error.expected}", error.mend and f"to mend it: {error.mend}"]
    return "; ".join(part for part in parts if part)


def steps(session: Session, *, busy: bool = False) -> tuple[Step, ...]:
    """All six as they stand now."""
    found = (_specimen(session), _scale(session, busy), _area(session, busy), _features(session, busy))
    both = (*found, _limits(session), _finding(session))
    return tuple(
        Step(name=step.name, stands="wrong", says=sentence(session.trouble[step.name]))
        if step.name in session.trouble
        else step
        for step in both
    )


def next_step(told: tuple[Step, ...]) -> Step:
    """The first that is wrong, else the first that needs a person, else the first that is still to come, else the last."""
    for stands in ("wrong", "you", "later"):
        for step in told:
            if step.stands == stands:
                return step
    return told[-1]


def _specimen(session: Session) -> Step:
    sheet = session.state.sheet
    if sheet is None:
        return Step(name="specimen", stands="you", says="Say which specimen this is and how it was tested.")
    test = sheet.specimen.test.replace("-", " ")
    return Step(name="specimen", stands="done", says=f"{sheet.specimen.id}, {test}.")


def _waiting(name: str, session: Session, busy: bool, before: str) -> Step:
    return Step(name=name, stands="later", says="Being worked out …" if busy else before)


def _scale(session: Session, busy: bool) -> Step:
    if session.record is None:
        return _waiting("scale", session, busy, "Comes after the specimen.")
    if any(scale.mm_per_px is None for scale in session.record.scales):
        return Step(name="scale", stands="you", says="The scale at the specimen is not known: mark a known length.")
    scale = session.record.scales[0]
    how = {"card": "from the printed card", "length": "from a known length", "graduations": "from the rule"}
    percent = f"{200 * scale.u_rel:.2g} %"
    words = how.get(scale.method, scale.method)
    return Step(name="scale", stands="done", says=f"{scale.mm_per_px:.4f} mm a pixel ± {percent}, {words}.")


def _area(session: Session, busy: bool) -> Step:
    if session.record is None:
        return _waiting("area", session, busy, "Comes after the scale.")
    areas = session.record.examined
    if any(area.area_mm2 is None for area in areas):
        return Step(name="area", stands="you", says="The examined area has no size: draw it on the picture.")
    size = " and ".join(f"{area.area_mm2:.0f} mm²" for area in areas) + " are examined."
    if any(part.cautions for part in (*areas, *session.record.surfaces)):
        return Step(name="area", stands="done", says=f"{size} Look at the notes.")
    return Step(name="area", stands="done", says=size)


def _features(session: Session, busy: bool) -> Step:
    record = session.record
    if record is None:
        return _waiting("features", session, busy, "Come after the area.")
    open_ = [feature for feature in record.features if feature.status == "proposed"]
    if open_:
        word = "proposal waits" if len(open_) == 1 else "proposals wait"
        return Step(name="features", stands="you", says=f"{len(open_)} {word} for your yes or no.")
    if record.review.by is None:
        return Step(name="features", stands="you", says="Look the whole face over for what was missed, then say so.")
    counted = sum(feature.status != "rejected" for feature in record.features)
    return Step(name="features", stands="done", says=f"{counted} counted, the whole face looked over.")


def _limits(session: Session) -> Step:
    limits = session.state.limits
    if limits is None:
        return Step(name="limits", stands="you", says="Enter the limits from your code, or start from an example.")
    return Step(name="limits", stands="done", says=limits.limits.title)


def _finding(session: Session) -> Step:
    record = session.record
    if record is None:
        return Step(name="finding", stands="later", says="Comes last.")
    left = left_to_do(record)
    if left or session.state.limits is None:
        return Step(name="finding", stands="later", says="Open until the steps before it are done.")
    if not session.saved:
        return Step(name="finding", stands="you", says="Write the record and its report.")
    return Step(name="finding", stands="done", says="Reviewed and written.")


def kept_words(now: Session) -> tuple[str, str]:
    """What of the work lies on disk, in a word and in a sentence."""
    if now.saved and now.folder is not None:
        return f"✓ written: {now.folder.name}", f"The record lies in {now.folder}"
    if now.journal.is_open:
        return "✓ kept", "Every edit is kept in the journal as you make it."
    return "", ""
