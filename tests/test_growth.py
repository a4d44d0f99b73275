"""No stage becomes dearer than its input grows: calls, pixels that OpenCV is given, and memory, at two sizes, on any machine.

Times are not judged here (a machine may be busy); what is counted is the same on every machine. A bound allows a part that
does not grow at all and n log n of sorting; a stage that compares everything with everything exceeds it four times over.
"""

from __future__ import annotations

import sys
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

import cv2
import numpy as np
import pytest

from specimeter import colour, photo
from specimeter.judge import limits as judge_limits
from specimeter.judge.decide import decide
from specimeter.measure.sizes import measure
from specimeter.record import build, model
from specimeter.scale.model import Scale
from specimeter.scale.surface import Flat
from specimeter.scale.view import View
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.sheet import Sheet

pytestmark = pytest.mark.usefixtures("asked_anew")

MARGIN = 1.4  # over the growth of the input
# Values that a stage looks at for each value that the picture has more: as measured, and half as many again
PASSES = {"scale": 3, "surface": 9, "examined area": 4, "features": 13, "sizes": 1.5}
SAMPLING = {"remap", "warpAffine", "warpPerspective"}


@dataclass(frozen=True)
class Cost:
    """What a stage took: calls of functions, pixels given to OpenCV, and the most memory held at once, in bytes."""

    calls: int
    pixels: int
    peak: int


@contextmanager
def counting_pixels(told: list[int]) -> Iterator[None]:
    """Every picture that is handed to a function of OpenCV counts with its pixels; where only samples are taken, these do."""
    with pytest.MonkeyPatch.context() as patch:
        for name in dir(cv2):
            function = getattr(cv2, name)
            if type(function).__name__ == "builtin_function_or_method" and name[0].islower():
                patch.setattr(cv2, name, counted(function, told, samples=name in SAMPLING))
        yield


def counted(function: Callable, told: list[int], *, samples: bool) -> Callable:
    """The function, adding the size of the largest array it is given, or of the samples that it gives."""

    def call(*arguments, **keywords):
        answer = function(*arguments, **keywords)
        touched = (answer,) if samples else (*arguments, *keywords.values())
        told[0] += max((one.size for one in touched if isinstance(one, np.ndarray)), default=0)
        return answer

    return call


def cost(action: Callable[[], object]) -> Cost:
    """Of one run for each count; a first one has filled what is kept for good."""
    calls, told = [0], [0]
    action()

    def profile(frame, event, argument) -> None:
        calls[0] += event in ("call", "c_call")

    with counting_pixels(told):
        sys.setprofile(profile)
        try:
            action()
        finally:
            sys.setprofile(None)
    tracemalloc.start()
    try:
        action()
        return Cost(calls[0], told[0], tracemalloc.get_traced_memory()[1])
    finally:
        tracemalloc.stop()


def grows_no_faster(small: Cost, large: Cost, growth: float, *, names: tuple[str, ...] = ("calls", "pixels", "peak")) -> None:
    """Each of the counts grew by at most the input's growth and the margin."""
    for name in names:
        before, after = getattr(small, name), getattr(large, name)
        assert after <= MARGIN * growth * max(before, 1), f"{name}: {before} became {after}, the input grew {growth:g} times"


VIEW = View(focal_px=4000.0, centre_px=np.zeros(2), rotation=np.eye(3), translation_mm=np.array([0.0, 0.0, 400.0]))
SURFACE = Flat(view=VIEW, height_mm=0.0)
SCALE = Scale(
    method="length",
    view=VIEW,
    surface_height_mm=0.0,
    surface_height_u_mm=0.5,
    u_rel=1e-3,
    budget=(),
    tilt_deg=0.0,
    evidence={},
)


def field(count: int) -> tuple[list[Outline], ExaminedArea]:
    """So many lens-shaped outlines of 24 points, one to each cell of 60 px, and the area that holds them."""
    side = round(count**0.5)
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    rng = np.random.default_rng(count)
    outlines = []
    for k in range(count):
        a, angle = rng.uniform(6, 22), rng.uniform(0, np.pi)
        lens = np.column_stack([a * np.cos(turn), 4 * np.sin(turn)])
        way = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        outlines.append(Outline(outline_px=lens @ way + 60.0 * np.array([k % side, k // side]) + 30))
    end = 60.0 * (side + 1)
    corners = np.array([[0.0, 0.0], [end, 0.0], [end, end], [0.0, end]])
    return outlines, ExaminedArea(outline_px=corners, edges_px=(corners[:2], corners[2:]))


def measured(count: int):
    outlines, area = field(count)
    return measure(outlines, photo_id="p1", surface=SURFACE, scale=SCALE, area=area)


def test_measuring_grows_with_the_number_of_features():
    """Sizes, distances to the nearest neighbour, contacts with edges: 196 and 784 features."""
    grows_no_faster(*(cost(lambda count=count: measured(count)) for count in (196, 784)), growth=4)


LIMITS = """
[limits]
title = "All kinds of rules"
basis = "drawn for the tests"
decision = "guarded"
[[rule]]
id = "single"
kinds = ["opening"]
size = "length_mm"
test = "each"
limit = 3
unit = "mm"
sense = "at most"
[[rule]]
id = "total"
kinds = ["opening"]
size = "length_mm"
test = "sum"
limit = 10
unit = "mm"
sense = "at most"
[[rule]]
id = "apart"
kinds = ["opening"]
test = "spacing"
limit = 1
unit = "mm"
sense = "at least"
"""


def test_judging_grows_with_the_number_of_features(tmp_path):
    """Each, sum and spacing over 196 and 784 features."""
    (tmp_path / "limits.toml").write_text(LIMITS, encoding="utf-8")
    limits = judge_limits.read(tmp_path / "limits.toml")
    sheet = Sheet.model_validate({"specimen": {"id": "N-1", "test": "nick-break", "specimen_width_mm": 100.0}})

    def judged(count: int) -> Callable[[], object]:
        features, (_, area) = measured(count), field(count)
        return lambda: decide(sheet, limits, features, area=area, smallest_resolvable_mm=0.2, scale=SCALE, surface=SURFACE)

    grows_no_faster(*(cost(judged(count)) for count in (196, 784)), growth=4)


@pytest.mark.parametrize("form", ["jpg", "png"])
def test_reading_a_photograph_grows_with_its_pixels(tmp_path, form):
    """0.5 and 2 megapixels: decoded, turned, brought to sRGB and to linear light."""
    costs = []
    for width in (840, 1680):
        rng = np.random.default_rng(width)
        path = tmp_path / f"{width}.{form}"
        cv2.imwrite(str(path), cv2.resize(rng.integers(0, 255, (60, 80, 3), dtype=np.uint8), (width, width * 3 // 4)))
        costs.append(cost(lambda path=path: photo.read(path).linear()))
    grows_no_faster(*costs, growth=4, names=("pixels", "peak"))
    assert costs[1].calls <= 4 * costs[0].calls
    assert costs[1].peak <= 40 * 1680 * 1260, "more than 40 bytes a pixel were held at once"


def test_linear_light_holds_little_beside_its_answer():
    """Four bytes a pixel are the answer; bands keep the rest small whatever the picture's size."""
    picture = np.zeros((2000, 3000, 3), np.uint8)
    peak = cost(lambda: colour.luminance(picture)).peak
    assert peak < 4 * picture[..., 0].size + 8_000_000


def test_every_stage_before_measuring_grows_with_the_pixels(bend_case):
    """Each by itself, at 0.2 and at 0.9 megapixels of one photograph: the card's markers, the bend, its face, its openings."""
    from specimeter import job, sheet

    own, given = sheet.read(bend_case.sheet), photo.read(bend_case.photo)

    def stages(factor: float) -> tuple[int, dict[str, Cost]]:
        rgb = np.ascontiguousarray(cv2.resize(given.rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC))
        one = photo.Photo(file="side.jpg", path=bend_case.photo, sha256=given.sha256, rgb=rgb)
        told, costs, begun = [0], {}, []

        def ends(stage: str) -> None:
            if begun:
                once = one.rgb.size  # every stage may look at the picture once
                costs[begun[0]] = Cost(0, max(told[0], once), tracemalloc.get_traced_memory()[1])
            begun[:], told[0] = [stage.split(":")[0]], 0
            tracemalloc.reset_peak()

        tracemalloc.start()
        try:
            with counting_pixels(told):
                job.search(one, own, method="openings", progress=ends)
                ends("end")
        finally:
            tracemalloc.stop()
        return rgb.size, costs

    (few, small), (many, large) = stages(0.56), stages(1.12)
    assert list(large) == list(small) == list(PASSES)
    for name, most in PASSES.items():
        grows_no_faster(small[name], large[name], 4, names=("pixels", "peak"))
        passes = (large[name].pixels - small[name].pixels) / (many - few)  # what does not grow with the picture is left out
        assert passes <= most, f"{name}: {passes:.1f} passes over the picture"


def with_features(bend_case, count: int, factor: float = 1.0):
    """What one photograph gave, so many features drawn in it; the picture enlarged, of which the features know nothing."""
    from types import SimpleNamespace

    sheet = Sheet.model_validate({"specimen": {"id": "N-1", "test": "nick-break", "specimen_width_mm": 100.0}})
    given = photo.read(bend_case.photo)
    rgb = np.ascontiguousarray(cv2.resize(given.rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC))
    one = photo.Photo(file=given.file, path=given.path, sha256=given.sha256, rgb=rgb)
    features, (_, area) = measured(count), field(count)
    judgement = decide(sheet, None, features, area=area, smallest_resolvable_mm=0.2, scale=SCALE, surface=SURFACE)
    told = {"photo": one, "scale": SCALE, "surface": SURFACE, "area": area, "smallest_resolvable_mm": 0.2}
    return sheet, SimpleNamespace(**told, features=features, section=None, judgement=judgement)


def test_a_record_grows_with_the_number_of_features(bend_case):
    """Built, written and read again: 100 and 400 features."""

    def stored(count: int) -> Callable[[], object]:
        sheet, finding = with_features(bend_case, count)
        when = datetime(2026, 3, 21, tzinfo=UTC)
        return lambda: model.load(build.to_json(build.build(finding, sheet=sheet, limits=None, settings={}, when=when)))

    grows_no_faster(*(cost(stored(count)) for count in (100, 400)), growth=4)


def reported(bend_case, count: int, factor: float) -> tuple[int, Cost]:
    """Values of the picture, and the cost of overlay, slide, tables, HTML and PDF."""
    from specimeter import job

    sheet, finding = with_features(bend_case, count, factor)
    record = build.build(finding, sheet=sheet, limits=None, settings={}, when=datetime(2026, 3, 21, tzinfo=UTC))
    return finding.photo.rgb.size, cost(lambda: job.report_files([finding.photo], record))


def test_a_report_grows_with_its_features(bend_case):
    """50 and 200 of them in one picture."""
    (_, small), (_, large) = (reported(bend_case, count, 1.0) for count in (50, 200))
    grows_no_faster(small, large, growth=4)


def test_a_report_looks_once_at_a_picture_s_pixels(bend_case):
    """It is drawn on a picture of one size, whatever the photograph's: which is made smaller once, and in one go."""
    (few, small), (many, large) = (reported(bend_case, 16, factor) for factor in (0.5, 1.0))
    assert (large.pixels - small.pixels) / (many - few) <= 1.5  # what does not grow with the picture is left out; measured: 1.0
    assert large.peak - small.peak <= many - few  # a byte for each value more; measured: none
    assert large.calls <= 1.05 * small.calls


def test_a_stage_that_grows_with_the_square_is_noticed():
    """The check can fail: all pairs of so many numbers."""
    quadratic = [cost(lambda n=n: np.subtract.outer(np.arange(n), np.arange(n))) for n in (200, 800)]
    with pytest.raises(AssertionError, match="peak"):
        grows_no_faster(*quadratic, growth=4)
    pairs = [cost(lambda n=n: [abs(a - b) for a in range(n) for b in range(n)]) for n in (20, 80)]
    with pytest.raises(AssertionError, match="calls"):
        grows_no_faster(*pairs, growth=4)
