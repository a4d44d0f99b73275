"""How near card scales come to the truth, by tilt, on random hand-held shots; how often the interval holds; time at 24 MP.

    python tests/benchmarks/card_scales.py [--shots 300] [--first 1000] [--jobs 1] [--time]
    python tests/benchmarks/card_scales.py --merge FILE...          # of what --save FILE wrote on several machines

The shots are those of the scale tests' own renderer (any lean to 15 degrees, any roll, ink spread, blur, noise, JPEG), from
seeds that no test uses. What the budget holds to be uncertain is drawn as the budget states it, or coverage would say nothing:
principal point, distortion, unequal shrink of the print, and the card's printed size as measured to 0.05 mm (k = 2). The time
is processor time, median of five runs, beside the decoding of the same JPEG.
"""

from __future__ import annotations

import argparse
import importlib.util
import itertools
import json
import statistics
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from specimeter.errors import SpecimeterError
from specimeter.scale.find import find_scale
from specimeter.scale.height import mm_per_px
from specimeter.scale.pose import U_ASPECT, U_CENTRE, U_K1
from specimeter.sheet import Sheet

BANDS_DEG = (0.0, 5.0, 10.0, 15.001)
U_PRINT_MM = 0.05


@cache
def renderer():
    """The scale tests' renderer, which shares no code with the project."""
    path = Path(__file__).resolve().parents[1] / "scale" / "conftest.py"
    spec = importlib.util.spec_from_file_location("card_renderer", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["card_renderer"] = module
    spec.loader.exec_module(module)
    return module


def sheet(**entries) -> Sheet:
    """A flat specimen in the card's own plane."""
    entries = {"surface_height_mm": 0.0, "surface_height_U_mm": 0.02} | entries
    return Sheet.model_validate({"specimen": {"id": "A-1", "test": "macro-butt"}, "scale": entries})


def examine(cards, seed: int, card: str) -> dict:
    """One shot: tilt, error and stated standard uncertainty at the place where the specimen lies; or why it was refused."""
    rng = np.random.default_rng([7, seed])
    shot = cards.random_shot(seed, card, mark_mm=0.2)
    long_side = max(shot.width_px, shot.height_px)
    shot = replace(
        shot,
        centre_shift_px=tuple(rng.normal(0, U_CENTRE * long_side, 2)),
        k1=float(rng.normal(0, U_K1)),
        aspect=float(rng.normal(0, U_ASPECT[card])),
    )
    nominal = {"strip": 100.0, "frame": 160.0}[card]
    measured = nominal + rng.normal(0, U_PRINT_MM / 2)
    row = {"card": card, "tilt": shot.tilt_deg, "seed": seed}
    try:
        photo = cards.photograph(cards.expose.__wrapped__(shot), shot.focal_35mm_mm)
        scale = find_scale(photo, sheet(printed_length_mm=measured, length_U_mm=U_PRINT_MM))
    except SpecimeterError as error:
        return row | {"refused": error.problem}
    here = np.array(scale.reference_px)
    error = mm_per_px(scale.view, here, 0.0) / shot.mm_per_px(here) - 1
    return row | {"error": error, "u": scale.u_rel, "said": len(scale.cautions)}


def table(rows: list[dict]) -> None:
    """Median, 95th percentile, worst error, and how often the stated interval (k = 2) holds, by card and tilt."""
    print("card   tilt, deg   n  refused  median %  p95 %  worst %  holds  beyond 3 U unsaid")
    for card in ("strip", "frame"):
        for low, high in (*itertools.pairwise(BANDS_DEG), (BANDS_DEG[0], BANDS_DEG[-1])):
            mine = [row for row in rows if row["card"] == card and low <= row["tilt"] < high]
            found = [row for row in mine if "error" in row]
            if not found:
                continue
            error = np.abs([row["error"] for row in found])
            u = np.array([row["u"] for row in found])
            unsaid = sum(abs(row["error"]) > 6 * row["u"] and not row["said"] for row in found)
            refused = len(mine) - len(found)
            print(
                f"{card}  {low:4.0f} to {high:3.0f}  {len(mine):4d}  {refused:7d}  {100 * np.median(error):8.3f}"
                f"  {100 * np.percentile(error, 95):5.3f}  {100 * error.max():7.3f}"
                f"  {np.mean(error <= 2 * u):5.3f}  {unsaid:5d}"
            )


def times(cards) -> None:
    """Processor seconds for the scale on 24 MP (6000 x 4000) and for decoding that JPEG, on one core."""
    cv2.setNumThreads(1)
    for card in ("strip", "frame"):
        at = (
            {"look_at_mm": (80, 60), "distance_mm": 300.0}
            if card == "frame"
            else {"look_at_mm": (50, 30), "distance_mm": 180.0}
        )
        small = cards.Shot(card=card, height_px=800, tilt_deg=6.0, roll_deg=5.0, jpeg=None, focal_35mm_mm=36.0, **at)
        grey = cv2.resize(cards.expose.__wrapped__(small)[..., 1], (6000, 4000), interpolation=cv2.INTER_CUBIC)
        jpeg = cv2.imencode(".jpg", np.repeat(grey[:, :, None], 3, axis=2), [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
        decoding, finding = [], []
        for _ in range(5):
            start = time.process_time()
            rgb = cv2.imdecode(jpeg, cv2.IMREAD_COLOR)
            decoding.append(time.process_time() - start)
            photo = cards.photograph(rgb, small.focal_35mm_mm)
            linear = photo.linear()  # the photograph keeps it, and every later stage needs it
            photo.linear = lambda linear=linear: linear
            start = time.process_time()
            find_scale(photo, sheet())
            finding.append(time.process_time() - start)
        print(f"24 MP, {card}: scale {statistics.median(finding):.2f} s, decoding the JPEG {statistics.median(decoding):.2f} s")


def one_shot(seed: int) -> dict:
    """Every third shot shows a frame, the others a strip."""
    cv2.setNumThreads(1)
    return examine(renderer(), seed, "frame" if seed % 3 == 0 else "strip")


def main() -> None:
    """Print the table, and with --time the times."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--shots", type=int, default=300)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--time", action="store_true")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--save", type=Path, help="write the shots' results here, as JSON lines")
    parser.add_argument("--merge", type=Path, nargs="+", help="only tabulate results that were saved")
    options = parser.parse_args()
    if options.merge:
        table([json.loads(row) for path in options.merge for row in path.read_text().splitlines()])
        return
    if options.time:
        times(renderer())
    rows, seeds = [], range(options.first, options.first + options.shots)
    with ProcessPoolExecutor(options.jobs) as pool:
        for row in pool.map(one_shot, seeds) if options.jobs > 1 else map(one_shot, seeds):
            rows.append(row)
            told = f"{100 * row['error']:+.3f} %, u {100 * row['u']:.3f} %" if "error" in row else "refused"
            print(f"{row['seed']} {row['card']}, tilt {row['tilt']:.1f}: {told}", flush=True)
            if options.save:
                with options.save.open("a") as file:
                    file.write(json.dumps(row, default=float) + "\n")
    if rows:
        table(rows)
        found = [row for row in rows if "error" in row]
        for row in sorted(found, key=lambda row: -abs(row["error"]))[:3]:
            print(f"seed {row['seed']}, {row['card']}: error {100 * row['error']:+.3f} %, U {200 * row['u']:.3f} %")
        for row in rows:
            if "refused" in row:
                print(f"seed {row['seed']}, {row['card']}: refused, {row['refused']}")


if __name__ == "__main__":
    main()
