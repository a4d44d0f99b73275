"""The sample photographs of an invented workshop: `python -m specimeter.scene.samples FOLDER` makes them again, the same."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from specimeter import files
from specimeter.scene import fracture_lot, lot, shapes
from specimeter.scene.describe import Mark, Opening, Scene, bent_bar, broken_end
from specimeter.scene.files import save
from specimeter.scene.random import TESTS, random_scene
from specimeter.scene.render import render

WIDTH_PX = 3264

WELD = """process = "136"
position = "PF"
"""

ORDER = """
[people]
measured_by = "technician 2, Heron Weir training workshop (invented)"
examined_directly = true
magnifier = 5.0

[order]
client = "Heron Weir footbridge, an invented order"
method = "bends and breaks, as the invented order asks"
"""

FUSED = """
[observations]
complete-fusion = true
"""

KINDS = """kinds = [
    "opening", "crack", "pore", "elongated-cavity", "slag", "other",
    "lack-of-sidewall-fusion", "lack-of-inter-run-fusion", "lack-of-root-fusion", "lack-of-fusion", "lack-of-penetration",
]"""

LIMITS = f"""# Invented for the samples. Enter the limits of the code that governs your own job from your own copy of it.

[limits]
title = "Bend tests of the invented footbridge"
basis = "the invented order HW-3, clause 2 (an example, no code)"
decision = "guarded"
tests = ["face-bend", "root-bend", "side-bend", "longitudinal-bend"]

[[rule]]
id = "single"
name = "greatest single opening away from the edges"
{KINDS}
where = "not at_corner"
size = "length_mm"
test = "each"
limit = 3
unit = "mm"
sense = "at most"

[[rule]]
id = "total"
name = "total of the openings between 1 and 3 mm"
{KINDS}
where = "not at_corner"
counted = "length_mm > 1 and length_mm <= 3"
size = "length_mm"
test = "sum"
limit = 10
unit = "mm"
sense = "at most"

[[rule]]
id = "corner"
name = "tear from an edge"
{KINDS}
where = "at_corner"
size = "length_mm"
test = "each"
limit = 6
unit = "mm"
sense = "at most"
beyond = "replace"
"""

FINE = f"""
[[rule]]
id = "fine"
name = "total of the fine openings"
{KINDS}
counted = "length_mm > 0.1 and length_mm <= 1"
size = "length_mm"
test = "sum"
limit = 2
unit = "mm"
sense = "at most"
"""

BREAK_LIMITS = """# Invented for the samples. Enter the limits of the code that governs your own job from your own copy of it.

[limits]
title = "Broken faces of the invented footbridge"
basis = "the invented order HW-3, clause 3 (an example, no code)"
decision = "guarded"
tests = ["nick-break", "fillet-break"]

[[rule]]
id = "fused"
name = "complete fusion, by eye"
test = "observation"
observation = "complete-fusion"

[[rule]]
id = "unfused"
name = "greatest unfused place"
kinds = [
    "lack-of-sidewall-fusion", "lack-of-inter-run-fusion", "lack-of-root-fusion", "lack-of-fusion", "lack-of-penetration",
]
size = "length_mm"
test = "each"
limit = 1
unit = "mm"
sense = "at most"

[[rule]]
id = "cavity"
name = "greatest pore or cavity"
kinds = ["pore", "elongated-cavity"]
size = "length_mm"
test = "each"
limit = 2
unit = "mm"
sense = "at most"

[[rule]]
id = "cavities"
name = "pores and cavities in percent of the face"
kinds = ["pore", "elongated-cavity"]
test = "share"
of = "area"
limit = 2
sense = "at most"

[[rule]]
id = "slag"
name = "greatest slag"
kinds = ["slag"]
size = "length_mm"
test = "each"
limit = 3
unit = "mm"
sense = "at most"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One photograph: what its scene is made of, and what was put on its face, (form, length, width, s, a) in mm."""

    stem: str
    id: str
    seed: int
    choices: dict
    openings: tuple[tuple[str, float, float, float, float], ...] = ()
    limits: str = LIMITS


SECTION_LIMITS = """# Invented for the samples. Enter the limits of the code that governs your own job from your own copy of it.

[limits]
title = "Sections of the invented footbridge"
basis = "the invented order HW-3, clause 4 (an example, no code)"
decision = "guarded"
tests = ["macro-butt", "macro-fillet"]

[[rule]]
id = "{first_id}"
name = "{first_name}"
test = "section"
size = "{first_size}"
limit = {first_limit}
unit = "mm"
sense = "{first_sense}"

[[rule]]
id = "toe_1"
name = "toe angle at toe 1"
test = "section"
size = "toe_angle_1_deg"
limit = 110
sense = "at least"

[[rule]]
id = "undercut"
name = "depth of undercut"
kinds = ["undercut"]
size = "depth_mm"
test = "each"
limit = {undercut_mm}
unit = "mm"
sense = "at most"
"""

SAMPLES = (
    Sample(
        stem="face-bend-within",
        id="HW-3-FB1",
        seed=416,
        choices={"test": "face-bend", "card": "strip", "height": "level", "finish": "ground-fine", "bench": "wood"},
        openings=(("lens", 1.5, 0.5, 2.0, 4.0), ("lens", 0.8, 0.35, -5.0, -6.0)),
    ),
    Sample(
        stem="side-bend-exceeds",
        id="HW-3-SB1",
        seed=422,
        choices={"test": "side-bend", "card": "frame", "height": "block", "finish": "linished", "bench": "cutting-mat"},
        openings=(("fusion-line", 5.4, 0.9, 0.0, 0.0), ("lens", 1.4, 0.5, 4.0, -7.0), ("pore", 0.9, 0.6, -7.0, 6.0)),
    ),
    Sample(
        stem="root-bend-undecided",
        id="HW-3-RB1",
        seed=434,
        choices={"test": "root-bend", "card": "strip", "height": "block", "finish": "brushed", "bench": "concrete"},
        openings=(("lens", 2.95, 0.7, 1.0, -2.0),),
    ),
    Sample(
        stem="longitudinal-bend-not-measured",
        id="HW-3-LB1",
        seed=444,
        choices={
            "test": "longitudinal-bend",
            "card": "frame",
            "height": "level",
            "finish": "machined",
            "bench": "painted-metal",
        },
        openings=(("lens", 1.3, 0.5, 6.0, 1.0),),
        limits=LIMITS + FINE,
    ),
    Sample(
        stem="side-bend-replace",
        id="HW-3-SB2",
        seed=455,
        choices={"test": "side-bend", "card": "strip", "height": "level", "finish": "ground-coarse", "bench": "steel-plate"},
        openings=(("corner", 7.6, 2.0, 3.0, 1.0), ("lens", 1.2, 0.45, -6.0, -3.0)),
    ),
    Sample(
        stem="nick-break-exceeds",
        id="HW-3-NB1",
        seed=529,
        choices={
            "test": "nick-break",
            "camera": "phone-double",
            "card": "strip",
            "height": "level",
            "finish": "cleavage",
            "bench": "cutting-mat",
        },
        openings=(("pore", 2.7, 2.5, 2.0, -3.0), ("pore", 1.0, 0.9, -2.0, 4.0), ("slag", 2.0, 0.9, 0.5, 7.0)),
        limits=BREAK_LIMITS,
    ),
    Sample(
        stem="fillet-break-exceeds",
        id="HW-3-FF1",
        seed=516,
        choices={
            "test": "fillet-break",
            "camera": "phone-double",
            "card": "strip",
            "height": "level",
            "finish": "fibrous",
            "bench": "wood",
        },
        openings=(("slag", 4.6, 1.3, 0.5, -8.0), ("pore", 1.2, 1.1, -0.5, 6.0), ("wormhole", 3.4, 0.9, 0.3, 14.0)),
        limits=BREAK_LIMITS,
    ),
    Sample(
        stem="macro-fillet-exceeds",
        id="HW-3-MF1",
        seed=605,
        choices={
            "test": "macro-fillet",
            "camera": "phone-macro",
            "card": "strip",
            "height": "level",
            "finish": "ground-fine",
            "bench": "cutting-mat",
        },
        limits=SECTION_LIMITS.format(
            first_id="throat",
            first_name="throat",
            first_size="throat_mm",
            first_limit="6",
            first_sense="at least",
            undercut_mm="0.5",
        ),
    ),
    Sample(
        stem="macro-butt-undecided",
        id="HW-3-MB1",
        seed=633,
        choices={
            "test": "macro-butt",
            "camera": "bench-camera",
            "card": "strip",
            "height": "level",
            "finish": "ground-fine",
            "bench": "cutting-mat",
        },
        limits=SECTION_LIMITS.format(
            first_id="hi_lo",
            first_name="misalignment",
            first_size="misalignment_mm",
            first_limit="1.45",
            first_sense="at most",
            undercut_mm="1.5",
        ),
    ),
)


def scene_of(sample: Sample, width_px: int = WIDTH_PX) -> Scene:
    """The scene of one sample: a random one with the openings that the sample asks for."""
    bent = sample.choices["test"] in TESTS
    choices = {"angle_deg": 180.0, "tilt_deg": 6.0, "light": "overcast", **sample.choices}
    scene = random_scene(sample.seed, width_px=width_px, openings=0, **choices)
    rng = np.random.default_rng(sample.seed)
    chosen = tuple((_opening if bent else _on_break)(rng, scene, *one) for one in sample.openings)
    marks = tuple(mark for mark in scene.marks if not _near(mark, chosen))
    return replace(scene, id=sample.id, openings=chosen, marks=marks)


def _opening(rng: np.random.Generator, scene: Scene, form: str, length: float, width: float, s: float, a: float) -> Opening:
    specimen, _, weld = bent_bar(scene)
    centre, turned, kind = np.array([s, a]), np.pi / 2 + rng.normal(0, 0.08), "opening"
    if form == "fusion-line":
        turned, centre = lot.on_fusion_line(rng, specimen, weld, length)
        outline = shapes.ribbon(rng, length, width, blunt=0.6, ragged=0.15, lopsided=0.6)
    elif form == "pore":
        outline = shapes.cavity(rng, length, width, rough=0.05)
    elif form == "corner":
        half = specimen.width_mm / 2
        outline = shapes.turn(shapes.corner_tear(rng, length + 0.3, width, ragged=0.1), -np.pi / 2, (s, half + 0.3))
        outline = shapes.clip_width(outline, half)
        return lot.make_opening(rng, outline, kind, "corner-tear", width, at_corner=True)
    else:
        outline = shapes.ribbon(rng, length, width, blunt=0.65, ragged=0.1)
    return lot.make_opening(rng, shapes.turn(outline, turned, centre), kind, form, width)


def _on_break(rng: np.random.Generator, scene: Scene, form: str, length: float, width: float, s: float, a: float) -> Opening:
    """One thing on a broken face, its place counted from the face's middle."""
    face_mm = broken_end(scene)[0].face_mm
    centre = (face_mm.min(0) + face_mm.max(0)) / 2 + [s, a]
    if form == "pore":
        return fracture_lot.pore(rng, centre, width, "oxidised")
    turned = np.pi / 2 + rng.normal(0, 0.08)
    if form == "slag":
        outline, kind, fill = fracture_lot.angular(rng, length, width), "slag", "glass"
    else:
        outline, kind, fill = shapes.ribbon(rng, length, width, blunt=0.35), "elongated-cavity", "dark"
    return fracture_lot.make(rng, shapes.turn(outline, turned, centre), kind, form, 0.4 * width, fill)


def _near(mark: Mark, openings: Sequence[Opening]) -> bool:
    points = np.concatenate(mark.lines_mm)
    return any(shapes.distance_to(one.outline_mm, points).min() < 1.5 for one in openings)


def write(folder: Path, width_px: int = WIDTH_PX) -> None:
    """Render every sample into a folder: photograph, sheet, limits, truth."""
    for sample in SAMPLES:
        picture = render(scene_of(sample, width_px))
        picture = replace(picture, sheet_toml=_sheet(picture.sheet_toml), jpeg_quality=min(picture.jpeg_quality, 90))
        save(picture, folder, sample.stem)
        files.write(folder / f"{sample.stem}.limits.toml", sample.limits.encode())
        sizes = [round(feature["length_mm"], 2) for feature in picture.truth["features"]]
        print(f"{sample.stem}: {sizes} mm, {picture.truth['mm_per_px']:.4f} mm per px", file=sys.stderr)


def _sheet(toml: str) -> str:
    """The scene's sheet with what the invented workshop adds; a broken face's has a table [weld] already."""
    if "[section]\n" in toml:
        return toml + "\n[weld]\n" + WELD + ORDER
    if "[weld]\n" in toml:
        return toml.replace("[weld]\n", "[weld]\n" + WELD) + FUSED + ORDER
    return toml + "\n[weld]\n" + WELD + ORDER


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description="Render the sample photographs.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--width", type=int, default=WIDTH_PX, help="long side in pixels")
    options = parser.parse_args()
    write(options.folder, options.width)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
