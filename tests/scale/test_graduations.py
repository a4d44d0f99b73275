"""Rules drawn by the tests' own renderer: true scale, true division, true lean, and what is refused."""

from dataclasses import dataclass
from functools import lru_cache
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.special import ndtr

from specimeter.errors import ScaleError
from specimeter.scale.budget import combine
from specimeter.scale.camera_profile import Profile
from specimeter.scale.distance import of_profile
from specimeter.scale.find import find_scale
from specimeter.scale.fitting import distinct
from specimeter.scale.graduations import scale_from_graduations
from specimeter.scale.graduations_choose import Edge, _millimetres
from specimeter.scale.graduations_fit import RuleFit
from specimeter.scale.graduations_marks import _located
from specimeter.scale.graduations_pattern import Pattern
from specimeter.scale.graduations_row import Path
from specimeter.scale.height import mm_per_px
from specimeter.scale.place import card_outlines_px
from specimeter.scale.view import View

INCH = 25.4


@dataclass(frozen=True, kw_only=True)
class Ruler:
    """A rule and how it is seen. Marks start at y = 0 and grow with y; the camera looks at (`at_mm`, 8)."""

    division_mm: float = 1.0
    cycle: tuple[float, ...] = (5.0, 3.0, 3.0, 3.0, 3.0, 4.0, 3.0, 3.0, 3.0, 3.0)  # lengths of marks, repeating
    first_mm: float = -60.0
    last_mm: float = 60.0
    mark_mm: float = 0.15
    paper: float = 0.6
    ink: float = 0.05
    px_per_mm: float = 9.0
    tilt_deg: float = 0.0
    towards_deg: float = 0.0
    roll_deg: float = 0.0
    focal_px: float = 1040.0
    size_px: tuple[int, int] = (800, 600)
    at_mm: float = 0.0
    gaps_mm: tuple[tuple[float, float], ...] = ()
    blur_px: float = 0.7
    noise: float = 0.006
    lines_mm: float = 0.0  # above 0: not a rule but lines that run on, so many mm apart
    seed: int = 1
    k1: float = 0.0  # radial distortion (Brown 1971)
    grain: float = 0.0  # of the bench: streaks of 0.3 to 3 mm, relative


class Picture(SimpleNamespace):
    def linear(self):
        return self.light


def pose(ruler: Ruler):
    tilt, towards, roll = np.radians([ruler.tilt_deg, ruler.towards_deg, ruler.roll_deg])
    target = np.array([ruler.at_mm, 8.0, 0.0])
    back = np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), -np.cos(tilt)])
    eye = target + ruler.focal_px / ruler.px_per_mm * back
    forward = -back
    right = np.array([1.0, 0.0, 0.0]) - forward[0] * forward
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    cos, sin = np.cos(roll), np.sin(roll)
    return np.array([cos * right + sin * down, -sin * right + cos * down, forward]), eye


def on_plane(ruler: Ruler, points_px):
    rotation, eye = pose(ruler)
    middle = (np.array(ruler.size_px) - 1) / 2
    distorted = (np.asarray(points_px, float) - middle) / ruler.focal_px
    straight = distorted
    for _ in range(20 if ruler.k1 else 0):
        straight = distorted / (1 + ruler.k1 * np.sum(straight**2, axis=1, keepdims=True))
    (u, v), right, down, forward = straight.T, *rotation
    ray_x, ray_y, ray_z = (u * right[k] + v * down[k] + forward[k] for k in range(3))
    reach = -eye[2] / ray_z
    return np.stack([eye[0] + reach * ray_x, eye[1] + reach * ray_y]).T


def true_mm_per_px(ruler: Ruler, point_px) -> float:
    right, left, down, up = on_plane(ruler, np.asarray(point_px) + np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
    (ax, ay), (bx, by) = right - left, down - up
    return float(np.sqrt(abs(ax * by - ay * bx)))


def reflectance(ruler: Ruler, x, y):
    if ruler.lines_mm:
        off = np.abs((x + ruler.lines_mm / 2) % ruler.lines_mm - ruler.lines_mm / 2)
        return np.where(off < ruler.mark_mm / 2, ruler.ink, ruler.paper)
    ground = 0.25 + 0.03 * np.sin(x / 7) * np.cos(y / 5)
    if ruler.grain:  # streaks at 25 degrees, their ends rounded off over some 20 mm
        rng = np.random.default_rng(3)
        along, across = 0.906 * x + 0.423 * y, 0.906 * y - 0.423 * x
        sine, cosine = np.sin(along / 20), np.cos(along / 20)
        for wave, phase in zip(0.3 * 10 ** rng.uniform(0, 1, 40), rng.uniform(0, 7, 40), strict=True):
            bow = 2 * (np.cos(phase) * sine + np.sin(phase) * cosine)  # of the sum of two angles
            ground *= 1 + ruler.grain / 9 * np.sin(2 * np.pi * across / wave + phase + bow)
    body = np.flatnonzero((y > -0.02) & (y < 20) & (x > ruler.first_mm - 4) & (x < ruler.last_mm + 4))
    ground[body] = ruler.paper + (ruler.ink - ruler.paper) * marked(ruler, x[body], y[body])
    return ground


def marked(ruler: Ruler, x, y):
    """How much of each sample on the ruler's body is a mark's."""
    number = np.rint(x / ruler.division_mm).astype(int)
    long = np.array(ruler.cycle)[number % len(ruler.cycle)]
    soft = 0.5 / ruler.px_per_mm  # a sample's own width: edges are areas, not steps
    on = np.clip((ruler.mark_mm / 2 - np.abs(x - number * ruler.division_mm)) / soft + 0.5, 0, 1)
    on *= np.clip(y / soft + 0.5, 0, 1) * np.clip((long - y) / soft + 0.5, 0, 1)
    on *= (x > ruler.first_mm - 0.5) & (x < ruler.last_mm + 0.5)
    for low, high in ruler.gaps_mm:
        on *= ~((x > low) & (x < high))
    return on


@lru_cache(maxsize=32)
def photograph(ruler: Ruler, over: int = 2, focal_35mm_mm: float | None = None) -> Picture:
    rng = np.random.default_rng(ruler.seed)
    width, height = ruler.size_px
    light = np.zeros((height, width))
    grid = (np.arange(over) + 0.5) / over - 0.5
    xx, yy = np.meshgrid(np.arange(width), np.arange(height))
    for dx in grid:
        for dy in grid:
            points = np.column_stack([xx.ravel() + dx, yy.ravel() + dy]) + rng.uniform(-0.5, 0.5, (xx.size, 2)) / over
            light += reflectance(ruler, *on_plane(ruler, points).T).reshape(xx.shape)
    light = cv2.GaussianBlur(light / over**2, (0, 0), ruler.blur_px) + rng.normal(0, ruler.noise, light.shape)
    light = np.clip(light, 0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    grey = np.round(255 * encoded).astype(np.uint8)
    decoded = np.where(grey / 255 <= 0.04045, grey / 255 / 12.92, ((grey / 255 + 0.055) / 1.055) ** 2.4)
    return Picture(
        rgb=np.repeat(grey[..., None], 3, axis=2), light=decoded.astype(np.float32), file="rule.jpg", width_px=width,
        height_px=height, focal_35mm_mm=focal_35mm_mm,
    )  # fmt: skip


def told(ruler: Ruler) -> float:
    """The 35 mm equivalent that EXIF would give."""
    return ruler.focal_px * 43.27 / np.hypot(*ruler.size_px)


def found(sheet, ruler: Ruler, *, exif: bool = True, **entries):
    entries = {"surface_height_mm": 0.0, "surface_height_U_mm": 0.01} | entries
    picture = photograph(ruler, focal_35mm_mm=told(ruler) if exif else None)
    return scale_from_graduations(picture, sheet(test="macro-butt", **entries))


def refused(sheet, ruler: Ruler, **entries) -> ScaleError:
    with pytest.raises(ScaleError) as caught:
        found(sheet, ruler, **entries)
    assert caught.value.file == "rule.jpg"
    assert caught.value.mend
    return caught.value


HALVES = tuple([5.2, *[2.0, 3.0] * 4, 2.0, 4.0, *[2.0, 3.0] * 4, 2.0])
SHOTS = {
    "millimetres, level": Ruler(),
    "halves, leaning across, turned": Ruler(
        division_mm=0.5, cycle=HALVES, mark_mm=0.12, px_per_mm=14, tilt_deg=12, towards_deg=80, roll_deg=33
    ),
    "light on dark, leaning along": Ruler(paper=0.03, ink=0.6, tilt_deg=14, towards_deg=5, roll_deg=-70),
    "half covered": Ruler(gaps_mm=((-38.0, -20.0), (3.0, 27.0)), tilt_deg=10, towards_deg=130, roll_deg=170),
    "four pixels a millimetre": Ruler(px_per_mm=4.2, mark_mm=0.25, tilt_deg=8, towards_deg=60),
    "three pixels a millimetre, on streaked steel": Ruler(
        px_per_mm=3.1, mark_mm=0.25, tilt_deg=6, towards_deg=200, roll_deg=20, first_mm=-100, last_mm=100, grain=0.5
    ),
    "fifty pixels a millimetre": Ruler(
        px_per_mm=50, mark_mm=0.12, tilt_deg=5, towards_deg=100, noise=0.012, size_px=(1500, 900), focal_px=1950.0
    ),
    "a wide lens": Ruler(px_per_mm=8, focal_px=390, tilt_deg=14, towards_deg=-60, roll_deg=-15),
}  # fmt: skip


@pytest.mark.parametrize("name", SHOTS)
def test_the_scale_is_true_and_its_interval_holds(sheet, name):
    """Scale at the picture's middle within 0.4 % (design section 10) and within the stated U; the division tells itself."""
    ruler = SHOTS[name]
    scale = found(sheet, ruler)
    middle = (np.array(ruler.size_px) - 1) / 2
    error = mm_per_px(scale.view, middle, 0.0) / true_mm_per_px(ruler, middle) - 1
    assert abs(error) < 0.004
    assert abs(error) < 2.5 * scale.u_rel
    assert scale.u_rel < 0.004
    assert scale.evidence["edges"][0]["division_mm"] == ruler.division_mm
    assert scale.u_rel == pytest.approx(combine(scale.budget))


def test_marks_are_located_to_a_few_hundredths_of_a_pixel(sheet):
    """Against the drawn places, projected by the tests' own camera: r.m.s. 0.04 px at a noise of 1 %; and none is missed.

    Straight edges of 9 px by 2 rows of marks and this noise allow about 0.01 px (Cramer-Rao, from memory).
    """
    ruler = SHOTS["halves, leaning across, turned"]
    edge = found(sheet, ruler).evidence["edges"][0]
    for name in ("outer_px", "inner_px"):
        x = on_plane(ruler, np.array(edge[name]))[:, 0] / ruler.division_mm
        off = x - np.rint(x)
        assert np.std(off - off.mean()) * edge["period_px"] < 0.04
        assert len(np.unique(np.rint(x))) == len(x)
    x = np.rint(on_plane(ruler, np.array(edge["outer_px"]))[:, 0] / ruler.division_mm)
    steps = np.diff(x) / np.diff(np.array(edge["index"]))
    assert np.all(np.abs(steps) == 1)  # the index runs as the marks do


@pytest.mark.parametrize("period_px", [4.2, 9.0, 20.0])
def test_marks_are_located_near_the_noises_own_limit(period_px):
    """The Cramer-Rao bound of one half of a mark of known form: sigma over the root of rows times the integral of its slope's
    square. White noise of 1 %, marks 0.15 divisions wide at half contrast, a Gaussian blur of 0.8 px, no quantisation: the
    scatter is 0.95 to 1.1 times the bound (its own sampling error over 236 marks: 5 %)."""
    noise, wide, blur, depth, count = 0.01, 0.15 * period_px, 0.8, 0.3, 60
    along = np.array([np.cos(0.3), np.sin(0.3)])
    origin = np.array([30.0, 30.2]) + 2 * period_px
    x, y = np.meshgrid(np.arange(int(63 * period_px) + 60), np.arange(int(23 * period_px) + 60))
    u, v = (x - origin[0]) * along[0] + (y - origin[1]) * along[1], (y - origin[1]) * along[0] - (x - origin[0]) * along[1]
    off = period_px * ((u / period_px + 0.5) % 1 - 0.5)

    def form(t):
        return ndtr((t + wide / 2) / blur) - ndtr((t - wide / 2) / blur)

    path = Path(
        origin_px=origin, along=along, counts=np.array([0.0, 1.0, 0.0, 0.0]), aside_px=np.zeros(3), lean=np.zeros(2),
        unit_px=period_px, span_px=(-period_px, period_px * (count + 2)), followed_px=(0.0, period_px * count),
    )  # fmt: skip
    index, errors = np.arange(1, count), []
    for seed in (1, 2):
        light = 0.6 - depth * form(off) * (np.abs(v) < 3 * period_px) + np.random.default_rng(seed).normal(0, noise, u.shape)
        points, _ = _located(light.astype(np.float32), path, index, (-1.5, 1.5), period_px)
        errors.append((points - origin) @ along - index * period_px)
    errors = np.concatenate(errors)
    assert np.abs(errors.mean(axis=1)).max() < 0.03  # alike for all marks: nothing in their distances
    t = np.linspace(-0.46 * period_px, 0.46 * period_px, 2001)
    rows = 0.38 * 3 * period_px  # of the marks' 3 divisions, what one half of the fit looks at
    bound = noise / np.sqrt(rows * np.sum(np.gradient(depth * form(t), t) ** 2) * (t[1] - t[0]))
    assert 0.85 < np.std(errors - errors.mean(axis=1, keepdims=True)) / bound < 1.2


def test_the_index_is_solved_through_gaps(sheet):
    """Marks beyond 24 covered millimetres are counted on: differences of index are differences of millimetres."""
    ruler = SHOTS["half covered"]
    edge = found(sheet, ruler).evidence["edges"][0]
    x = on_plane(ruler, np.array(edge["outer_px"]))[:, 0]
    index = np.array(edge["index"])
    np.testing.assert_allclose(np.abs(x - x[0]), np.abs(index - index[0]), atol=0.05)
    assert np.diff(np.sort(index)).max() > 20


def test_the_lean_across_is_told_by_how_marks_fan_out(sheet):
    """12 degrees across the rule, nothing but its marks to see it by: within 1.5 degrees."""
    ruler = SHOTS["halves, leaning across, turned"]
    scale = found(sheet, ruler)
    assert scale.tilt_deg == pytest.approx(ruler.tilt_deg, abs=1.5)


def test_an_unknown_lens_widens_the_budget(sheet):
    """Perspective tells the lean over the distance; without EXIF the distance is open, and so is the foreshortening."""
    ruler = SHOTS["halves, leaning across, turned"]
    with_exif, without = found(sheet, ruler), found(sheet, ruler, exif=False)
    line = [next(t for t in scale.budget if t.source == "principal distance").contribution for scale in (with_exif, without)]
    assert line[1] > 3 * line[0]
    middle = (np.array(ruler.size_px) - 1) / 2
    error = mm_per_px(without.view, middle, 0.0) / true_mm_per_px(ruler, middle) - 1
    assert abs(error) < 2.5 * without.u_rel


def test_a_surface_over_the_rule_is_nearer(sheet):
    """30 mm up at 116 mm from the lens: the scale there is smaller by 30 / 116, and the height has its line."""
    ruler = Ruler()
    scale = found(sheet, ruler, surface_height_mm=30.0, surface_height_U_mm=1.0)
    middle = (np.array(ruler.size_px) - 1) / 2
    distance = ruler.focal_px / ruler.px_per_mm
    raised = mm_per_px(scale.view, middle, 30.0) * ruler.px_per_mm
    assert raised == pytest.approx(1 - 30 / distance, abs=3 * scale.u_rel)
    line = next(t for t in scale.budget if t.source.startswith("height"))
    assert line.contribution == pytest.approx(0.5 / (distance - 30), rel=0.1)


def test_a_wrong_division_is_refused(sheet):
    """Half entered for whole and whole for half: the pattern contradicts, either way."""
    error = refused(sheet, Ruler(), graduation_mm=0.5)
    assert error.field == "scale.graduation_mm"
    assert "1 mm" in str(error)
    assert refused(sheet, SHOTS["halves, leaning across, turned"], graduation_mm=1.0).field == "scale.graduation_mm"
    assert found(sheet, Ruler(), graduation_mm=1.0).evidence["edges"][0]["division_mm"] == 1.0


TENTHS = (5.0, *[2.6] * 4, 3.8, *[2.6] * 4)


@pytest.mark.parametrize("px_per_mm", [3.5, 7.0])
@pytest.mark.parametrize(
    ("division_mm", "cycle"),
    [(INCH / 10, TENTHS), (INCH / 20, (6.0, *[2.0, 3.0] * 4, 2.0, 4.2, *[2.0, 3.0] * 4, 2.0)), (2.0, TENTHS)],
)
def test_tenths_of_an_inch_are_never_taken_for_millimetres(sheet, division_mm, cycle, px_per_mm):
    """Decimal inches count in tens with a longer fifth, as millimetres do: refused as ambiguous, and taken at the sheet's word.

    What tells them is the marks' length in divisions (common practice, no source: marks of 2 to 5 mm on either rule).
    """
    drawn = Ruler(division_mm=division_mm, cycle=cycle, mark_mm=0.3, px_per_mm=px_per_mm)
    error = refused(sheet, drawn)
    assert error.field == "scale.graduation_mm"
    assert "tenths of an inch" in str(error)
    if division_mm == INCH / 10:
        scale = found(sheet, drawn, graduation_mm=2.54)
        middle = (np.array(drawn.size_px) - 1) / 2
        assert mm_per_px(scale.view, middle, 0.0) == pytest.approx(true_mm_per_px(drawn, middle), rel=0.004)


def named_edge(period_px: float, shortest: float) -> tuple[Edge, float]:
    """An edge that counts in tens, as far as telling its unit goes."""
    pattern = Pattern(name="tens, fives and ones", division_mm=1.0, first=0, explained=1.0, kinds=(6.0, 4.0, shortest))
    return Edge(marks=SimpleNamespace(period_px=period_px), pattern=pattern), 1.0


def test_beside_a_millimetre_edge_an_inch_edge_is_left_out():
    """Two edges of one rule, 10 and 25.4 px a division: only the first is in millimetres, whatever the other's lengths."""
    millimetres, inches, alike = named_edge(10.0, 3.0), named_edge(25.4, 3.0), named_edge(10.3, 1.2)
    kept, said = _millimetres([inches, millimetres], SimpleNamespace(file="a.jpg"))
    assert kept == [millimetres]
    assert said == ()
    assert _millimetres([millimetres, alike], SimpleNamespace(file="a.jpg"))[0] == [millimetres, alike]
    doubtful = _millimetres([named_edge(10.0, 2.1)], SimpleNamespace(file="a.jpg"))
    assert "2.54" in doubtful[1][0]
    with pytest.raises(ScaleError, match="short for millimetres"):
        _millimetres([alike], SimpleNamespace(file="a.jpg"))


def test_a_stage_micrometer_is_taken_at_its_word(sheet):
    """Counted in tens like a rule, but a tenth of a millimetre apart: the sheet says so."""
    micrometer = found(sheet, Ruler(), graduation_mm=0.1)
    assert micrometer.evidence["edges"][0]["division_mm"] == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("cycle", "words"),
    [
        ((3.0,), "no regular pattern"),
        ((4.0, 3.0), "every second"),
        ((4.5, 3.0, 3.0, 3.0, 3.0), "every fifth"),
        (tuple(float(2.4 + 0.8 * max(k for k in range(5) if n % 2**k == 0)) for n in range(16)), "inches"),
    ],
)
def test_what_the_marks_do_not_say_is_asked_for(sheet, cycle, words):
    """Marks all alike, alternating, in fives only, or halving as inches do: ambiguous by a factor of two or more."""
    error = refused(sheet, Ruler(cycle=cycle))
    assert error.field == "scale.graduation_mm"
    assert words in str(error)


def test_a_word_for_an_unclear_pattern_is_taken_with_a_caution(sheet):
    """Marks all alike and the division entered: used, and said that nothing checks it."""
    scale = found(sheet, Ruler(cycle=(3.0,)), graduation_mm=1.0)
    assert any("as entered" in caution for caution in scale.cautions)
    inch = tuple(float(2.4 + 0.8 * max(k for k in range(5) if n % 2**k == 0)) for n in range(16))
    drawn = Ruler(cycle=inch, division_mm=INCH / 16, mark_mm=0.2)
    scale = found(sheet, drawn, graduation_mm=round(INCH / 16, 4))
    middle = (np.array(drawn.size_px) - 1) / 2
    assert mm_per_px(scale.view, middle, 0.0) == pytest.approx(true_mm_per_px(drawn, middle), rel=0.004)
    assert "inch" in str(refused(sheet, drawn, graduation_mm=1.0))


def test_lines_that_run_on_are_no_rule(sheet):
    """A grid's or a cloth's even lines have no common end."""
    assert "no rule" in str(refused(sheet, Ruler(lines_mm=1.0), graduation_mm=1.0))


def test_a_bare_bench_is_no_rule(sheet):
    """Noise and soft shade."""
    assert "no rule" in str(refused(sheet, Ruler(first_mm=500, last_mm=600)))


def test_auto_takes_a_rule_where_there_is_no_card(sheet):
    """No card and nothing marked: a rule that says what it is serves; one that does not leaves the card asked for."""
    picture = photograph(Ruler(), focal_35mm_mm=told(Ruler()))
    scale = find_scale(picture, sheet(test="macro-butt", surface_height_mm=0.0))
    assert scale.method == "graduations"
    unclear = photograph(Ruler(cycle=(3.0,)), focal_35mm_mm=told(Ruler()))
    with pytest.raises(ScaleError, match="no marker"):
        find_scale(unclear, sheet(test="macro-butt", surface_height_mm=0.0))


def test_placing_hides_the_rule_and_may_tell_the_lens(sheet):
    """The outline that placing leaves out holds every mark; the views of other lenses keep the scale along the rule."""
    ruler = SHOTS["halves, leaning across, turned"]
    scale = found(sheet, ruler, exif=False)
    (outline,) = card_outlines_px(scale)
    for point in scale.evidence["edges"][0]["outer_px"]:
        assert cv2.pointPolygonTest(outline.astype(np.float32).reshape(-1, 1, 2), tuple(point), False) > 0
    views = scale.lenses()
    first, last = (np.array(scale.evidence["edges"][0]["outer_px"])[k] for k in (0, -1))
    spans = [np.ptp(view.on_plane(np.array([first, last]))[:, 0]) for view in views.views]
    assert spans == pytest.approx([spans[3]] * 7, rel=0.003)
    assert views.views[0].focal_px < 0.8 * views.views[6].focal_px
    better = scale.refocused(ruler.focal_px, 0.01)
    assert better.view.focal_px == pytest.approx(ruler.focal_px, rel=0.03)
    assert better.u_rel < scale.u_rel


def test_a_lens_profile_serves_a_rule(sheet):
    """A lens as bent as a cheap close-up one: with its profile the scale beside the rule is true to its much smaller budget."""
    ruler = Ruler(px_per_mm=6.0, tilt_deg=6, towards_deg=70, k1=-0.12, size_px=(900, 700))
    picture = photograph(ruler)
    profile = Profile(
        format="specimeter-camera", version=1, width_px=900, height_px=700, focal_px=ruler.focal_px, u_focal_rel=0.015,
        centre_x_px=449.5, centre_y_px=349.5, u_centre_px=1.0, k1=-0.12, u_k1=0.003, k2=0.0, u_k2=0.005, photographs=12,
        residual_rms_px=0.2,
    )  # fmt: skip
    asked = sheet(test="macro-butt", surface_height_mm=0.0, surface_height_U_mm=0.01)
    with_it, without = scale_from_graduations(picture, asked, lens=of_profile(profile)), scale_from_graduations(picture, asked)
    beside = np.array([450.0, 560.0])
    error = mm_per_px(with_it.view, beside, 0.0) / true_mm_per_px(ruler, beside) - 1
    assert abs(error) < 2.5 * with_it.at(beside).u_rel
    assert abs(error) < 0.003
    assert with_it.at(beside).u_rel < without.at(beside).u_rel
    assert with_it.evidence["lens_profile"] == profile.name
    assert with_it.evidence["focal_source"] == "profile"


def fit(*, miss, dropped: int, turn_deg: float, inflation: float = 1.0) -> RuleFit:
    """A fit of 100 points that leaves the worst `dropped` of them out."""
    miss = np.array(miss, float)
    kept = np.sort(np.abs(miss))[: len(miss) - dropped]
    rotation = Rotation.from_rotvec([np.radians(turn_deg), 0.0, 0.0]).as_matrix()
    view = View(focal_px=1000.0, centre_px=np.zeros(2), rotation=rotation, translation_mm=np.array([0.0, 0.0, 300.0]))
    return RuleFit(
        view=view, unknowns=np.zeros(14), jacobian=np.eye(14), known=(), known_jacobian=np.eye(14), residual_mm=kept,
        u_mm=np.ones(len(kept)), every_residual_mm=miss, every_u_mm=np.ones(len(miss)), dropped=dropped, inflation=inflation,
        strain=1.0, at_focal=lambda log_px, start: (start, 0.0),
    )  # fmt: skip


def test_a_fit_that_drops_half_the_marks_does_not_win():
    """All points of one way of leaning miss by one standard uncertainty; half of the other's by none, half by a hundred."""
    true = fit(miss=np.ones(100), dropped=0, turn_deg=5.0)
    selective = fit(miss=np.r_[np.zeros(50), np.full(50, 100.0)], dropped=50, turn_deg=-5.0)
    assert selective.cost < true.cost  # by what each kept, the wrong one looks better
    assert distinct([selective, true]) == [true]
    lax = fit(miss=np.full(100, 3.0), dropped=0, turn_deg=-5.0, inflation=3.0)
    assert distinct([lax, true]) == [true]
    alike = fit(miss=np.full(100, 1.02), dropped=0, turn_deg=-5.0)
    assert distinct([alike, true]) == [true, alike]
