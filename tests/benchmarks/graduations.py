"""How true the scale from rules is: `python tests/benchmarks/graduations.py [--scenes 300]`; prints as it goes, judges nothing.

Random rules on random benches (tilt to 15 degrees, 2 to 60 px per mm, wide to long lenses, some of them bent; worn, glaring,
partly covered, both edges, whole and half millimetres, light and dark), drawn by the project's own renderer: error at the
picture's middle, coverage of the stated interval (k = 2), refused, wrongly accepted (off by more than three times its U without
a caution, or a wrong division); then benches without a rule, each kind alike often, and how long 24 megapixels take. Drawing
takes longer than finding: `--keep FOLDER` keeps the pictures there and does not draw them again. `--jobs N` shares the scenes
among processes; `--save FILE` writes the results down, and `--merge FILE...` tabulates those of several machines together.

Beside the error stands what no reading of the same picture could better: the Cramer-Rao bound of the located marks' noise with
what is known beforehand (lens, a camera that looks down, how true a rule is; van Trees' inequality), and the 95th percentile
that errors of just that size would have.
"""

from __future__ import annotations

import argparse
import json
import pickle
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
from scipy.optimize import brentq
from scipy.special import erf

from specimeter import colour
from specimeter.errors import ScaleError
from specimeter.scale.graduations import scale_from_graduations
from specimeter.scale.height import mm_per_px
from specimeter.scene import geometry
from specimeter.scene.bench import BENCHES
from specimeter.scene.rule import FIRST_MARK_MM
from specimeter.scene.rule_table import TableShot, table_shot
from specimeter.sheet import Sheet

SHEET = Sheet.model_validate(
    {
        "specimen": {"id": "B-1", "test": "macro-butt"},
        "scale": {"method": "graduations", "surface_height_mm": 0.0, "surface_height_U_mm": 0.001},
    }
)
WIDE_MM = 20.5  # 35 mm equivalent below which a lens counts as wide


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What came of one scene with a rule."""

    seed: int
    per_mm: float  # px
    tilt_deg: float
    told: bool  # focal length in EXIF
    wide: bool
    countable: bool  # by the truth: 24 marks or more stand out of the picture where they are known to lie
    refused: str | None = None
    error: float = 0.0  # relative
    u: float = 0.0
    bound: float = 0.0  # relative standard deviation that no reading of the picture could better
    cautions: int = 0
    wrong_division: bool = False
    seconds: float = 0.0  # processor time

    @property
    def beyond(self) -> bool:
        return abs(self.error) > 3 * 2 * self.u


def shot(folder: Path | None, seed: int, **options) -> TableShot:
    """A scene, drawn once."""
    if folder is None:
        return table_shot(seed, **options)
    path = folder / f"{seed}-{'-'.join(str(value) for value in options.values())}.pickle"
    if not path.exists():
        drawn = table_shot(seed, **options)
        png = cv2.imencode(".png", drawn.rgb)[1]
        path.write_bytes(pickle.dumps((png, drawn.camera, drawn.rule, drawn.bench)))
    png, camera, rule, bench = pickle.loads(path.read_bytes())
    return TableShot(rgb=cv2.imdecode(png, cv2.IMREAD_COLOR), camera=camera, rule=rule, bench=bench)


def photograph(shot: TableShot, times: int = 1) -> SimpleNamespace:
    """What the scale stage asks of a photograph; enlarged `times` times for timing."""
    rgb = shot.rgb if times == 1 else cv2.resize(shot.rgb, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC)
    height, width = rgb.shape[:2]
    light = colour.luminance(rgb)
    return SimpleNamespace(
        rgb=rgb,
        file="bench.jpg",
        width_px=width,
        height_px=height,
        focal_35mm_mm=shot.camera.focal_35mm_mm,
        linear=lambda: light,
    )


def countable(shot: TableShot) -> bool:
    """Whether a person who knew where to look could count 24 marks.

    Marks count where, by twelves, their own tone (once a division) is at least 2 of 255 levels and three times what tones
    between one and two divisions, where nothing is, amount to.
    """
    grey, drawn = shot.rgb[..., 1].astype(np.float32), shot.rule
    angle = np.radians(drawn.angle_deg)
    frame = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    best = 0
    for edge, division in enumerate(drawn.divisions_mm):
        for deep in (0.35, 0.8):
            if not division:
                continue
            n = np.arange(0, (drawn.length_mm - 2 * FIRST_MARK_MM) / division, 1 / 8)
            y = drawn.inset_mm + deep * drawn.lengths_mm[1 if division == 1.0 else 0]
            y = drawn.width_mm - y if edge else y
            x = FIRST_MARK_MM + n * division - drawn.skew * (y - drawn.width_mm / 2)
            bench = np.column_stack([x, np.full(len(x), y)]) * (1 + drawn.stretch) @ frame + drawn.origin_mm[:2]
            places = geometry.project(shot.camera, np.column_stack([bench, np.zeros(len(x))])).astype(np.float32)
            inside = ((places > 2) & (places < np.array(grey.shape[::-1]) - 3)).all(axis=1)
            light = cv2.remap(grey, places[:, :1], places[:, 1:], cv2.INTER_CUBIC).ravel()
            light = np.where(inside, light - np.convolve(light, np.ones(8) / 8, "same"), 0.0)
            counted = 0
            for first in range(0, len(light) - 96, 96):
                part, at = light[first : first + 96], n[first : first + 96]
                tones = [2 * abs(np.mean(part * np.exp(-2j * np.pi * at * f))) for f in (1.0, 0.58, 0.67, 0.75)]
                counted += 12 * (inside[first : first + 96].all() and tones[0] > max(2.0, 3 * float(np.median(tones[1:]))))
            best = max(best, counted)
    return best >= 24


def examine(shot: TableShot, seed: int) -> Result:
    """One scene's scale beside its truth."""
    picture = photograph(shot)
    middle = np.array([(picture.width_px - 1) / 2, (picture.height_px - 1) / 2])
    true = shot.mm_per_px(middle)
    told = {
        "seed": seed,
        "per_mm": 1 / true,
        "tilt_deg": float(np.degrees(np.arccos(np.clip(shot.camera.rotation[2, 2], -1, 1)))),
        "told": shot.camera.focal_35mm_mm is not None,
        "wide": shot.camera.focal_px * 43.27 / np.hypot(picture.width_px, picture.height_px) < WIDE_MM,
        "countable": countable(shot),
    }
    started = time.process_time()
    try:
        scale = scale_from_graduations(picture, SHEET)
    except ScaleError as error:
        return Result(**told, refused=error.problem, seconds=time.process_time() - started)
    seconds = time.process_time() - started
    there = {mm for mm in shot.rule.divisions_mm if mm} | {1.0}  # of halves too fine to be seen the whole ones may be read
    return Result(
        **told,
        error=mm_per_px(scale.view, middle, 0.0) / true - 1,
        u=scale.u_rel,
        bound=bound(scale),
        cautions=len(scale.cautions),
        wrong_division=not {edge["division_mm"] for edge in scale.evidence["edges"]} <= there,
        seconds=seconds,
    )


def bound(scale) -> float:
    """Relative standard deviation by noise and prior knowledge alone, without what enlarges the marks' part for residuals."""
    parts = [
        one.contribution / (scale.evidence["inflation"] if one.source == "places of the marks" else 1.0) for one in scale.budget
    ]
    return float(np.sqrt(np.sum(np.square(parts))))


def percentile_95(bounds: np.ndarray) -> float:
    """Of the size of normal errors with these standard deviations."""
    return brentq(lambda q: np.mean(erf(q / (bounds * np.sqrt(2)))) - 0.95, 0.0, 10 * bounds.max())


def line(one: Result) -> str:
    """One scene in a line."""
    where = f"{one.seed} {one.per_mm:.1f} px/mm, tilt {one.tilt_deg:.1f}{', wide' if one.wide else ''}"
    if one.refused:
        shown = "though its marks show" if one.countable else "its marks hardly show"
        return f"{where}: refused in {one.seconds:.1f} s, {shown}: {one.refused[:80]}"
    said = f"{where}: {100 * one.error:+.3f} %, u {100 * one.u:.3f} %, {one.cautions} cautions"
    return said + (" BEYOND 3 U" if one.beyond else "") + (" WRONG DIVISION" if one.wrong_division else "")


def table(results: Sequence[Result]) -> None:
    """Errors, coverage, refusals by tilt, lens and fineness."""
    groups = {
        "all": lambda one: True,
        "marks countable": lambda one: one.countable,
        "marks hardly show": lambda one: not one.countable,
        "tilt < 5 deg": lambda one: one.tilt_deg < 5,
        "5 to 10 deg": lambda one: 5 <= one.tilt_deg < 10,
        "10 to 15 deg": lambda one: one.tilt_deg >= 10,
        "focal length in EXIF": lambda one: one.told,
        "  tilt < 5 deg": lambda one: one.told and one.tilt_deg < 5,
        "  5 to 10 deg": lambda one: one.told and 5 <= one.tilt_deg < 10,
        "  10 to 15 deg": lambda one: one.told and one.tilt_deg >= 10,
        "no EXIF": lambda one: not one.told,
        "  tilt < 5 deg, no EXIF": lambda one: not one.told and one.tilt_deg < 5,
        "  5 to 10, no EXIF": lambda one: not one.told and 5 <= one.tilt_deg < 10,
        "  10 to 15, no EXIF": lambda one: not one.told and one.tilt_deg >= 10,
        "wide lens": lambda one: one.wide,
        "2 to 3 px/mm": lambda one: one.per_mm < 3,
        "3 to 6 px/mm": lambda one: 3 <= one.per_mm < 6,
        "6 to 20 px/mm": lambda one: 6 <= one.per_mm < 20,
        "20 to 60 px/mm": lambda one: one.per_mm >= 20,
    }
    print(
        "scenes                   n  refused  median %    p95 %  worst %  bound p95 %  median u %  within U  beyond 3 U  "
        "unsaid  wrong division"
    )
    for name, belongs in groups.items():
        mine = [one for one in results if belongs(one)]
        kept = [one for one in mine if not one.refused]
        if not kept:
            print(f"{name:22s} {len(mine):4d} {len(mine):8d}")
            continue
        error, u = np.abs([one.error for one in kept]), np.array([one.u for one in kept])
        beyond = [one for one in kept if one.beyond]
        print(
            f"{name:22s} {len(mine):4d} {len(mine) - len(kept):8d} {100 * np.median(error):9.3f} "
            f"{100 * np.quantile(error, 0.95):8.3f} {100 * error.max():8.3f} "
            f"{100 * percentile_95(np.array([one.bound for one in kept])):12.3f} {100 * np.median(u):11.3f} "
            f"{np.mean(error <= 2 * u):9.3f} {len(beyond):11d} {sum(not one.cautions for one in beyond):7d} "
            f"{sum(one.wrong_division for one in kept):15d}"
        )
    seconds = {why: [one.seconds for one in results if bool(one.refused) == why] for why in (False, True)}
    for why, spent in seconds.items():
        if spent:
            told = "refused" if why else "accepted"
            print(f"processor seconds, {told}: median {np.median(spent):.2f}, 95th percentile {np.quantile(spent, 0.95):.2f}")


def bare(folder: Path | None, first: int, each: int, width_px: int) -> None:
    """Benches without a rule: how many of each kind gave a scale all the same."""
    for which, name in enumerate(BENCHES):
        taken = []
        for seed in range(first + which * each, first + (which + 1) * each):
            drawn = shot(folder, seed, width_px=width_px, with_rule=False, bench_name=name)
            try:
                scale_from_graduations(photograph(drawn), SHEET)
            except ScaleError:
                continue
            taken.append(seed)
        print(f"bare {name:14s} {each:3d} benches, {len(taken)} taken for a rule {taken or ''}", flush=True)


def times(folder: Path | None, seeds: Sequence[int]) -> None:
    """Processor seconds on about 24 MP."""
    for seed in seeds:
        large = photograph(shot(folder, seed, width_px=1900), times=3)
        large.linear()
        started = time.process_time()
        try:
            scale_from_graduations(large, SHEET)
            what = "accepted"
        except ScaleError as error:
            what = f"refused, {error.problem[:60]}"
        print(f"{seed} {large.width_px} x {large.height_px} px: {time.process_time() - started:.2f} s, {what}", flush=True)


def one_scene(seed: int, *, folder: Path | None, width_px: int) -> Result:
    """A scene drawn and examined, in whatever process."""
    cv2.setNumThreads(1)
    return examine(shot(folder, seed, width_px=width_px), seed)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--scenes", type=int, default=300)
    options.add_argument("--first", type=int, default=40000)
    options.add_argument("--bare", type=int, default=8, help="benches without a rule, of each kind")
    options.add_argument("--times", type=int, default=6, help="large pictures to time")
    options.add_argument("--width", type=int, default=1280)
    options.add_argument("--keep", type=Path, help="folder for the pictures drawn")
    options.add_argument("--jobs", type=int, default=1, help="processes")
    options.add_argument("--save", type=Path, help="write the scenes' results here, as JSON lines")
    options.add_argument("--merge", type=Path, nargs="+", help="only tabulate results that were saved")
    options = options.parse_args()
    if options.merge:
        table([Result(**json.loads(row)) for path in options.merge for row in path.read_text().splitlines()])
        return
    if options.keep:
        options.keep.mkdir(parents=True, exist_ok=True)
    cv2.setNumThreads(1)
    results, seeds = [], range(options.first, options.first + options.scenes)
    work = partial(one_scene, folder=options.keep, width_px=options.width)
    with ProcessPoolExecutor(options.jobs) as pool:
        for result in pool.map(work, seeds) if options.jobs > 1 else map(work, seeds):
            results.append(result)
            print(line(result), flush=True)
            if options.save:
                with options.save.open("a") as file:
                    file.write(json.dumps(asdict(result), default=float) + "\n")
    if results:
        table(results)
    bare(options.keep, options.first + 5000, options.bare, options.width)
    times(options.keep, range(options.first + 6000, options.first + 6000 + options.times))


if __name__ == "__main__":
    main()
