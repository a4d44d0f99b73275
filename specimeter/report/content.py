"""What a report says, in order, as plain blocks: the HTML and the PDF are two settings of the same content."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from specimeter.record import model
from specimeter.record.model import Examined, Feature, Record, Scale
from specimeter.report import budget, cut, found, words
from specimeter.report.block import Block, facts, points, section, table, text
from specimeter.report.house import PLAIN, House
from specimeter.report.language import Said
from specimeter.report.statement import NOT_STATED, laboratory, provenance, recorded, statement
from specimeter.rounding import figures, plus_minus
from specimeter.sheet import KINDS

KEPT = ("is", "id", "hash", "outcome", "date", "version", "laboratory", "language", "wide", "first", "numbers", "number")
FOOT = {
    "recorded": "recorded",
    "record": "record",
    "file": "record.json",
    "page": "page",
    "of": "of",
    "end": "End of the report",
}
MOST_BUDGETS = 4
MOST_IN_ALT = 40  # features named in the words for who cannot see the picture; the table names all
SIZES = {"length": "mm", "width": "mm", "area": "mm²", "nearest": "mm"}

_FOUND = "What was found; all of it stands in record.json."
_WHERE = "Features were looked for inside this outline only; surface steeper than 60° to the view lies outside it."


def content(record: Record, house: House = PLAIN) -> dict[str, Any]:
    """The whole report as JSON-ready data; every string is safe to show, none is markup.

    Keys: ``title id issued mark outcome word because points decides sections hash date version laboratory logo language
    foot``. A section has ``heading`` and ``blocks``; a block's ``is`` names its form: ``text`` (text), ``points`` (items),
    ``facts`` (caption, rows of name and value), ``table`` (caption, heads, rows and a layout as in `block.table`) or
    ``picture`` (alt, caption).
    """
    reviewed, sha256 = record.review.state != "unreviewed", model.sha256(record)
    report = {
        "title": words.heading(_test(record)),
        "id": Said(record.id),
        "issued": "" if record.issue is None else f"report {record.issue.number}, revision {record.issue.revision}",
        "mark": "" if reviewed else words.UNREVIEWED,
        "outcome": record.outcome,
        "word": words.outcome(record.outcome, reviewed=reviewed),
        "because": record.reasons[0] if record.reasons else "No reason was recorded.",
        "points": list(record.reasons[1:]),
        "decides": " ".join([words.SAFETY, words.DECIDES, *([] if reviewed else [words.NOBODY])]),
        "sections": [
            section("Photograph", [_picture(record, number) for number in range(len(record.photos))]),
            *([section("Section", cut.blocks(record))] if record.cut is not None else []),
            section("Features", _features(record)),
            section(
                "Cautions", [points([*map(words.sentence, record.cautions), words.ONE_PLANE if record.cut else words.BY_EYE])]
            ),
            section("Verdicts", _verdicts(record)),
            section("Limits as entered", _limits(record)),
            section("Specimen, as entered in the sheet", _specimen(record)),
            section("Examined area", [_examined(record, area) for area in record.examined]),
            section("Scale", [block for scale in record.scales for block in _scale(record, scale)]),
            section("Surface", _surface(record)),
            section("Uncertainty of the lengths", _lengths(record)),
            section("Method", _method()),
            section("Statement of the report", statement(record, house, sha256)),
            section("Provenance", provenance(record, sha256)),
        ],
        "hash": sha256,
        "date": recorded(record),
        "version": record.tool.version,
        "laboratory": laboratory(record, house),
        "logo": house.logo is not None,
        "language": house.language.code,
        "foot": dict(FOOT),
    }
    return house.language.report(cleaned(report), keep=KEPT)


def _specimen(record: Record) -> list[Block]:
    blocks = []
    for name in ("specimen", "bend", "scale", "weld", "validity", "observations", "section", "people", "order"):
        if table := record.sheet.get(name):
            rows = [[label, value] for label, value in words.entries(table)]
            blocks.append(facts(rows, caption=name))
    return blocks


def _picture(record: Record, number: int) -> Block:
    photo = record.photos[number]
    features = [feature for feature in record.features if feature.photo == photo.id]
    seen = "; ".join(f"{feature.id}: {_kind(feature)}" for feature in features[:MOST_IN_ALT]) or "no feature"
    if (more := len(features) - MOST_IN_ALT) > 0:
        seen += f"; and {more} more"
    return {
        "is": "picture",
        "number": number,
        "alt": f"Photograph of specimen {record.id} with the examined area, a scale bar and numbered outlines. {seen}.",
        "caption": f"{_of(record, photo.id)}{photo.file}, {photo.width_px} x {photo.height_px} px. "
        "Thin line: examined area, the rest dimmed. "
        "The bar's length holds where its note says. Struck out: rejected, not counted.",
    }


def _features(record: Record) -> list[Block]:
    if not record.features:
        return [text("No feature was found in the examined area. That nothing was found does not show that nothing is there.")]
    rows, notes, several = [], [], len(record.photos) > 1
    for feature in record.features:
        cells = [feature.id, _kind(feature)]
        for name in SIZES:
            value = plus_minus(getattr(feature, f"{name}_mm2" if name == "area" else f"{name}_mm"), _U(feature, name))
            cells.append(value or "–")
        corner = "–" if feature.at_corner is None else "yes" if feature.at_corner else "no"
        rows.append([*cells, corner, words.confidence(feature.confidence), feature.status, *([feature.photo] * several)])
        notes += [f"{feature.id}, {words.missing_name(name)}: {why}" for name, why in feature.missing.items()]
        if feature.may_be and feature.status == "proposed":
            others = " or ".join(words.kind(kind) for kind in feature.may_be)
            notes.append(f"{feature.id} may as well be {others}: the picture does not tell its kind surely")
        if feature.reason:
            notes.append(f"{feature.id} was {feature.status}: {feature.reason}")
        if feature.same_as:
            notes.append(
                f"{feature.id} and {feature.same_as} are one imperfection seen twice: counted once, at its larger size"
            )
    heads = ["no.", "kind", "length\nmm", "width\nmm", "area\nmm²", "clear distance\nmm", "at corner", "confidence", "status"]
    heads += ["photo"] * several
    caption = "Sizes on the developed surface ± expanded uncertainty, k = 2 (about 95 %). A dash: not obtained."
    blocks = [table(caption, heads, rows, numbers=(2, 3, 4, 5))]
    if notes:
        blocks.append(points(notes))
    return blocks


def _lengths(record: Record) -> list[Block]:
    """What the U of the greatest lengths is made of: a line for each source, a column for each feature."""
    counted = [feature for feature in record.features if feature.status != "rejected" and feature.budget]
    largest = sorted(counted, key=lambda feature: -(feature.length_mm or 0.0))[:MOST_BUDGETS]
    terms = {(term.source, term.basis): None for feature in largest for term in feature.budget}
    if not terms:
        return []
    rows = []
    for source, basis in terms:
        u = [next((t.contribution for t in f.budget if (t.source, t.basis) == (source, basis)), None) for f in largest]
        rows.append([source, *("–" if value is None else _small(value) for value in u), basis])
    heads = ["source", *(f"{feature.id}\nmm" for feature in largest), "basis"]
    numbers = tuple(range(1, len(largest) + 1))
    caption = (
        "Standard uncertainties of each length, k = 1; U is twice the root of the sum of their squares. The longest are shown."
    )
    return [table(caption, heads, rows, wide=len(largest) + 1, first=0.6, numbers=numbers)]


def _small(u_mm: float) -> str:
    return "below 0.0001" if u_mm < 1e-4 else figures(u_mm, 2)


def _verdicts(record: Record) -> list[Block]:
    if not record.verdicts:
        return [text("No limits were entered, so no verdict was formed.")]
    rows = []
    for verdict in record.verdicts:
        because = verdict.because
        if verdict.p_conform is not None and "probability" not in because:
            because += f" Probability of conformity: {_probability(verdict.p_conform)}."
        if verdict.features:
            because += f" Counted: {', '.join(verdict.features)}."
        rows.append([Said(verdict.name or verdict.rule), words.VERDICTS[verdict.outcome], because])
    return [table("Each rule's verdict and why", ["rule", "verdict", "because"], rows, wide=2, first=0.3)]


def _limits(record: Record) -> list[Block]:
    if record.limits is None:
        return [text("No limits were entered.")]
    head, rules = dict(record.limits.get("limits", {})), record.limits.get("rule", [])
    decision = str(head.pop("decision", ""))
    rows = [[name, value] for name, value in words.entries(head)]
    rows.append(["decision rule", words.DECISIONS.get(decision, decision or NOT_STATED)])
    units = {verdict.rule: verdict.unit for verdict in record.verdicts}
    entered = [
        [Said(rule.get("name") or rule.get("id")), Said(_compared(rule)), _limit(rule, units.get(rule.get("id"), ""))]
        for rule in rules
    ]
    return [
        facts(rows),
        table("Rules as entered by the user", ["rule", "what is compared", "limit"], entered, wide=1, first=0.4),
    ]


def _compared(rule: Mapping[str, Any]) -> str:
    told = ("id", "name", "test", "limit", "unit", "sense", "beyond", "must_be")
    rest = [f"{key.replace('_', ' ')} {_entry(value)}" for key, value in rule.items() if key not in told and value != []]
    return "; ".join([str(rule.get("test")), *rest])


def _entry(value: Any) -> str:
    if isinstance(value, list):
        return "every kind" if set(KINDS) <= set(value) else ", ".join(value)
    return words.entered(value)


def _limit(rule: Mapping[str, Any], unit: str) -> str:
    """The limit in the unit that its verdict was formed in; an observation has none but what it must be."""
    if rule.get("test") == "observation":
        return f"must be {words.entered(rule.get('must_be', True))}; otherwise: {rule.get('beyond', 'exceeds')}"
    limit = f"{rule.get('sense', '')} {words.entered(rule.get('limit', NOT_STATED))} {unit}".strip()
    return f"{limit}; beyond it: {rule.get('beyond', 'exceeds')}"


def _examined(record: Record, area: Examined) -> Block:
    found_by = {"auto": "the picture's own edges", "sheet": "the outline in the sheet"}
    calliper = record.sheet["specimen"].get("specimen_width_mm")

    def told(name: str, text: str | None, unit: str) -> str:
        return _with_unit(text, unit, area.missing.get(name))

    rows = [
        ["found by", found_by.get(area.found_by, area.found_by)],
        ["area", told("area_mm2", plus_minus(area.area_mm2, area.U_area_mm2), "mm²")],
        ["smallest size resolved", told("smallest_resolvable_mm", _figures(area.smallest_resolvable_mm, 2), "mm")],
        ["width between the edges", told("width_mm", plus_minus(area.width_mm, _twice(area.u_width_mm)), "mm")],
        ["width by calliper, as entered", NOT_STATED if calliper is None else words.entered(calliper, "mm")],
        ["confidence", words.confidence(area.confidence)],
        ["parts left out", words.entered(len(area.exclude_px))],
        ["parts where nothing could be seen", _unseen(area)],
    ]
    return facts(rows, caption=_of(record, area.photo) + _WHERE)


def _of(record: Record, photo: str) -> str:
    """Names the photograph where there are several."""
    return f"Photograph {photo}. " if len(record.photos) > 1 else ""


def _unseen(area: Examined) -> str:
    if not area.unseen:
        return "0"
    worst = max(area.unseen, key=lambda part: part.length_mm)
    return f"{len(area.unseen)}, the longest {_figures(worst.length_mm, 2)} mm ({worst.why})"


def _scale(record: Record, scale: Scale) -> list[Block]:
    mm_per_px = plus_minus(scale.mm_per_px, _twice(scale.mm_per_px and scale.mm_per_px * scale.u_rel))
    height = plus_minus(scale.surface_height_mm, _twice(scale.surface_height_u_mm))
    rows = [
        ["method", scale.method],
        [
            "scale at the centre of the examined area",
            _with_unit(mm_per_px, "mm per px (k = 2)", scale.missing.get("mm_per_px")),
        ],
        *budget.sums(scale.budget, scale.u_rel),
        ["tilt of the camera to the marker", f"{figures(scale.tilt_deg, 2)}°"],
        ["height of the surface over the marker", f"{height} mm (k = 2)"],
    ]
    return [
        facts(rows, caption=_of(record, scale.photo).strip()),
        table(
            _of(record, scale.photo) + budget.CAPTION,
            list(budget.HEADS),
            budget.rows(scale.budget),
            wide=budget.BASIS,
            first=0.8,
            numbers=budget.NUMBERS,
        ),
        facts(found.rows(scale.evidence, found.SCALE), caption=_of(record, scale.photo) + _FOUND),
    ]


def _surface(record: Record) -> list[Block]:
    blocks = []
    for surface in record.surfaces:
        rows = [
            ["shape", surface.shape],
            ["height over the marker", f"{figures(surface.height_mm)} mm"],
            ["outer radius", _of_shape(surface.radius_mm, surface.u_radius_mm, " mm")],
            ["bend angle", _of_shape(surface.angle_deg, None, "°")],
            ["direction of the axis on the marker's plane", _of_shape(surface.direction_deg, surface.u_direction_deg, "°")],
            ["place of the crown across the axis, U (k = 2)", _of_shape(_twice(surface.u_crown_mm) or None, None, " mm")],
            ["rounding of the long edges", _of_shape(surface.edge_radius_mm, surface.u_edge_radius_mm, " mm")],
            *([f"basis of the {name}", why] for name, why in surface.basis.items()),
        ]
        blocks.append(facts([row for row in rows if row[1]], caption=_of(record, surface.photo).strip()))
        blocks.append(facts(found.rows(surface.evidence, found.SURFACE), caption="What it rests on"))
    return blocks


def _of_shape(value: float | None, u: float | None, unit: str) -> str:
    return "" if value is None else f"{plus_minus(value, _twice(u))}{unit}" + (" (k = 2)" if u else "")


def _method() -> list[Block]:
    return [
        points(
            [
                "Length: the greatest straight extent in any direction, tip to tip, on the developed (unrolled) surface.",
                "Width: the greatest thickness across. Clear distance: to the next feature. Both on the developed surface.",
                "Outlines lie at the half-level of the edge in linear light. Features were proposed by the program.",
                "Uncertainties follow JCGM 100 (GUM); U is expanded with k = 2 and combines edge location, scale, shape of the "
                "surface and tilt. Comparison with limits uses unrounded values.",
                "Confidence: sure from 0.9, likely from 0.6, else doubtful.",
                "Every number can be recomputed from the outlines, scale and surface stored in record.json.",
            ]
        )
    ]


def _test(record: Record) -> str:
    return str(record.sheet["specimen"].get("test", "specimen"))


def _kind(feature: Feature) -> str:
    text = words.kind(feature.kind)
    if feature.cause:
        basis = f", {feature.cause_basis.replace('-', ' ')}" if feature.cause_basis else ""
        text += f" (likely cause: {words.kind(feature.cause)}{basis})"
    return text


def _U(feature: Feature, name: str) -> float | None:
    return getattr(feature, "U_area_mm2" if name == "area" else f"U_{name}_mm")


def _twice(u: float | None) -> float | None:
    return None if u is None else 2 * u


def _figures(value: float | None, digits: int) -> str | None:
    return None if value is None else figures(value, digits)


def _with_unit(text: str | None, unit: str, why: str | None) -> str:
    return f"{text} {unit}" if text is not None else f"not measured: {why}" if why else "not measured"


def _probability(p: float) -> str:
    return "above 99.9 %" if p > 0.999 else "below 0.1 %" if p < 0.001 else f"{100 * p:.1f} %"


def cleaned(value: Any) -> Any:
    """Texts whose invisible characters are written out."""
    if isinstance(value, str):
        clean = "\n".join(words.shown(line) for line in value.split("\n"))
        return Said(clean) if isinstance(value, Said) else clean
    if isinstance(value, dict):
        return {key: cleaned(item) for key, item in value.items()}
    if isinstance(value, list):
        return [cleaned(item) for item in value]
    return value
