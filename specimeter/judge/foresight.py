"""What a test can be expected to show: cautions where it shows what is sought only in part, and causes worth looking into."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from functools import cache

from specimeter.data import shared
from specimeter.judge.wording import kind_words, listed
from specimeter.measure.feature import Feature
from specimeter.sheet import Sheet, Weld

IMPERFECTIONS = {  # of the table of tests, for kinds that are coarser than its lines
    "crack": ("longitudinal-crack", "transverse-crack"),
    "lack-of-fusion": ("lack-of-sidewall-fusion", "lack-of-inter-run-fusion", "lack-of-root-fusion"),
}
NAMES = {
    "longitudinal-crack": "a crack along the weld",
    "transverse-crack": "a crack across the weld",
    "pore": "porosity",
    "elongated-cavity": "an elongated cavity",
    "fisheye": "a fisheye",
    "crack": "a crack",
}
TESTS = {"macro-butt": "a macro section", "macro-fillet": "a macro section", "charpy": "", "tensile": ""}
FILLET = ("fillet-break", "macro-fillet")
MOST_CAUSES = 3
WELD = {  # entries of the sheet that stand beside the causes, with their units
    "process": "", "position": "", "filler": "", "shielding_gas": "", "current_A": "A", "voltage_V": "V",
    "travel_speed_mm_s": "mm/s", "heat_input_kJ_mm": "kJ/mm", "preheat_C": "degrees C", "interpass_C": "degrees C",
    "bevel_deg": "degrees", "root_gap_mm": "mm", "root_face_mm": "mm",
}  # fmt: skip


def cautions(sheet: Sheet, features: Sequence[Feature]) -> tuple[str, ...]:
    """What the reader must be told of the test's reach, from ``shared/test_coverage.csv`` and ``shared/causes.csv``.

    For each imperfection that the sheet says is sought and that this test shows only in part or not at all, one sentence with
    the reason and the tests that show it. For each kind or cause among the features that are not rejected, what commonly leads
    to it, with the sheet's welding parameters: worth looking into, never a finding.
    """
    told = [sentence for kind in dict.fromkeys(sheet.specimen.sought) for sentence in _reach(sheet.specimen.test, kind)]
    return (*dict.fromkeys(told), *_causes(sheet.weld, features))


def _reach(test: str, kind: str) -> list[str]:
    told = []
    for imperfection in IMPERFECTIONS.get(kind, (kind,)):
        line = _coverage().get((test, imperfection))
        if line is None or line["capability"] == "yes":
            continue
        shows = "shows it only in part" if line["capability"] == "partial" else "does not show it"
        why = f" ({line['note']})" if line["note"] else ""
        better = [
            _a(other)
            for (other, shown), entry in _coverage().items()
            if shown == imperfection and entry["capability"] == "yes" and (other in FILLET) == (test in FILLET) and _a(other)
        ]
        sentence = f"Sought is {_name(imperfection)}, and {_a(test)} {shows}{why}: its absence here is no evidence."
        told.append(f"{sentence} {_capital(_either(better))} shows it." if better else sentence)
    return told


def _causes(weld: Weld | None, features: Sequence[Feature]) -> list[str]:
    by_kind: dict[str, list[str]] = {}
    for feature in features:
        for kind in dict.fromkeys((feature.kind, feature.cause)):
            if feature.status != "rejected" and kind not in (None, "opening", "other"):
                by_kind.setdefault(kind, []).append(feature.id)
    beside = [] if weld is None else [_entry(weld, key, unit) for key, unit in WELD.items() if getattr(weld, key) is not None]
    told = []
    for kind, ids in by_kind.items():
        causes = [line["cause"] for line in _table("causes.csv") if line["kind"] == kind][:MOST_CAUSES]
        if causes:
            sentence = f"Worth looking into, not a finding: {_name(kind)} ({listed(ids, most=4)}) commonly comes of "
            told.append(sentence + "; or ".join(causes) + "." + (f" The sheet says: {', '.join(beside)}." if beside else ""))
    return told


@cache
def _table(name: str) -> tuple[dict[str, str], ...]:
    with (shared() / name).open(encoding="utf-8-sig", newline="") as stream:
        return tuple(csv.DictReader(stream))


@cache
def _coverage() -> dict[tuple[str, str], dict[str, str]]:
    return {(line["test"], line["imperfection"]): line for line in _table("test_coverage.csv")}


def _entry(weld: Weld, key: str, unit: str) -> str:
    value = getattr(weld, key)
    name = key
    for suffix in ("_mm_s", "_kJ_mm", "_mm", "_deg", "_A", "_V", "_C"):
        name = name.removesuffix(suffix)
    shown = f"{value:g} {unit}" if isinstance(value, float) else str(value)
    return f"{name.replace('_', ' ')} {shown}"


def _name(imperfection: str) -> str:
    return NAMES.get(imperfection, kind_words(imperfection))


def _a(test: str) -> str:
    return TESTS.get(test, f"a {test}" if test.endswith("-break") else f"a {test.replace('-', ' ')}")


def _either(names: Sequence[str]) -> str:
    names = list(dict.fromkeys(names))
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
