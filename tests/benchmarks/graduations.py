"""How true the scale from rules is: `python tests/benchmarks/graduations.py [--scenes 150]`; prints, judges nothing.

Random rules on random benches (tilt to 15 degrees, 4 to 40 px per mm, worn, glaring, partly covered, both edges, whole and
half millimetres, light and dark), drawn by the project's own renderer: error, coverage of the stated U, refused, wrongly
accepted (off by more than three times its U); then the same benches without a rule, and how long 24 megapixels take.
"""

from __future__ import annotations

import argparse
import time
from types import SimpleNamespace

import cv2
import numpy as np

from specimeter import colour
from specimeter.errors import ScaleError
from specimeter.scale.graduations import scale_from_graduations
from specimeter.scale.graduations_choose import find_edges
from specimeter.scale.height import mm_per_px
from specimeter.scene.rule_table import TableShot, table_shot
from specimeter.sheet import Sheet

SHEET = Sheet.model_validate(
    {
        "specimen": {"id": "B-1", "test": "macro-butt"},
        "scale": {"method": "graduations", "surface_height_mm": 0.0, "surface_height_U_mm": 0.001},
    }
)


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


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--scenes", type=int, default=150)
    options.add_argument("--first", type=int, default=5000)
    options.add_argument("--width", type=int, default=1600)
    options = options.parse_args()
    cv2.setNumThreads(1)
    rows, refused, factor_of_two, seconds = [], [], 0, []
    for seed in range(options.first, options.first + options.scenes):
        shot = table_shot(seed, width_px=options.width)
        picture = photograph(shot)
        middle = np.array([(picture.width_px - 1) / 2, (picture.height_px - 1) / 2])
        true = shot.mm_per_px(middle)
        tilt = float(np.degrees(np.arccos(np.clip(shot.camera.rotation[2, 2], -1, 1))))
        started = time.process_time()
        try:
            scale = scale_from_graduations(picture, SHEET)
        except ScaleError as error:
            refused.append((seed, round(1 / true, 1), shot.rule.wear, error.problem[:70]))
            print("refused", *refused[-1], flush=True)
            continue
        seconds.append(time.process_time() - started)
        error = mm_per_px(scale.view, middle, 0.0) / true - 1
        factor_of_two += abs(error) > 0.2
        rows.append((seed, 1 / true, tilt, error, scale.u_rel, shot.camera.focal_35mm_mm is not None, len(scale.cautions)))
        beyond = "  BEYOND 3 U" if abs(error) > 3 * 2 * scale.u_rel else ""
        print(
            f"{seed} {1 / true:.1f} px/mm, tilt {tilt:.1f}: {100 * error:+.3f} %, u {100 * scale.u_rel:.3f} %, "
            f"{len(scale.cautions)} cautions{beyond}",
            flush=True,
        )
    told = np.array([row[2:7] for row in rows], float)
    groups = {
        "all": np.ones(len(told), bool), "tilt < 5 deg": told[:, 0] < 5, "5 to 10": (told[:, 0] >= 5) & (told[:, 0] < 10),
        "10 to 15": told[:, 0] >= 10, "focal length in EXIF": told[:, 3] > 0, "no EXIF": told[:, 3] == 0,
    }  # fmt: skip
    print(f"{len(rows)} of {options.scenes} accepted, {factor_of_two} off by more than 20 %")
    for name, group in groups.items():
        error, u = np.abs(told[group, 1]), told[group, 2]
        if len(error):
            print(
                f"{name:22s} {len(error):4d}  median {100 * np.median(error):.3f} %  "
                f"p95 {100 * np.quantile(error, 0.95):.3f} %  "
                f"worst {100 * error.max():.3f} %  within U {np.mean(error < 2 * u):.3f}  "
                f"beyond 3 U {int(np.sum(error > 6 * u))}, unsaid {int(np.sum((error > 6 * u) & (told[group, 4] == 0)))}  "
                f"median u {100 * np.median(u):.3f} %"
            )
    print(f"refused {len(refused)}")
    print(f"seconds a picture, median {np.median(seconds):.2f}")
    taken = 0
    for seed in range(options.first, options.first + options.scenes // 5):
        edges = find_edges(photograph(table_shot(seed, width_px=options.width, with_rule=False)))
        named = [edge for edge in edges if edge.pattern.division_mm is not None]
        taken += bool(named)
        if named:
            print("  a row named on a bench without the rule (a clutter rule lies on some):", seed)
    print(f"benches without the rule: {taken} of {options.scenes // 5} named a division")
    large = photograph(table_shot(options.first + 1, width_px=2000), times=3)
    started = time.process_time()
    try:
        scale_from_graduations(large, SHEET)
    except ScaleError as error:
        print(error)
    print(f"{large.width_px} x {large.height_px} px: {time.process_time() - started:.2f} s")


if __name__ == "__main__":
    main()
