"""Gauge repeatability and reproducibility: the same parts measured by the same people several times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from specimeter.errors import LibraryError

POOLED_FROM = 0.25  # p of the interaction from which it is taken into repeatability (usual in AIAG MSA practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """Standard deviations in the readings' unit: `EV` repeatability, `AV` reproducibility, `GRR` both, `PV` parts, `TV` all.

    `percent` is of TV (%study variation: they do not add to 100). `ndc` is 1.41 PV / GRR cut to a whole number, None where
    GRR is 0. `method` is "average and range" or "ANOVA"; `table` holds its lines, `pooled` tells of its interaction.
    """

    method: str
    EV: float
    AV: float
    GRR: float
    PV: float
    TV: float
    percent: Mapping[str, float]
    ndc: int | None
    ndc_exact: float | None
    parts: int
    appraisers: int
    trials: int
    table: tuple[Mapping[str, float | str | None], ...] = ()
    pooled: bool | None = None
    range_limit: float | None = None
    beyond: tuple[str, ...] = ()  # ranges above the limit: appraiser and part


def readings(frame: pd.DataFrame) -> np.ndarray:
    """Readings as an array (parts, appraisers, trials) from columns part, appraiser, trial, value.

    Raises
    ------
    LibraryError
        A reading is missing, twice there or not a number, or there are fewer than 2 parts, appraisers or trials.
    """
    for name in ("part", "appraiser", "trial", "value"):
        if name not in frame.columns:
            raise LibraryError(f"the readings have no column called {name}", expected="part, appraiser, trial, value")
    if frame.duplicated(["part", "appraiser", "trial"]).any():
        raise LibraryError("a reading of one part, appraiser and trial is there twice")
    wide = frame.pivot(index="part", columns=["appraiser", "trial"], values="value")
    parts, people, trials = (frame[name].nunique() for name in ("part", "appraiser", "trial"))
    if min(parts, people, trials) < 2:
        raise LibraryError(f"there are {parts} parts, {people} appraisers, {trials} trials", expected="at least 2 of each")
    if wide.shape[1] != people * trials or not np.isfinite(wide.to_numpy(float)).all():
        raise LibraryError(
            "a reading is missing", expected="each appraiser reads each part in each trial", mend="leave that part out"
        )
    ordered = wide.sort_index(axis=1)
    return ordered.to_numpy(float).reshape(parts, people, trials)


def by_ranges(values: np.ndarray, names: tuple[list[str], list[str]] | None = None) -> Gauge:
    """The average-and-range method.

    Parameters
    ----------
    values : numpy.ndarray, shape (parts, appraisers, trials)
    names : tuple of lists, optional
        Of the parts and of the appraisers, for what is told of ranges beyond their limit.

    References
    ----------
    .. [1] AIAG, Measurement Systems Analysis, 4th edition: gauge R&R, average and range. K1, K2, K3 are 1 / d2*; here they are
       computed from the distribution of the range of normal values, so that any number of parts and trials has its own.
    """
    parts, people, trials = values.shape
    ranges = np.ptp(values, axis=2)
    mean_range = float(ranges.mean())
    d2, d3 = _range_of_normal(trials)
    EV = mean_range / d2
    spread = float(np.ptp(values.mean(axis=(0, 2))))
    AV = float(np.sqrt(max((spread / _d2_star(people)) ** 2 - EV**2 / (parts * trials), 0.0)))
    PV = float(np.ptp(values.mean(axis=(1, 2)))) / _d2_star(parts)
    limit = mean_range * (1 + 3 * d3 / d2)
    beyond = []
    for part, person in zip(*np.nonzero(ranges > limit), strict=True):
        who = names[1][person] if names else str(person + 1)
        what = names[0][part] if names else str(part + 1)
        beyond.append(f"{who}, part {what}")
    return _gauge("average and range", EV, AV, PV, values.shape, range_limit=limit, beyond=tuple(beyond))


def by_variances(values: np.ndarray) -> Gauge:
    """Two-way analysis of variance with parts and appraisers at random; a negative component of variance counts as 0.

    The interaction is tested against repeatability and taken into it where p is above 0.25. The F of parts and appraisers
    are against the interaction, or, where that was pooled, against the pooled repeatability.

    References
    ----------
    .. [1] AIAG, Measurement Systems Analysis, 4th edition: gauge R&R, ANOVA.
    """
    parts, people, trials = values.shape
    mean = values.mean()
    by_part, by_person, by_both = values.mean((1, 2)), values.mean((0, 2)), values.mean(2)
    ss = {
        "part": people * trials * ((by_part - mean) ** 2).sum(),
        "appraiser": parts * trials * ((by_person - mean) ** 2).sum(),
        "interaction": trials * ((by_both - by_part[:, None] - by_person[None] + mean) ** 2).sum(),
        "equipment": ((values - by_both[..., None]) ** 2).sum(),
    }
    df = {
        "part": parts - 1,
        "appraiser": people - 1,
        "interaction": (parts - 1) * (people - 1),
        "equipment": parts * people * (trials - 1),
    }
    ms = {name: ss[name] / df[name] for name in ss}
    ratio = ms["interaction"] / ms["equipment"] if ms["equipment"] else np.inf
    p = float(stats.f.sf(ratio, df["interaction"], df["equipment"]))
    pooled = p > POOLED_FROM
    if pooled:
        within = (ss["interaction"] + ss["equipment"]) / (df["interaction"] + df["equipment"])
        against, against_df, crossed = within, df["interaction"] + df["equipment"], 0.0
    else:
        within, against, against_df = ms["equipment"], ms["interaction"], df["interaction"]
        crossed = max((ms["interaction"] - ms["equipment"]) / trials, 0.0)
    person = max((ms["appraiser"] - against) / (parts * trials), 0.0)
    part = max((ms["part"] - against) / (people * trials), 0.0)
    lines: list[dict[str, float | str | None]] = []
    for name in ("appraiser", "part", "interaction", "equipment"):
        F = {"interaction": ratio, "equipment": None}.get(name, ms[name] / against if against else np.inf)
        under = (df["interaction"], df["equipment"]) if name == "interaction" else (df[name], against_df)
        chance = None if F is None else float(stats.f.sf(F, *under))
        line = {"source": name, "df": df[name], "ss": float(ss[name]), "ms": float(ms[name])}
        lines.append({**line, "F": None if F is None else float(F), "p": chance})
    lines.append({"source": "total", "df": values.size - 1, "ss": float(sum(ss.values())), "ms": None, "F": None, "p": None})
    EV, AV, PV = (float(np.sqrt(value)) for value in (within, person + crossed, part))
    return _gauge("ANOVA", EV, AV, PV, values.shape, table=tuple(lines), pooled=pooled)


def _gauge(method: str, EV: float, AV: float, PV: float, shape: tuple[int, int, int], **more: Any) -> Gauge:
    GRR = float(np.hypot(EV, AV))
    TV = float(np.hypot(GRR, PV))
    whole = {"EV": EV, "AV": AV, "GRR": GRR, "PV": PV}
    exact = float(1.41 * PV / GRR) if GRR else None
    return Gauge(
        method=method,
        EV=EV,
        AV=AV,
        GRR=GRR,
        PV=PV,
        TV=TV,
        percent={name: 100 * value / TV if TV else 0.0 for name, value in whole.items()},
        ndc=None if exact is None else int(exact),
        ndc_exact=exact,
        parts=shape[0],
        appraisers=shape[1],
        trials=shape[2],
        **more,
    )


@lru_cache(maxsize=64)
def _range_of_normal(number: int) -> tuple[float, float]:
    """Mean and standard deviation (d2, d3) of the range of so many standard normal values, by integration."""
    x = np.linspace(-8.5, 8.5, 1201)
    step, below = x[1] - x[0], stats.norm.cdf(x)
    mean = float((1 - below**number - (1 - below) ** number).sum() * step)
    low, high = below[:, None], below[None, :]
    both = 1 - high**number - (1 - low) ** number + np.clip(high - low, 0, None) ** number
    inside = np.triu(np.ones_like(both), 1) + 0.5 * np.eye(len(x))
    square = float(2 * (both * inside).sum() * step * step)
    return mean, float(np.sqrt(square - mean**2))


def _d2_star(number: int) -> float:
    """The root mean square of one range of so many normal values: d2* of a single group."""
    d2, d3 = _range_of_normal(number)
    return float(np.hypot(d2, d3))
