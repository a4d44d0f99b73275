"""From many scenes' results to the rows of the table: what, its goal, what specimeter reached, what the plain pipeline did."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

Result = dict[str, Any]
CLASSES_MM = ((0.3, 0.5), (0.5, 1.0), (1.0, 3.0), (3.0, np.inf))
FAIR_MM, FAIR_PX = 0.5, 8.0  # what must be found: as long as this in both
SIZED_MM = 1.0  # sizes are compared for features from this length on
BAND_MM, BAND_SHARE = 0.1, 0.05  # a true value further than both from its limit lies outside the guard band


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line of the table, as text; `n` says of how many."""

    what: str
    goal: str = ""
    specimeter: str = "-"
    plain: str = ""
    n: str = ""


def rows(results: Sequence[Result]) -> list[Row]:
    """All rows, in the order in which they are printed."""
    done = [result for result in results if result["error"] is None]
    table = [
        Row(
            what="photographs that ended in an error",
            goal="none",
            specimeter=str(len(results) - len(done)),
            n=f"{len(results)}",
        )
    ]
    if done:
        table += [*scale_rows(done), *area_rows(done), *finding_rows(done), *size_rows(done), *_verdicts(done), *_times(done)]
    return table


def failures(results: Iterable[Result]) -> list[tuple[int, str]]:
    """How often each error ended a scene, the most frequent first."""
    errors = (result["error"] for result in results if result["error"])
    return [(n, text) for text, n in Counter(f"{e['stage']}: {e['type']}: {e['message']}" for e in errors).most_common()]


def spread(values: Iterable[float], *, unit: float = 1.0, digits: int = 2) -> str:
    """Median / 95th percentile / greatest of the absolute values."""
    sizes = np.abs(np.fromiter(values, float)) * unit
    if not len(sizes):
        return "-"
    return " / ".join(f"{value:.{digits}f}" for value in (*np.percentile(sizes, [50, 95]), sizes.max()))


def share(holds: Iterable[bool]) -> tuple[str, str]:
    """A share as text, and of how many."""
    holds = list(holds)
    return (f"{np.mean(holds):.3f}" if holds else "-"), str(len(holds))


def recalled(features: Iterable[Result]) -> tuple[str, str]:
    """Share of true features that were found, and of how many."""
    return share(feature["found"] is not None for feature in features)


def covered(true: Iterable[float], measured: Iterable[float], U: Iterable[float]) -> tuple[str, str]:
    """Share of true values within U of the measured ones, and of how many."""
    return share(abs(m - t) <= u for t, m, u in zip(true, measured, U, strict=True))


def scale_rows(done: Sequence[Result]) -> list[Row]:
    """Error and interval of the scale, of all and of each kind of card, height and tilt."""
    table = []
    groups: dict[str, list[Result]] = {"all": [result["scale"] for result in done]}
    for scale in groups["all"]:
        height = f", height {scale['height']}" if scale.get("height") else ""
        groups.setdefault(f"{scale['method']}{height}", []).append(scale)
        groups.setdefault("tilt to 15 deg" if scale["tilt_deg"] <= 15 else "tilt above 15 deg", []).append(scale)
    for name, scales in groups.items():
        text, n = spread((s["error"] for s in scales if s["error"] is not None), unit=100), str(len(scales))
        table.append(
            Row(what=f"scale error, %, {name} (median / p95 / worst)", goal="at most 0.2", specimeter=text, plain="given", n=n)
        )
    lost = sum(s["error"] is None for s in groups["all"])
    text, n = share(s["error"] is not None and abs(s["error"]) <= 2 * s["u_rel"] for s in groups["all"])
    beyond = [s for s in groups["all"] if s["error"] is not None and abs(s["error"]) > 3 * 2 * s["u_rel"]]
    unsaid = f"{sum(not s['said'] for s in beyond)} ({len(beyond)} with those said)"
    return [
        *table,
        Row(what="scale off by more than 3 U and no caution said", goal="none", specimeter=unsaid, n=n),
        Row(what="crown not on the surface found (left out above, missed below)", goal="none", specimeter=str(lost), n=n),
        Row(what="scale within its 95 % interval", goal="0.93 to 0.99", specimeter=text, n=n),
    ]


def area_rows(done: Sequence[Result]) -> list[Row]:
    """How near examined areas come to the true ones."""
    areas = [result["area"] for result in done]
    near = share(a["area_mm2"] is not None and abs(a["area_mm2"] / a["true_mm2"] - 1) <= 0.05 for a in areas)
    overlap = share(a["overlap"] >= 0.9 for a in areas)
    edges = share(a["edges"] > 0 for a in areas)
    return [
        Row(what="examined area within 5 % of the true one", goal="at least 0.9", specimeter=near[0], plain="given", n=near[1]),
        Row(
            what="examined area overlaps the true one by 0.9 or more (IoU)", specimeter=overlap[0], plain="given", n=overlap[1]
        ),
        Row(what="edges of the specimen known", specimeter=edges[0], n=edges[1]),
    ]


def fair(feature: Result) -> bool:
    """Whether a true feature is long enough to be asked for."""
    return feature["length_mm"] >= FAIR_MM and feature["length_px"] >= FAIR_PX


def _between(low: float, high: float, feature: Result) -> bool:
    return low <= feature["length_mm"] < high


def finding_rows(done: Sequence[Result]) -> list[Row]:
    """Recall by size, false calls, kinds."""
    table = []
    true = {key: [f for result in done for f in result[key] if not f["cut"]] for key in ("truth", "plain_truth")}
    wanted: list[tuple[str, Callable[[Any], bool]]] = [
        ("0.5 mm and 8 px or more", lambda f: f["length_mm"] >= FAIR_MM and f["length_px"] >= FAIR_PX)
    ]
    for low, high in CLASSES_MM:
        name = f"{low:g} to {high:g} mm" if np.isfinite(high) else f"over {low:g} mm"
        wanted.append((name, partial(_between, low, high)))
    for name, fits in wanted:
        (ours, n), (plain, _) = (recalled(filter(fits, true[key])) for key in ("truth", "plain_truth"))
        goal = "at least 0.95" if fits is wanted[0][1] else ""
        table.append(Row(what=f"recall, {name}", goal=goal, specimeter=ours, plain=plain, n=n))
    for name, scenes in (("photograph", done), ("clean photograph", [result for result in done if result["clean"]])):
        if scenes:
            our, their = (
                float(np.mean([len(result[key]) for result in scenes])) for key in ("false_calls", "plain_false_calls")
            )
            what, n = f"false calls a {name}", str(len(scenes))
            table.append(Row(what=what, goal="at most 0.5", specimeter=f"{our:.2f}", plain=f"{their:.1f}", n=n))
    found = [(f["kind"], f["found"]["kind"]) for f in true["truth"] if f["found"] is not None]
    text, n = share(true_kind == kind for true_kind, kind in found)
    table.append(Row(what="kind named right", goal="at least 0.9", specimeter=text, plain="-", n=n))
    corner = [(f["at_corner"], f["found"]["at_corner"]) for f in true["truth"] if f["found"] is not None]
    text, n = share(a == b for a, b in corner)
    return [*table, Row(what="at a corner or not: told right", specimeter=text, n=n)]


def size_rows(done: Sequence[Result]) -> list[Row]:
    """Errors and intervals of lengths, widths and areas."""
    table = []
    for name in ("length_mm", "width_mm", "area_mm2"):
        texts: dict[str, list[str]] = {}
        count = {}
        for key in ("truth", "plain_truth"):
            pairs = measured(done, key, name)
            true, got, U = pairs.T
            count[key] = len(pairs)
            texts[key] = [
                spread(got / true - 1, unit=100, digits=1),
                spread(got - true, digits=3),
                f"{100 * np.median(got / true - 1):+.1f}" if len(pairs) else "-",
                covered(true, got, U)[0],
            ]
        unit = "mm\N{SUPERSCRIPT TWO}" if name == "area_mm2" else "mm"
        label, n = name.split("_")[0], str(count["truth"])
        goal = "at most 2.0 / 5.0" if label == "length" else ""
        whats = (
            (
                f"{label} error, %, from {SIZED_MM:g} mm (median / p95 / worst)",
                "at most 2.0 / 5.0" if label == "length" else "",
            ),
            (f"{label} error, {unit} (median / p95 / worst)", ""),
            (f"{label} bias, % (median)", ""),
            (f"{label} within its 95 % interval", "0.93 to 0.99"),
        )
        for (what, goal), ours, plain in zip(whats, texts["truth"], texts["plain_truth"], strict=True):
            table.append(Row(what=what, goal=goal, specimeter=ours, plain=plain, n=n))
        if label == "length":
            true, got, _ = measured(done, "truth", name).T
            text, n = share(abs(got - true) <= np.maximum(0.1, 0.05 * true))
            table.append(
                Row(what="length error within the larger of 0.1 mm and 5 %", goal="at least 0.95", specimeter=text, n=n)
            )
    return table


def measured(done: Sequence[Result], key: str, name: str) -> np.ndarray:
    """True value, measured value and U of one size, shape (N, 3), of features found that are long enough to compare."""
    return np.array(
        [
            (f[name], f["found"][name], f["found"][f"U_{name}"])
            for result in done
            for f in result[key]
            if not f["cut"] and f["length_mm"] >= SIZED_MM and f["found"] is not None and f["found"][name] is not None
        ],
        float,
    ).reshape(-1, 3)


def _verdicts(done: Sequence[Result]) -> list[Row]:
    texts = []
    for key in ("verdicts", "plain_verdicts"):
        verdicts = [verdict for result in done for verdict in result[key]]
        clear = [v for v in verdicts if outside_guard_band(v)]
        texts.append(
            (
                f"{sum(map(wrong, clear))} of {len(clear)}",
                f"{sum(map(wrong, verdicts))} of {len(verdicts)}",
                share(v["got"] == "undecided" for v in verdicts)[0],
                share(v["got"] == "not-measured" for v in verdicts)[0],
            )
        )
    whats = (
        ("wrong verdicts (within for exceeds or the reverse), outside the guard band", "none"),
        ("wrong verdicts, all", ""),
        ("verdicts undecided", ""),
        ("verdicts not measured", ""),
    )
    return [Row(what=w, goal=g, specimeter=o, plain=p) for (w, g), o, p in zip(whats, *texts, strict=True)]


def wrong(verdict: Result) -> bool:
    """Whether `within` was said for `exceeds`, or the reverse."""
    return {verdict["true"], verdict["got"]} == {"within", "exceeds"}


def outside_guard_band(verdict: Result) -> bool:
    """Whether the true value lies further from its limit than the larger of 0.1 mm and 5 %."""
    if verdict["limit"] is None:
        return False
    value = 0.0 if verdict["true_value"] is None else verdict["true_value"]
    return abs(value - verdict["limit"]) > max(BAND_MM, BAND_SHARE * abs(verdict["limit"]))


def _times(done: Sequence[Result]) -> list[Row]:
    names = list(dict.fromkeys(name for result in done for name in result["times_s"]))
    return [
        Row(
            what=f"time: {name}, s (median)",
            specimeter=f"{np.median([result['times_s'].get(name, 0.0) for result in done]):.2f}",
            n=str(len(done)),
        )
        for name in names
    ]
