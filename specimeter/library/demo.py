"""A full library in minutes: rendered photographs over all tests and kinds with their exact truth, every second one clean."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from specimeter.library import catalogue, picture
from specimeter.library.entry import Entry, made
from specimeter.library.intake import from_truth, inside
from specimeter.library.store import Store
from specimeter.report import words
from specimeter.scene import truth as truths
from specimeter.scene.describe import Scene
from specimeter.scene.files import jpeg
from specimeter.scene.random import BROKEN_TESTS, MACRO_TESTS, TESTS, random_scene
from specimeter.scene.render import render

NUMBER = 72
FIRST_SEED = 51_000
WIDTH_PX = 1600
MM_PER_PX = 0.065  # as near as a phone goes: the face fills the picture
BENDS, BREAKS, SECTIONS = TESTS, BROKEN_TESTS, MACRO_TESTS
ANOTHER = 1000  # further on, where a seed gives what was not asked for
_PROCESSES = {
    "bend": ("111", "135", "136"),
    "nick-break": ("111", "138"),
    "fillet-break": ("135", "136"),
    "macro-fillet": ("135", "136"),
}
_CAUSES = {"fusion-line": "lack-of-sidewall-fusion", "pulled-pore": "pore", "row": "pore"}
_MARKS = {  # what is no imperfection and is named all the same, so that it can be told from one
    "scratch": "A scratch: straight, bright at its bottom, and it goes on over the rest of the face.",
    "stamp": "A stamped character: its edges are raised, and it stands in a row.",
    "ink": "Ink: colour without depth.",
    "stain": "A stain: it has no depth and no edge; turn the light.",
    "dent": "A dent: one side bright, the other dark, its bottom as light as the face.",
    "grinding": "Grinding marks: parallel lines all over a patch.",
}
_WHY = {
    "fusion-line": "It runs straight along the fusion line, and its walls are smooth: the wall was not melted.",
    "pulled-pore": "A round hollow with a smooth wall, pulled to an oval by the bend.",
    "row": "One of a row of hollows: gas or slag along a line.",
    "corner-tear": "It starts at the edge of the face: look for a cause before it is set aside.",
    "ragged": "Jagged walls and hair lines at its tips: the metal tore.",
    "slit": "Narrow and sharp at both ends.",
    "cavity": "A hollow with a rounded wall.",
    "bridged": "A bridge of metal divides it: is it one or two? The tips decide.",
    "slag-line": "A dull line with something in it, along the run.",
    "root": "It lies along the root edge and shows the plate's own surface.",
    "patch": "Flat, smooth, with the shine or colour of what it lay upon.",
    "fisheye": "A bright round spot about a dark pupil: hydrogen, made by the test.",
    "elongated": "Much longer than wide, with a rounded, clean wall.",
    "cluster": "Many small round hollows close together.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One picture to be rendered."""

    seed: int
    test: str
    clean: bool
    kind: str | None = None  # that is to be seen in it, where the scenes draw it


def plans(number: int = NUMBER, first_seed: int = FIRST_SEED) -> list[Plan]:
    """What is rendered: tests in turn, every second picture of each test clean, every fourth section of an overlap."""
    tests, chosen = (*BENDS, *BREAKS, *SECTIONS), []
    for index in range(number):
        test, turn = tests[index % len(tests)], index // len(tests)
        kind = "overlap" if test in SECTIONS and turn % 4 == 2 else None
        chosen.append(Plan(seed=first_seed + index, test=test, clean=turn % 2 == 1, kind=kind))
    return chosen


def fill(
    store: Store, chosen: list[Plan], *, width_px: int = WIDTH_PX, progress: Callable[[str], None] = lambda line: None
) -> int:
    """Render pictures and add them; a picture that is there already is not added again. Returns how many are new."""
    new = 0
    for index, plan in enumerate(chosen, start=1):
        copy, entry = rendered(plan, width_px)
        done = catalogue.add(store, copy, entry, who="library demo")
        new += done.new
        progress(f"{index:4d} of {len(chosen)}  {entry.title}")
    return new


def rendered(plan: Plan, width_px: int = WIDTH_PX) -> tuple[picture.Copy, Entry]:
    """One picture with its entry."""
    scene = _scene(plan, width_px)
    shot = render(scene)
    source = jpeg(shot)
    data = picture.stripped_jpeg(source)
    copy = picture.Copy(
        data=data,
        sha256=hashlib.sha256(data).hexdigest(),
        source_sha256=hashlib.sha256(source).hexdigest(),
        suffix=".jpg",
        rgb=np.ascontiguousarray(shot.rgb),
    )
    return copy, _entry(plan, shot.truth, scene.parent_thickness_mm)


def _scene(plan: Plan, width_px: int) -> Scene:
    """The scene of a plan: near enough to see the features; a clean one has nothing to be seen, another one has something."""
    second: Scene | None = None
    for seed in range(plan.seed, plan.seed + 50 * ANOTHER, ANOTHER):
        near: dict[str, Any] = {"card": "strip", "mm_per_px": MM_PER_PX} if plan.test not in SECTIONS else {}
        scene = random_scene(seed, test=plan.test, clean=plan.clean, width_px=width_px, tilt_deg=4.0, **near)
        truth = truths.of(scene)
        features = from_truth(truth)["seen"]
        whole = all(inside(one["outline_px"], truth).all() for one in features)  # half a feature teaches nothing
        if not whole or plan.clean == bool(features):
            continue
        scene = replace(scene, id=f"DEMO-{plan.seed}")
        if plan.kind is None or plan.kind in [one["kind"] for one in features]:
            return scene
        second = second or scene
    if second is None:
        raise AssertionError(f"no scene of {plan.test} is as planned")
    return second


def _entry(plan: Plan, truth: dict, thickness_mm: float) -> Entry:
    fields = from_truth(truth)
    drawn = {f"f{number}": feature for number, feature in enumerate(truth["features"], start=1)}
    for seen in fields["seen"]:  # undercuts and overlaps are not among the features
        feature = drawn.get(seen["id"], {})
        form, filled = feature.get("form", ""), feature.get("fill") in ("slag", "glass")
        cause = _CAUSES.get(form) if plan.test in BENDS else None
        cause = "slag" if filled and plan.test in BENDS else cause
        if cause and cause != seen["kind"]:
            seen["cause"] = cause
        if why := _WHY.get(form):
            seen["why"] = why
    if plan.test == BENDS[0] and not plan.clean:
        fields["seen"] += _marked(truth)
    kind = "bend" if plan.test in BENDS else plan.test
    processes = _PROCESSES.get(kind, ("135",))
    lengths = [seen.get("length_mm", 2.0) for seen in fields["seen"]]
    return made(
        {
            **fields,
            "test": plan.test,
            "title": f"{plan.test.replace('-', ' ').capitalize()}: {_told(fields['seen'], plan.test)}",
            "joint": "fillet" if "fillet" in plan.test else "butt",
            "process": processes[plan.seed % len(processes)],
            "material": "structural steel (rendered)",
            "thickness_mm": round(thickness_mm, 1),
            "author": "specimeter",
            "licence": "CC0-1.0",
            "permission": "Rendered by specimeter; no photograph of anybody's specimen.",
            "tags": ("rendered", "demo"),
            "quality": round(40 + 50 * min(1.0, max(lengths, default=4.0) / 6)),
            "coupon": f"DEMO-{plan.seed}",
            "specimen": f"DEMO-{plan.seed}",
        }
    )


def _marked(truth: dict) -> list[dict]:
    """A mark on the face that is no imperfection, as `other`: one whose like is there only once."""
    counted = Counter(mark["kind"] for mark in truth["distractors"])
    named = [one for one in truth["distractors"] if one["kind"] in _MARKS and counted[one["kind"]] == 1]
    if not named:
        return []
    one = max(named, key=lambda mark: float(np.ptp(np.array(mark["outline_px"]), axis=0).max()))
    return [{"id": "m1", "kind": "other", "outline_px": one["outline_px"], "why": f"{_MARKS[one['kind']]} No imperfection."}]


def _told(seen: list[dict], test: str) -> str:
    """`two pores, one crack`, or that it is clean."""
    if not seen:
        return "a clean section" if test in SECTIONS else "a clean face"
    counted = Counter(words.kind(one["kind"]) for one in seen)
    numbers = ("no", "one", "two", "three", "four", "five", "six")
    parts = []
    for name, count in counted.most_common(3):
        many = name if count == 1 or name.startswith("lack") or name.endswith("s") else _plural(name)
        parts.append(f"{numbers[count] if count < len(numbers) else count} {many}" if not name.startswith("lack") else name)
    return ", ".join(parts)


def _plural(name: str) -> str:
    return name[:-1] + "ies" if name.endswith("y") else name + "s"
