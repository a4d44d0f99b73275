"""Who answers for a report and what it rests on: the items of ISO/IEC 17025:2017, clause 7.8, and the record's provenance."""

from __future__ import annotations

from specimeter.record import model
from specimeter.record.model import Record
from specimeter.report import words
from specimeter.report.block import Block, facts, points, table
from specimeter.report.house import House
from specimeter.report.language import Said

NOT_STATED = "not stated"


def laboratory(record: Record, house: House) -> list[str]:
    """Name, address and contact of the laboratory, as far as they are known: the sheet's words stand before the settings'."""
    order, own = record.sheet.get("order") or {}, house.settings.laboratory
    name = order.get("laboratory") or (own.name if own else None)
    address = order.get("address") or (own.address if own else None)
    contact = own.contact if own and name == own.name else None
    return [Said(part) for part in (name, address, contact) if part]


def statement(record: Record, house: House, sha256: str) -> list[Block]:
    """The items of 7.8.2.1 in their order, then what the report says of itself; `sha256` is that of ``record.json``."""
    order, people, issue = record.sheet.get("order") or {}, record.sheet.get("people") or {}, record.issue

    def said(*values: object) -> str:
        found = [words.entered(value) for value in values if value not in (None, [], "")]
        return (found[0] if len(found) == 1 else Said(", ".join(found))) if found else NOT_STATED

    here = laboratory(record, house)
    revision = "" if issue is None else f"report {issue.number}, revision {issue.revision}; "
    specimen = record.sheet["specimen"]
    rows = [
        ["title", words.heading(str(specimen.get("test", "specimen")))],
        ["laboratory, name and address", said(*here)],
        ["place of the work", said(order.get("place")) if order.get("place") or not here else "at the laboratory"],
        ["identification", f"{revision}record {sha256[:16]}, pages numbered to the last"],
        ["client", said(order.get("client"), order.get("contact"))],
        ["method and edition", said(order.get("method"), order.get("edition"))],
        ["item", said(record.id, order.get("item"), specimen.get("position"))],
        ["condition of the item", said(order.get("condition"))],
        ["date received", said(order.get("received"))],
        ["date of the work", said(people.get("measured_on")) if people.get("measured_on") else recorded(record)],
        ["date of issue", "not issued" if issue is None else utc(issue.when)],
        ["sampling", said(order.get("sampling"))],
        ["measured by", said(people.get("measured_by"))],
        ["reviewed by", said(record.review.by) if record.review.by else "nobody yet"],
        ["deviations from the method", said(*(order.get("deviations") or []))],
        ["issued by", "nobody yet" if issue is None else Said(issue.by)],
        ["authorised by", "nobody yet" if issue is None else Said(issue.authorised_by)],
        ["external providers", said(order.get("external_providers"))],
        *conformity(record),
    ]
    caption = "Items of ISO/IEC 17025:2017, 7.8.2.1; what the sheet does not give is named as not stated"
    blocks = [facts(rows, caption=caption)]
    if record.amends is not None:
        blocks.append(facts(_amendment(record), caption="Amendment: this revision takes the place of an earlier one"))
    blocks.append(
        points(
            [
                "The results concern only the specimen named here.",
                "Do not reproduce this report in part without the laboratory's written approval.",
                "Entries of the sheet and the limits come from the user and are marked as such; where they are wrong, results "
                "that rest on them can be wrong.",
                "A likely cause of a feature is an opinion of the person who named it in the review, on the basis beside it; "
                "no result rests on it.",
            ]
        )
    )
    return blocks


def conformity(record: Record) -> list[list[str]]:
    """What a statement of conformity covers, by which specification and decision rule (7.8.6)."""
    if record.limits is None:
        return [["statement of conformity", "none: no limits were entered"]]
    head = record.limits.get("limits", {})
    named = {id for verdict in record.verdicts for id in verdict.features}
    counted = [feature.id for feature in record.features if feature.id in named]
    return [
        ["statement of conformity", words.outcome(record.outcome, reviewed=record.review.state != "unreviewed")],
        ["results that it covers", Said(", ".join(counted)) if counted else "no feature was counted"],
        ["specification", Said(f"{head.get('title', '')}; {head.get('basis', '')}")],
        ["decision rule", words.DECISIONS.get(str(head.get("decision")), NOT_STATED)],
    ]


def provenance(record: Record, sha256: str) -> list[Block]:
    """Hashes, program, and the log to its head, so that a log cut off later shows."""
    rows: list[list[str]] = []
    for photo in record.photos:
        rows.append([f"photograph {photo.id}", Said(photo.file)])
        rows.append(["SHA-256", Said(photo.sha256)])
        if photo.taken:
            rows.append(["taken, by the camera's clock", Said(photo.taken)])
    libraries = ", ".join(f"{name} {version}" for name, version in record.tool.libraries.items())
    settings = "; ".join(f"{name} {value}" for name, value in words.entries(record.tool.settings))
    rows += [
        ["record.json, SHA-256", Said(sha256)],
        ["log, hash of its head", Said(record.log[-1].hash)],
        ["recorded", recorded(record)],
        ["program", Said(f"specimeter {record.tool.version}")],
        *([["program's sources, SHA-256", Said(record.tool.code_sha256)]] if record.tool.code_sha256 else []),
        *([["proposing model, SHA-256", Said(record.tool.model_sha256)]] if record.tool.model_sha256 else []),
        ["settings", Said(settings) if settings else "defaults"],
        ["libraries", Said(libraries) if libraries else NOT_STATED],
        ["review", record.review.state],
    ]
    log = [[utc(entry.when), Said(entry.who), _what(entry), Said(entry.why or "–")] for entry in record.log]
    return [facts(rows), table("Log: who did what, when and why", ["when", "who", "what", "reason"], log, wide=2)]


def recorded(record: Record) -> str:
    """When it was recorded."""
    return utc(record.log[0].when) if record.log else NOT_STATED


def utc(when: str) -> str:
    """A moment as it is printed."""
    return Said(when.replace("T", " ").replace("+00:00", " UTC"))


def _amendment(record: Record) -> list[list[str]]:
    amends = record.amends
    assert amends is not None  # asked of an amendment only
    began = next(
        (n for n, e in enumerate(record.log) if e.field == "amends.sha256" and e.new == amends.sha256), len(record.log)
    )
    changes = [_line(entry) for entry in record.log[began + 1 :] if entry.field]
    return [
        ["amends", f"report {amends.number}, revision {amends.revision}"],
        ["its record.json, SHA-256", Said(amends.sha256)],
        ["reason", Said(amends.why)],
        *(["changed", change] for change in changes),
    ]


def _line(entry: model.LogEntry) -> str:
    """One entry of the log in a line: when, who, what and why."""
    return Said(f"{utc(entry.when)}, {entry.who}: {_what(entry)}" + (f" ({entry.why})" if entry.why else ""))


def _what(entry: model.LogEntry) -> str:
    """What was done, and from what to what; outlines by their number of points."""
    field = (entry.field or "").removeprefix("features.").replace(".", " ").replace("_", " ")
    text = entry.what + (f", {field}" if field else "")
    if entry.old is not None or entry.new is not None:
        text += f": {_value(entry.old)} → {_value(entry.new)}"
    return Said(text)


def _value(value: object) -> str:
    if value is None:
        return "–"
    if isinstance(value, list) and value and isinstance(value[0], list):
        return f"{len(value)} points"
    return words.entered(value)
