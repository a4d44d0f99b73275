"""An agreement study: what several people said of the same things, as sections for a page and a print."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd

from specimeter.errors import LibraryError
from specimeter.library import gauge, kappa
from specimeter.library.bias import bias, share_interval
from specimeter.library.plot import Plot
from specimeter.report import words

TITLE = "Agreement study"
FEW = 30  # items below which an interval is too wide to say much


@dataclass(kw_only=True)
class Section:
    """A heading with what stands under it: ("text", words), ("table", caption, heads, rows), ("plot", Plot, caption)."""

    heading: str
    blocks: list[tuple] = field(default_factory=list)

    def text(self, words: str) -> None:
        self.blocks.append(("text", words))

    def table(self, caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        self.blocks.append(("table", caption, list(heads), [list(row) for row in rows]))

    def plot(self, plot: Plot, caption: str) -> None:
        self.blocks.append(("plot", plot, caption))


def study(calls: pd.DataFrame, sizes: pd.DataFrame) -> list[Section]:
    """The whole study of two tables as `specimeter.library.calls` gives them."""
    if calls.empty and sizes.empty:
        raise LibraryError(
            "there is nothing to compare", expected="verdicts, kinds or sizes of the same things by several people"
        )
    raters = sorted({*calls["rater"], *sizes["rater"]})
    items = len({*calls["item"], *(str(item).split(".")[0] for item in sizes["item"])})
    head = Section(heading="What was compared")
    who = "person" if len(raters) == 1 else "people"
    head.text(f"{len(raters)} {who}, {items} things, {len(calls)} calls, {len(sizes)} sizes. People: {', '.join(raters)}.")
    if items < FEW:
        head.text(f"With fewer than {FEW} things the intervals are wide: they say how little is known yet.")
    head.text(
        "Kappa is agreement beyond chance: 1 is full, 0 is as by chance. Intervals are 95 %; an undefined kappa is left out."
    )
    sections = [head]
    if calls["verdict"].notna().any():
        sections += [_verdicts(calls), _repeats(calls)]
        if calls["reference"].notna().any():
            sections.append(_against(calls))
    if calls["kinds"].notna().any() and len(raters) > 1:
        sections.append(_kinds(calls))
    if sizes["reference_mm"].notna().any():
        sections.append(_bias(sizes))
    if len(sizes):
        sections.append(_gauge(sizes))
    return sections


def _first(calls: pd.DataFrame, column: str) -> pd.DataFrame:
    """Items by raters, each rater's first call; only items that every rater called."""
    own = calls[(calls["repeat"] == calls.groupby(["item", "rater"])["repeat"].transform("min")) & calls[column].notna()]
    return own.pivot(index="item", columns="rater", values=column).dropna()


def _verdicts(calls: pd.DataFrame) -> Section:
    section = Section(heading="Accept or reject, between people")
    wide = _first(calls, "verdict")
    if wide.shape[1] < 2 or not len(wide):
        section.text("No two people gave a verdict on the same things.")
        return section
    names = sorted({*np.unique(wide.to_numpy(str))})
    rows = []
    for one, other in combinations(wide.columns, 2):
        rows.append([f"{one} and {other}", *_kappa_cells(kappa.of_two(list(wide[one]), list(wide[other]), names))])
    section.table("Cohen's kappa of each two", ["people", "kappa", "95 % interval", "agreed", "by chance", "things"], rows)
    if wide.shape[1] > 2:
        counts = np.array([[(wide.loc[item] == name).sum() for name in names] for item in wide.index])
        section.table(
            "Fleiss' kappa of all",
            ["people", "kappa", "95 % interval", "agreed", "by chance", "things"],
            [[f"all {wide.shape[1]}", *_kappa_cells(kappa.fleiss(counts))]],
        )
    return section


def _repeats(calls: pd.DataFrame) -> Section:
    section = Section(heading="The same person again")
    rows = []
    for name, own in calls[calls["verdict"].notna()].groupby("rater"):
        wide = own[own["repeat"] <= 2].pivot(index="item", columns="repeat", values="verdict").dropna()
        if wide.shape[1] == 2 and len(wide):
            rows.append([str(name), *_kappa_cells(kappa.of_two(list(wide.iloc[:, 0]), list(wide.iloc[:, 1])))])
    if rows:
        heads = ["person", "kappa", "95 % interval", "agreed", "by chance", "things"]
        section.table("First call against second call, blind", heads, rows)
    else:
        section.text(
            "Nobody called the same thing twice: no word on repeatability. Put pictures in twice, under another number."
        )
    return section


def _against(calls: pd.DataFrame) -> Section:
    section = Section(heading="Against the reference")
    own = calls[calls["verdict"].notna() & calls["reference"].notna()]
    rows, missed, false, names = [], [], [], []
    for name, said in own.groupby("rater"):
        bad, good = said[said["reference"] == "reject"], said[said["reference"] == "accept"]
        wrong_bad, wrong_good = int((bad["verdict"] == "accept").sum()), int((good["verdict"] == "reject").sum())
        found = kappa.of_two(list(said["verdict"]), list(said["reference"]), ["accept", "reject"])
        rows.append([str(name), _share(wrong_bad, len(bad)), _share(wrong_good, len(good)), *_kappa_cells(found)[:2]])
        names.append(str(name))
        missed.append(wrong_bad / len(bad) if len(bad) else 0.0)
        false.append(wrong_good / len(good) if len(good) else 0.0)
    heads = ["person", "accepted, to be rejected", "rejected, to be accepted", "kappa", "95 % interval"]
    section.table("Missed rejects and false rejects, with 95 % intervals of Wilson", heads, rows)
    plot = Plot(
        "Missed and false rejects", (-0.6, len(names) - 0.4), (0, max(0.2, *missed, *false)), names=names, y_title="share wrong"
    )
    plot.bars(missed, 0, 2)
    plot.bars(false, 1, 2)
    plot.legend(["missed rejects", "false rejects"])
    section.plot(plot, "Shares of wrong verdicts by person.")
    return section


def _kinds(calls: pd.DataFrame) -> Section:
    section = Section(heading="Each kind")
    wide = _first(calls, "kinds")
    if wide.shape[1] < 2 or not len(wide):
        section.text("No two people named kinds in the same things.")
        return section
    rows = []
    for kind in sorted({kind for cell in wide.to_numpy(str).ravel() for kind in cell.split(";") if kind}):
        said = wide.map(lambda cell, kind=kind: kind in str(cell).split(";")).to_numpy(bool)
        counts = np.column_stack([said.sum(1), (~said).sum(1)])
        rows.append([words.kind(kind), f"{said.any(1).sum()}", *_kappa_cells(kappa.fleiss(counts))[:2]])
    section.table(
        "Whether the kind is in the picture: Fleiss' kappa of all", ["kind", "named in", "kappa", "95 % interval"], rows
    )
    return section


def _bias(sizes: pd.DataFrame) -> Section:
    section = Section(heading="Sizes against the reference")
    own = sizes[sizes["reference_mm"].notna()]
    rows = []
    for name, said in [*own.groupby("rater"), ("all", own)]:
        told = bias(said["value_mm"], said["reference_mm"])
        if told.mean is None or told.low is None or told.high is None:
            rows.append([str(name), str(told.number), "–", "–", "–"])
            continue
        limits = f"{_signed(told.low)} to {_signed(told.high)} (± {told.limit_half:.2f})"
        rows.append([str(name), str(told.number), f"{_signed(told.mean)} ± {told.mean_half:.2f}", f"{told.sd:.2f}", limits])
    heads = ["person", "sizes", "bias, mm", "sd, mm", "limits of agreement, mm"]
    section.table("Given minus reference (Bland and Altman 1986); ± is half a 95 % interval", heads, rows)
    given, true = own["value_mm"].to_numpy(float), own["reference_mm"].to_numpy(float)
    means, apart = (given + true) / 2, given - true
    reach = max(0.2, float(np.abs(apart).max()) * 1.1)
    plot = Plot(
        "Differences over sizes",
        (0, float(means.max()) * 1.05),
        (-reach, reach),
        x_title="mean of both, mm",
        y_title="difference, mm",
    )
    for row, (_, said) in enumerate(own.groupby("rater")):
        value, truth = said["value_mm"].to_numpy(float), said["reference_mm"].to_numpy(float)
        plot.dots((value + truth) / 2, value - truth, row)
    told = bias(given, true)
    if told.mean is not None and told.high is not None and told.low is not None:
        plot.level(told.mean, "bias", "axis")
        plot.level(told.high, "limit of agreement")
        plot.level(told.low)
    section.plot(plot, "Each dot is one size; a colour is a person.")
    return section


def _gauge(sizes: pd.DataFrame) -> Section:
    section = Section(heading="Gauge study")
    given = sizes.rename(columns={"item": "part", "rater": "appraiser", "repeat": "trial", "value_mm": "value"})
    frame, why = _balanced(given)
    if frame is None:
        section.text(f"No gauge study: {why}")
        return section
    names = (sorted(frame["part"].unique(), key=_natural), sorted(frame["appraiser"].unique()))
    frame["part"] = frame["part"].map(names[0].index)
    values = gauge.readings(frame)
    section.text(f"{values.shape[0]} parts, {values.shape[1]} people, {values.shape[2]} trials each.{why}")
    both = [gauge.by_ranges(values, names), gauge.by_variances(values)]
    rows = []
    for name, says in (
        ("EV", "repeatability: the same person again"),
        ("AV", "reproducibility: another person"),
        ("GRR", "both together"),
        ("PV", "between parts"),
        ("TV", "total"),
    ):
        cells = [f"{getattr(one, name):.4g} ({one.percent.get(name, 100.0):.1f} %)" for one in both]
        rows.append([name, says, *cells])
    ndc = ["–" if one.ndc is None else f"{one.ndc} ({one.ndc_exact:.2f})" for one in both]
    rows.append(["ndc", "distinct categories, cut to a whole number", *ndc])
    section.table(
        "Standard deviations, mm, and % study variation (of TV; they do not add to 100)",
        ["", "", "average and range", "ANOVA"],
        rows,
    )
    variances = both[1]
    lines = []
    for line in variances.table:
        cells = ["–" if line[name] is None else f"{line[name]:.4g}" for name in ("df", "ss", "ms", "F")]
        p = line["p"]
        cells.append("–" if p is None else "< 0.001" if float(p) < 0.001 else f"{p:.3f}")
        lines.append([str(line["source"]), *cells])
    pooled = "taken into repeatability" if variances.pooled else "kept apart"
    section.table(f"Analysis of variance; the interaction was {pooled}", ["source", "df", "SS", "MS", "F", "p"], lines)
    if both[0].beyond:
        section.text(
            f"Ranges beyond {both[0].range_limit:.3g} mm: {'; '.join(both[0].beyond)}. Look at them before you trust the rest."
        )
    means = values.mean(2)
    low, high = float(values.min()), float(values.max())
    shown = names[0] if len(names[0]) <= 12 else ()
    across = (-0.5, values.shape[0] - 0.5)
    plot = Plot("Each person's mean of each part", across, (low, high), names=shown, x_title="part", y_title="mean, mm")
    for row, _ in enumerate(names[1]):
        plot.dots(range(values.shape[0]), means[:, row], row, joined=True)
    plot.legend(names[1][:4])
    section.plot(plot, "Lines that lie apart show people who read otherwise; lines that cross, an interaction.")
    return section


def _balanced(frame: pd.DataFrame) -> tuple[pd.DataFrame | None, str]:
    """The largest part of the readings in which every person reads every part equally often; else None and why not."""
    counts = frame.pivot_table(index="part", columns="appraiser", values="value", aggfunc="count", fill_value=0)
    if counts.shape[1] < 2:
        return None, "one person alone has no reproducibility."
    trials = int(counts[(counts > 1).all(axis=1)].min(axis=None)) if (counts > 1).all(axis=1).any() else 0
    parts = counts.index[(counts >= max(trials, 2)).all(axis=1)]
    if trials < 2 or len(parts) < 2:
        return None, "it needs at least two things that everybody sized at least twice."
    kept = frame[frame["part"].isin(parts)].copy()
    kept["trial"] = kept.groupby(["part", "appraiser"]).cumcount() + 1
    left = len(counts) - len(parts)
    return kept[
        kept["trial"] <= trials
    ], f" {left} things were left out: not everybody sized them {trials} times." if left else ""


def _natural(name: str) -> list:
    """So that part 10 comes after part 9."""
    return [(0, int(piece), "") if piece.isdigit() else (1, 0, piece) for piece in re.split(r"(\d+)", str(name)) if piece]


def _kappa_cells(found: kappa.Kappa) -> list[str]:
    agreed = [_percent(found.observed), _percent(found.expected), str(found.items)]
    if found.value is None:
        return ["–", found.missing, *agreed]
    interval = "–"
    if found.low is not None and found.high is not None:
        interval = f"{_signed(max(found.low, -1.0))} to {_signed(min(found.high, 1.0))}"
    return [_signed(found.value), interval, *agreed]


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{100 * share:.0f} %"


def _share(wrong: int, of: int) -> str:
    interval = share_interval(wrong, of)
    if interval is None:
        return "none such"
    return f"{wrong} of {of} ({100 * interval[0]:.0f} to {100 * interval[1]:.0f} %)"


def _signed(value: float) -> str:
    return f"{value:.2f}".replace("-", "−")
