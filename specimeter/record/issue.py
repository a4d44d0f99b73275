"""Freezing a reviewed record under a report number, and beginning a new revision of one that was frozen. Pure functions."""

from __future__ import annotations

from datetime import datetime

from specimeter.errors import RecordError
from specimeter.record import build, edit, model, recompute
from specimeter.record.edit import line, moment, person
from specimeter.record.model import Record


def issue(record: Record, *, number: str, by: str, authorised_by: str, when: datetime) -> Record:
    """The record frozen: report number and revision, who issued it, who authorised it.

    Raises
    ------
    RecordError
        If the review is not complete, the second person is the first, or it is issued already.
    """
    if record.issue is not None:
        raise RecordError(
            f"the record was issued already, as {record.issue.number}, revision {record.issue.revision}",
            expected="a record that is not issued",
            mend="specimeter issue RECORD --amend --why REASON --by NAME begins a new revision",
        )
    if left := edit.left_to_do(record):
        raise RecordError(
            f"the review is not complete: {'; '.join(left)}",
            field="review",
            expected="every feature confirmed or rejected, and the whole face looked over, by named persons",
            mend="specimeter review RECORD --by NAME",
        )
    by, authorised_by = person(by), person(authorised_by)
    if by.casefold() == authorised_by.casefold():
        raise RecordError(
            f"{by!r} cannot both issue and authorise", field="authorised_by", expected="a second person who authorises"
        )
    number = line(number, "number", "the report's number")
    revision = 1 if record.amends is None else record.amends.revision + 1
    if record.amends is not None and number != record.amends.number:
        raise RecordError(
            f"revision {revision} bears another number than what it amends", field="number", expected=record.amends.number
        )
    at = moment(record, when)
    frozen = model.Issue(number=number, revision=revision, by=by, authorised_by=authorised_by, when=at)
    review = record.review.model_copy(update={"state": "issued"})
    new = recompute.recompute(record.model_copy(update={"issue": frozen, "review": review, **program(record)}))
    entries = [
        {"what": f"issued as {number}, revision {revision}", "who": by, "when": at},
        {"what": f"authorised {number}, revision {revision}", "who": authorised_by, "when": at},
    ]
    return model.logged(model.parts_of(new), *entries)


def amend(record: Record, *, sha256: str, by: str, why: str, when: datetime) -> Record:
    """A new revision begun: the record open again, naming what it departs from by number, revision and hash.

    Parameters
    ----------
    sha256 : str
        Of the issued ``record.json`` as it lies on disk.
    """
    if record.issue is None:
        raise RecordError("the record is not issued", expected="an issued record", mend="it can be reviewed as it is")
    by, why, at = person(by), line(why, "why", "the reason for the amendment"), moment(record, when)
    amends = model.Amends(number=record.issue.number, revision=record.issue.revision, sha256=sha256, why=why)
    review = record.review.model_copy(update={"state": "reviewed"})
    new = recompute.recompute(record.model_copy(update={"issue": None, "amends": amends, "review": review, **program(record)}))
    entry = {
        "what": f"amendment of {amends.number}, revision {amends.revision}, begun",
        "field": "amends.sha256",
        "new": sha256,
        "who": by,
        "when": at,
        "why": why,
    }
    return model.logged(model.parts_of(new), entry)


def program(record: Record) -> dict[str, model.Tool]:
    """The change that says by which program the record is recomputed."""
    return {"tool": build.judged_by_this_program(record.tool)}


def next_number(record: Record, when: datetime) -> str:
    """A report number where nobody gives one: the amended report's own, or the specimen's id and the date."""
    return record.amends.number if record.amends is not None else f"{record.id}-{build.utc(when)[:10].replace('-', '')}"
