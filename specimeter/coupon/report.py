"""A coupon's summary report: all specimens, each with its outcome, hash and picture; and its data as JSON, CSV and XLSX."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

from PIL import Image

from specimeter import __version__
from specimeter.coupon.decide import Result, State
from specimeter.coupon.entered import Entered
from specimeter.record.build import plain, utc
from specimeter.report import html, pdf, table, words
from specimeter.report.block import Block, facts, points, section, text
from specimeter.report.block import table as table_block
from specimeter.report.content import FOOT, KEPT, cleaned
from specimeter.report.house import House
from specimeter.report.language import Said
from specimeter.report.workbook import workbook

PICTURE_PX = 1400
HEADS = (
    "specimen", "test", "position", "outcome", "stands", "review", "report", "revision", "replaces", "replaced_by", "because",
    "record_sha256",
)  # fmt: skip


def files(
    entered: Entered, result: Result, pictures: Mapping[str, Image.Image], house: House, when: datetime
) -> dict[str, bytes]:
    """The summary's files: name -> content. `pictures`: id of a specimen -> its overlay."""
    data = to_json(entered, result, when)
    shown = [(state.specimen.id, pictures[state.specimen.id]) for state in result.states if state.specimen.id in pictures]
    report = content(entered, result, [id for id, _ in shown], house, when, hashlib.sha256(data).hexdigest())
    small = [_reduced(picture) for _, picture in shown]
    rows = [_row(state) for state in result.states]
    return {
        "coupon.json": data,
        "coupon.csv": table.csv(HEADS, rows),
        "coupon.xlsx": workbook({"specimens": (HEADS, rows)}, when=when),
        "coupon.html": html.page(report, small, house),
        "coupon.pdf": pdf.page(report, small, house, when=when),
    }


def to_json(entered: Entered, result: Result, when: datetime) -> bytes:
    """Everything that the outcome rests on: the file as entered, each record by its hash, verdicts, outcome."""
    data = {
        "format": "specimeter-coupon",
        "version": 1,
        "entered": plain(entered.model_dump(mode="json", exclude_none=True)),
        "specimens": [plain(dict(zip(HEADS, _row(state), strict=True))) for state in result.states],
        "missing": list(result.missing),
        "verdicts": [plain(asdict(verdict)) for verdict in result.verdicts],
        "outcome": result.outcome,
        "reasons": list(result.because),
        "tool": {"version": __version__},
        "when": utc(when),
    }
    return json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False).encode() + b"\n"


def content(entered: Entered, result: Result, pictures: list[str], house: House, when: datetime, sha256: str) -> dict[str, Any]:
    """The report as plain blocks, in the form of `specimeter.report.content.content`."""
    there = [state.folder.record for state in result.states if state.folder is not None]
    complete = bool(there) and all(record.review.state != "unreviewed" for record in there)
    coupon = entered.coupon
    own = house.settings.laboratory
    report = {
        "title": "Test piece: summary of its specimens",
        "id": Said(coupon.id),
        "mark": "" if complete else words.UNREVIEWED,
        "outcome": result.outcome,
        "word": words.outcome(result.outcome, reviewed=complete),
        "because": result.because[0],
        "points": list(result.because[1:]),
        "decides": f"{words.SAFETY} {words.DECIDES}",
        "sections": [
            section("Test piece, as entered", [facts([list(entry) for entry in words.entries(_told(coupon.model_dump()))])]),
            section("Specimens asked for", [_required(entered, result)]),
            section("Specimens", _specimens(result)),
            section("Rules over all specimens", _rules(entered, result)),
            section("Retest rule, as entered", [_retest(entered)]),
            section("Photograph", [_picture(number, id) for number, id in enumerate(pictures)]),
            section("Statement of the report", [points([_ONLY, _STAYS])]),
            section("Provenance", [_provenance(result, sha256, when)]),
        ],
        "hash": sha256,
        "date": Said(utc(when).replace("T", " ").replace("+00:00", " UTC")),
        "version": __version__,
        "laboratory": [Said(part) for part in (own.name, own.address, own.contact) if part] if own else [],
        "logo": house.logo is not None,
        "language": house.language.code,
        "foot": {**FOOT, "record": "test piece", "file": "coupon.json"},
    }
    return house.language.report(cleaned(report), keep=KEPT)


_ONLY = "The results concern only the specimens named here."
_STAYS = "A specimen that was replaced stays in this report with its own outcome; its record is kept."


def _told(table: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in table.items() if value is not None}


def _required(entered: Entered, result: Result) -> Block:
    rows = []
    for test, wanted in entered.required.items():
        there = [state for state in result.states if state.specimen.test == test and state.specimen.replaces is None]
        stands = sum(state.stands == "within" for state in there)
        tested = sum(state.outcome != "missing" for state in there)
        rows.append([test.replace("-", " "), str(wanted), str(tested), str(stands)])
    heads = ["test", "asked for", "tested", "within, or replaced by such"]
    return table_block("Specimens asked for and tested", heads, rows, wide=0, numbers=(1, 2, 3))


def _specimens(result: Result) -> list[Block]:
    if not result.states:
        return [text("No specimen was entered.")]
    rows = []
    for state in result.states:
        record = None if state.folder is None else state.folder.record
        review = "–" if record is None else record.review.state
        own = words.VERDICTS.get(state.outcome, state.outcome.replace("-", " "))
        place = ", ".join(
            filter(None, [_of(state.specimen.replaces, "replaces"), _of(" ".join(state.replaced_by), "replaced by")])
        )
        rows.append([Said(state.specimen.id), state.specimen.test.replace("-", " "), own, review, place or "–", state.because])
    heads = ["specimen", "test", "outcome", "review", "place", "because"]
    blocks = [table_block("Each specimen with its own outcome", heads, rows, wide=5)]
    return blocks + ([points([f"Missing: {what}." for what in result.missing])] if result.missing else [])


def _of(name: str | None, how: str) -> str:
    return f"{how} {name}" if name else ""


def _rules(entered: Entered, result: Result) -> list[Block]:
    if not entered.rule:
        return [text("No rules over all specimens were entered.")]
    if not result.verdicts:
        return [text("The rules over all specimens were not evaluated: not all specimens are there.")]
    rows = [[Said(verdict.name), words.VERDICTS[verdict.outcome], verdict.because] for verdict in result.verdicts]
    return [table_block("Each rule's verdict and why", ["rule", "verdict", "because"], rows, wide=2, first=0.3)]


def _retest(entered: Entered) -> Block:
    retest = entered.retest
    after = [words.VERDICTS.get(name, name) for name in retest.after]
    rows = [
        ["another specimen may be tested after", ", ".join(after) or "nothing"],
        ["how many take the place of one", str(retest.specimens)],
        ["basis", Said(retest.basis) if retest.basis else "not stated"],
    ]
    return facts(rows)


def _picture(number: int, id: str) -> Block:
    return {
        "is": "picture",
        "number": number,
        "alt": f"Overlay of specimen {id}; its own report describes it.",
        "caption": Said(id),
    }


def _provenance(result: Result, sha256: str, when: datetime) -> Block:
    rows = [
        ["coupon.json, SHA-256", Said(sha256)],
        ["recorded", Said(utc(when))],
        ["program", Said(f"specimeter {__version__}")],
    ]
    for state in result.states:
        if state.folder is not None:
            rows.append([Said(f"{state.specimen.id}, record.json, SHA-256"), Said(state.folder.sha256)])
    return facts(rows)


def _row(state: State) -> list[object]:
    record = None if state.folder is None else state.folder.record
    issue = None if record is None else record.issue
    return [
        state.specimen.id,
        state.specimen.test,
        state.specimen.position,
        state.outcome,
        state.stands,
        None if record is None else record.review.state,
        None if issue is None else issue.number,
        None if issue is None else issue.revision,
        state.specimen.replaces,
        " ".join(state.replaced_by) or None,
        state.because,
        None if state.folder is None else state.folder.sha256,
    ]


def _reduced(picture: Image.Image) -> Image.Image:
    small = picture.convert("RGB")
    small.thumbnail((PICTURE_PX, PICTURE_PX), Image.Resampling.LANCZOS)
    return small
