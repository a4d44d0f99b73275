"""Uncertainty of a section's sizes from its outline: larger where a size goes missing, and infinite where it always does."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.measure import section_spread
from specimeter.measure.section_draw import evaluator
from specimeter.measure.section_spread import own_u, spread_of, spread_of_metal, u_edge, u_toe
from specimeter.measure.sure_enough import NO_OTHER, too_uncertain
from specimeter.segment.plates import resampled, runs
from tests.measure.test_weld_sizes import tee

STEP, PX_MM, U_EDGE_MM = 0.05, 0.03, 0.012
# Judgements and figures from scenes, on which the U of every issued record hangs: they stand here as their own words say
TRIES, STRETCHES = 6, 8
EDGE_PX, CORNER_PX, UNSURE_MM = 0.4, 0.8, 0.2
ANGLE_U_DEG, CURVED = 3.0, 0.08
WAVY_MM, U_THICKNESS_MM, ROUNDED_MM = 0.035, 0.1, 0.22
UNCLEAR = np.array([[58.2, 58.2 - 0.05 * k] for k in range(30)])  # on the weld's face, 1.5 mm of it


def spread(unclear=None, lose=lambda call: False, *, step: float = STEP, roll: int = 0, doubled=None):
    """Of a mitre fillet of 6 mm legs; from calls for which `lose` is true the throat is missing."""
    outline = np.roll(resampled(tee(6.0, 6.0), step), roll, axis=0)
    plates = runs(outline)
    evaluate = evaluator("macro-fillet", None, np.eye(2), None)
    drawn = evaluate(outline, plates, None)[0]
    calls = []

    def again(*given):
        calls.append(given)
        sizes, *rest = evaluate(*given)
        return ({name: one for name, one in sizes.items() if not (name == "throat_mm" and lose(len(calls)))}, *rest)

    places = np.zeros((0, 2)) if unclear is None else unclear
    choices = {"px_mm": PX_MM, "u_edge_mm": U_EDGE_MM, "unclear_mm": places, "doubled_mm": doubled}
    return spread_of(again, outline, plates, None, drawn, **choices), len(calls)


def test_a_stretch_without_a_clear_edge_adds_what_moving_it_does():
    """Each such stretch is moved out and in once; a throat that is measured across it is told less surely, a far leg is not."""
    (plain, tries), (hidden, more) = spread(), spread(UNCLEAR)
    assert tries == 2 + TRIES
    assert 2 + TRIES < more <= 2 + TRIES + 2 * STRETCHES
    assert hidden["throat_mm"] > 1.5 * plain["throat_mm"]
    assert hidden["throat_mm"] < 3 * 3.0 * PX_MM  # a stretch is moved by 3 px


def test_a_stretch_with_a_further_edge_inside_may_be_that_edge():
    """Across the face's middle, 0.8 mm farther in: the throat may be less by nearly as much, a leg is as sure as before."""
    (plain, _), (doubled, _) = spread(), spread(doubled=(UNCLEAR, np.full(len(UNCLEAR), 0.8)))
    assert 0.25 < doubled["throat_mm"] < 0.8
    assert doubled["leg_1_mm"] == pytest.approx(plain["leg_1_mm"], rel=0.3)


def test_a_size_that_goes_missing_is_less_sure_or_not_given():
    """One of the tries without a throat doubles what they tell; none with it, or a stretch moved without it: not given."""
    whole, count = spread(UNCLEAR)
    once, _ = spread(lose=lambda call: call == 3)
    assert once["throat_mm"] > 1.5 * spread()[0]["throat_mm"]
    for lose in (lambda call: call == count, lambda call: True):
        lost, _ = spread(UNCLEAR, lose)
        assert lost["leg_1_mm"] == pytest.approx(whole["leg_1_mm"])
        assert lost["throat_mm"] == np.inf
    assert too_uncertain("throat_mm", 4.2, 2 * lost["throat_mm"]) == NO_OTHER


def test_moving_a_stretch_counts_as_the_mean_of_out_and_in():
    """By 3 px, which the throat then is off either way: that is its part, beside what the rest of the outline gives."""
    plain, hidden = spread()[0]["throat_mm"], spread(UNCLEAR)[0]["throat_mm"]
    assert np.sqrt(hidden**2 - plain**2) == pytest.approx(3.0 * PX_MM, rel=0.3)


def toe(
    angle_deg: float = 130.0,
    *,
    scatter_mm: float = 0.0,
    u_angle_rad: float = 0.0,
    at_mm: float = 0.0,
    blunt_mm: float = 0.0,
    lip: np.ndarray | None = None,
) -> SimpleNamespace:
    """On a plate along x, whose line is known best at its middle."""
    along = lambda points: np.asarray(points)[:, 0]
    plate = SimpleNamespace(scatter_mm=scatter_mm, u_angle_rad=u_angle_rad, u_offset_mm=0.02, along=along)
    return SimpleNamespace(angle_deg=angle_deg, plate=plate, point=np.array([at_mm, 0.0]), blunt_mm=blunt_mm, lip=lip)


def own(name: str, *toes, metal=None, gap=None, **choices) -> float:
    return own_u(name, toes or (toe(), toe()), metal, gap, px_mm=PX_MM, u_edge_mm=U_EDGE_MM, **choices)


def test_a_toe_is_placed_the_less_surely_the_more_gently_the_face_leaves():
    """A leg's u by its own toe: grows with the angle and with the plate's waviness, never below a tenth of a pixel; the width
    between both toes has both.
    """
    steep, gentle = own("leg_1_mm", toe(100.0), toe(170.0)), own("leg_2_mm", toe(100.0), toe(170.0))
    assert 0.1 * PX_MM < steep < gentle / 3
    wavy = own("leg_1_mm", toe(100.0, scatter_mm=0.1), toe())
    seen, rough = (np.sqrt(one**2 - (0.1 * PX_MM) ** 2) for one in (steep, wavy))
    assert rough / seen == pytest.approx(np.hypot(0.05, U_EDGE_MM) / U_EDGE_MM)  # half of what the plate's points scatter
    assert own("weld_width_mm", toe(100.0), toe(170.0)) == pytest.approx(np.hypot(steep, gentle))
    assert own("throat_mm") == pytest.approx(CORNER_PX * PX_MM)


def test_a_toe_s_place_lifts_the_chord_by_the_angle_that_it_stands_at():
    """Half-way along the chord by half of what each toe moves square to it, beside what a chord is off at the best; none where
    the plates lie along the chord (plane geometry).
    """
    one, two = toe(120.0), toe(150.0)
    one.plate.normal, two.plate.normal, two.point = np.array([0.0, 1.0]), np.array([1.0, 0.0]), np.array([8.0, -6.0])
    legs = [own(f"leg_{number}_mm", one, two) for number in (1, 2)]
    lifted = 0.5 * np.hypot(0.6 * legs[0], 0.8 * legs[1])  # a chord of 8 across by 6 up
    for name in ("convexity_mm", "theoretical_throat_mm"):
        assert own(name, one, two) == pytest.approx(np.hypot(CORNER_PX * PX_MM, lifted))
    assert own("excess_weld_mm", one, two) == pytest.approx(CORNER_PX * PX_MM)


@pytest.mark.parametrize("angle_deg", [95.0, 120.0, 150.0, 165.0])
def test_a_toe_lies_where_two_displaced_lines_meet(angle_deg):
    """The plate's line and the face's, each off by u to its other side, and the face gentler by the 3 degrees that it may be:
    how far their meeting place moves along the plate (plane geometry), and the hundredths of a radian that keep it finite.
    """
    turn = np.radians(180.0 - angle_deg - ANGLE_U_DEG)
    face = np.array([np.cos(turn), np.sin(turn)])
    start = U_EDGE_MM * np.array([-face[1], face[0]])  # on the face's line, moved along its own normal
    moved = start[0] - (start[1] + U_EDGE_MM) / face[1] * face[0]  # where it comes to the plate's, moved the other way
    seen = np.sqrt(own("leg_1_mm", toe(angle_deg), toe()) ** 2 - (0.1 * PX_MM) ** 2)
    assert abs(moved) / (1 + 0.06 / turn) < seen < abs(moved)


def test_how_gently_a_face_may_leave_has_bounds():
    """From a right angle on a steeper one is no surer, and what leaves within 5 degrees is as unsure as can be told."""
    place = [own("leg_1_mm", toe(angle), toe()) for angle in (60.0, 87.0, 88.0, 174.0, 175.0, 179.5)]
    assert place[0] == place[1] < place[2]
    assert place[3] < place[4] == place[5]


def test_a_wedge_of_air_under_a_lip_ends_where_it_is_too_thin_to_be_seen():
    """A lip that hangs over its plate at 30 degrees: three quarters of a pixel of air lie that much / tan 30 from the toe."""
    under, plain = (u_toe(toe(30.0, lip=lip), px_mm=0.07, u_edge_mm=0.01) for lip in (np.zeros((3, 2)), None))
    assert np.sqrt(under**2 - plain**2) == pytest.approx(0.75 * 0.07 / np.tan(np.radians(30)), rel=1e-6)


def test_a_blunt_edge_leaves_its_toe_in_doubt():
    """A lip may hide beneath: the toe lies further in, by twice the edge's height; nothing tells its angle."""
    one, two = toe(100.0, blunt_mm=0.8), toe(100.0)
    assert own("leg_1_mm", one, two) == pytest.approx(np.hypot(1.6, own("leg_2_mm", one, two)))
    assert own("weld_width_mm", one, two) > 1.6
    assert np.isinf(own("toe_angle_1_deg", one, two))
    assert np.isfinite(own("toe_angle_2_deg", one, two))


def test_an_angle_is_as_sure_as_its_face_and_its_plate():
    """The curve of the face, more where it turns more; a plate known to 0.1 rad adds 5.7 degrees to its own toe's angle."""
    loose = (toe(), toe(u_angle_rad=0.1))
    seen = np.degrees(0.2 * PX_MM)  # a fifth of a pixel over a millimetre of plate
    face = np.hypot(ANGLE_U_DEG, CURVED * 50.0)
    assert own("toe_angle_1_deg", *loose) == pytest.approx(np.hypot(face, seen))
    assert own("toe_angle_2_deg", *loose) == pytest.approx(np.sqrt(face**2 + np.degrees(0.1) ** 2 + seen**2))
    assert own("toe_angle_1_deg", toe(180.0), toe()) == pytest.approx(np.hypot(ANGLE_U_DEG, seen))


def test_a_step_between_plates_is_as_sure_as_their_lines_are_at_the_weld():
    """Far from the middle of the run that the line was laid through, its direction's error grows with the distance."""
    near, far = (own("misalignment_mm", toe(u_angle_rad=0.01, at_mm=at), toe()) for at in (0.0, 20.0))
    assert np.sqrt(far**2 - near**2) == pytest.approx(0.01 * 20.0, rel=1e-6)
    lines = np.hypot(0.02, 0.02)  # of the two plates, each in the middle of its run; and a fifth of a pixel
    assert near == pytest.approx(np.sqrt(lines**2 + WAVY_MM**2 + (0.2 * PX_MM) ** 2))


def test_what_tells_the_penetration_tells_how_sure_it_is():
    """The plate's thickness, the gap's end, the fusion line, or nothing of the kind: in this order of sureness here."""
    metal = SimpleNamespace(u_alike_mm=0.4, line_mm=15.0)
    gap = SimpleNamespace(u_mm=0.15)
    half_px = 0.5 * PX_MM
    assert own("penetration_mm", through=True, metal=metal) == pytest.approx(np.hypot(U_THICKNESS_MM, half_px))
    assert own("penetration_mm", gap=gap, metal=metal) == pytest.approx(np.hypot(0.15, half_px))
    assert own("penetration_mm", metal=metal) == pytest.approx(np.sqrt(0.4**2 + ROUNDED_MM**2 + half_px**2))
    assert own("penetration_mm") == pytest.approx(np.hypot(ROUNDED_MM, half_px))
    assert own("weld_area_mm2", metal=metal) == pytest.approx(0.4 * 15.0)
    assert own("weld_area_mm2") == pytest.approx(CORNER_PX * PX_MM)


def test_the_whole_outline_is_less_sure_where_it_was_found_with_doubt():
    """EDGE_PX pixels where it was sure, and 0.2 mm where nothing speaks for it."""
    assert u_edge(PX_MM, 1.0) == pytest.approx(EDGE_PX * PX_MM)
    assert u_edge(PX_MM, 0.0) == pytest.approx(np.hypot(EDGE_PX * PX_MM, UNSURE_MM))
    assert u_edge(PX_MM, 1.0) < u_edge(PX_MM, 0.5) < u_edge(PX_MM, 0.0)


def test_other_fusion_lines_tell_how_sure_the_weld_metal_is():
    """The standard deviation over them beside the outline's own; a line that gives no outline, or no size, tells nothing."""
    evaluate = lambda outline, plates, weld: None if weld is None else ({"weld_area_mm2": SimpleNamespace(value=weld)},)
    alone = {"weld_area_mm2": 3.0, "penetration_mm": 1.0}
    found = spread_of_metal(evaluate, None, None, [10.0, 18.0, None], alone)
    assert found == {"weld_area_mm2": pytest.approx(np.hypot(3.0, 4.0))}
    assert spread_of_metal(evaluate, None, None, [10.0], alone) == {}
    assert spread_of_metal(evaluate, None, None, [10.0, 18.0], {}) == {}


def face_places(first_mm: float, last_mm: float) -> np.ndarray:
    """Places without a clear edge on the fillet's face, so far from its toe on the plate, 0.05 mm apart."""
    way = np.arange(first_mm, last_mm, 0.05) / np.sqrt(2)
    return np.column_stack([61.0 - way, 60.0 - way])


def added(hidden: dict, plain: dict, name: str = "throat_mm") -> float:
    return float(np.sqrt(max(hidden[name] ** 2 - plain[name] ** 2, 0.0)))


def test_a_stretch_s_part_does_not_hang_on_how_finely_the_outline_is_drawn():
    """Points 0.05 or 0.1 mm apart, and wherever the outline begins, the stretch itself included."""
    plain, hidden = spread()[0], spread(UNCLEAR)[0]
    fine = added(hidden, plain)
    coarse = added(spread(UNCLEAR, step=0.1)[0], spread(step=0.1)[0])
    assert coarse == pytest.approx(fine, rel=0.15)
    outline = resampled(tee(6.0, 6.0), STEP)
    at = int(np.argmin(np.hypot(*(outline - UNCLEAR[10]).T)))
    rolled, calls = spread(UNCLEAR, roll=-at)
    assert added(rolled, spread(roll=-at)[0]) == pytest.approx(fine, rel=0.1)
    assert calls == spread(UNCLEAR)[1], "one stretch across the seam, not two"


def test_only_what_lies_on_a_stretch_is_less_sure_for_it():
    """Near the toe on the plate the leg there is, and the throat at the middle is not; of a few lone places nothing is."""
    plain, near_toe = spread()[0], spread(face_places(0.2, 1.6))[0]
    through = max(("leg_1_mm", "leg_2_mm"), key=lambda name: added(near_toe, plain, name))
    other = {"leg_1_mm": "leg_2_mm", "leg_2_mm": "leg_1_mm"}[through]
    assert added(near_toe, plain, through) > 0.1
    assert added(near_toe, plain, other) < 0.03
    assert added(near_toe, plain) < 0.01
    few = spread(face_places(3.0, 5.0)[::20])[0]
    assert few == pytest.approx(plain)


def test_two_stretches_add_their_squares():
    """One at either side of the face's middle, each by itself and both together (JCGM 100:2008, 5.1.2), for the convexity."""
    plain = spread()[0]
    one, two = face_places(0.2, 1.6), face_places(6.9, 8.3)
    name = "theoretical_throat_mm"
    apart = [added(spread(places)[0], plain, name) for places in (one, two)]
    both = added(spread(np.concatenate([one, two]))[0], plain, name)
    assert min(apart) > 0.02
    assert both == pytest.approx(np.hypot(*apart), rel=0.1)


def test_the_whole_outline_s_place_moves_a_size_by_its_geometry():
    """Displaced by u all round, plates and face go alike: a mitre fillet's throat and legs stay; none exceeds that u."""
    sure = spread()[0]
    assert sure["throat_mm"] < 0.6 * U_EDGE_MM
    assert sure["leg_1_mm"] < 1.5 * U_EDGE_MM


def ring(count: int, off_mm=0.0) -> np.ndarray:
    """A circle of 10 mm radius, each point so far out of it."""
    turn = np.arange(count) * 2 * np.pi / count
    return (10.0 + off_mm * np.ones(count))[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])


def test_an_outline_s_roughness_is_the_scatter_of_its_points():
    """Normal noise of 0.3 px on a circle: its standard deviation about a mean of 19, less that mean's own (sqrt(18 / 19)); a
    few points far out change little; and never below a tenth of a pixel nor above six.
    """
    rng = np.random.default_rng(3)
    noise = PX_MM * rng.normal(size=3000)

    def told(share: float, stray: float = 0.0) -> float:
        outline = ring(3000, share * noise + stray * PX_MM * (np.arange(3000) % 60 == 0))
        return section_spread._roughness(outline, section_spread._normals(ring(3000)), PX_MM) / PX_MM

    assert told(0.3) == pytest.approx(0.3 * np.sqrt(18 / 19), rel=0.05)
    assert told(0.3, stray=5.0) == pytest.approx(0.3, rel=0.25)
    assert told(0.0) == pytest.approx(0.1)
    assert told(3.0) == pytest.approx(0.6)


def test_the_normals_of_a_circle_are_its_radii():
    normal = section_spread._normals(ring(200))
    assert normal == pytest.approx(np.sign(normal[0] @ ring(200)[0]) * ring(200) / 10.0)


@pytest.mark.parametrize("sigma", [6.0, 15.0])
def test_errors_along_an_outline_hang_together_as_told(sigma):
    """Unit variance, and the correlation of two places exp(-(d / sigma)^2), the closed form of filtered white noise."""
    noise = section_spread._smooth(np.random.default_rng(2), 60_000, sigma)
    assert noise.std() == pytest.approx(1.0)
    for share in (0.5, 1.0, 1.5):
        lag = round(share * sigma)
        assert np.mean(noise * np.roll(noise, lag)) == pytest.approx(np.exp(-((lag / sigma) ** 2)), abs=0.04)


def test_one_try_that_went_astray_weighs_little():
    """Root mean square; one far out counts as six times the median at most, and of nothing comes nothing."""
    assert section_spread._middle([3.0, -4.0]) == pytest.approx(np.sqrt(12.5))
    assert section_spread._middle([1.0, -1.0, 1.0, 1.0, 5.0]) == pytest.approx(np.sqrt((4 + 25) / 5))
    assert section_spread._middle([1.0, -1.0, 1.0, 1.0, 100.0]) == pytest.approx(np.sqrt((4 + 36) / 5))
    assert section_spread._middle([]) == 0.0


@pytest.mark.parametrize(
    ("stretches", "points"),
    [
        ([(3, 60), (500, 540)], [64, 47]),  # the first begins where the outline does ...
        ([(940, 996), (500, 540)], [63, 47]),  # ... or ends there: two all the same
        ([(970, 1030), (500, 540)], [67, 47]),  # across the seam: one
        ([(100 * k, 100 * k + 20 + 2 * k) for k in range(9)], [43 - 2 * k for k in range(8)]),  # the eight longest of nine
        ([(200, 203)], [10]),  # four of the thirteen within reach: more than three in ten
        ([(200, 202)], []),
    ],
)
def test_stretches_without_a_clear_edge_are_told_apart(stretches, points):
    """On a circle, points 1 / 16 mm apart, of which errors hang together over 6 either way: each stretch by itself, the longest
    first, with all its points and those at either end that have four of them within 6; fully in its middle, half at its ends.
    """
    outline = ring(1000) / 10.0 * 1000 / 16 / (2 * np.pi)
    places = np.concatenate([outline[np.arange(first, last + 1) % 1000] for first, last in stretches])
    bumps = section_spread._bumps(outline, places, 1 / 16)
    assert [round(float(bump.sum())) for bump in bumps] == points
    for bump, (first, last) in zip(bumps, sorted(stretches, key=lambda ends: ends[0] - ends[1]), strict=False):
        assert bump.max() == pytest.approx(1.0)
        assert bump[(first + last) // 2 % 1000] == pytest.approx(1.0)
        assert bump[((first + last) // 2 + 100) % 1000] == 0.0


@pytest.mark.parametrize(
    ("moved", "tried", "aside", "u"),
    [
        ([3.0, -3.0], [4.0, -4.0] * 3, [], 5.0),
        ([3.0, -3.0], [4.0, -4.0] * 2 + [4.0, None], [], 10.0),  # gone once: half as sure
        ([3.0, None], [4.0, -4.0] * 2 + [4.0, None], [], 15.0),
        ([3.0, -3.0], [4.0, -4.0] * 3, [12.0, -12.0], 13.0),
        ([3.0, -3.0], [4.0, -4.0] * 3, [4.0, 8.0, 8.0, -16.0], np.sqrt(25 + (16 + 64 + 64 + 256) / 2)),
        ([3.0, -3.0], [4.0, -4.0] * 3, [12.0, None], np.inf),
        ([None, None], [4.0, -4.0] * 3, [], np.inf),
        ([3.0, -3.0], [None] * 6, [], np.inf),
    ],
)
def test_what_each_try_tells_is_put_together_by_squares(moved, tried, aside, u):
    """Displaced out and in, six times perturbed, each unclear stretch out and in: root mean squares, added as squares (JCGM
    100:2008, 5.1.2); a size that goes missing now and then is unsurer by as many times, and lost where none of a kind is left.
    """
    calls = iter([*moved, *tried, *aside])

    def evaluate(outline, plates, weld):
        value = next(calls)
        return None if value is None else ({"size": SimpleNamespace(value=20.0 + value)},)

    outline = ring(1000) / 10.0 * 1000 / 16 / (2 * np.pi)
    places = np.concatenate([np.zeros((0, 2)), *(outline[300 * k + 100 : 300 * k + 140] for k in range(len(aside) // 2))])
    drawn = {"size": SimpleNamespace(value=20.0)}
    found = spread_of(evaluate, outline, (), None, drawn, px_mm=PX_MM, u_edge_mm=U_EDGE_MM, unclear_mm=places)
    assert found == {"size": pytest.approx(u)}
    assert next(calls, "no more") == "no more"
