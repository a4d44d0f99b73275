"""The learned segmenter: the network runs in OpenCV as it was trained, finds what is there, and leaves an even face alone."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from specimeter import colour
from specimeter.errors import SpecimeterError
from specimeter.segment import learned
from specimeter.segment.border import Border
from specimeter.segment.contour import evenly
from specimeter.segment.model import ExaminedArea
from specimeter.segment.network import Seen, answers, look, prepared
from specimeter.validate.match import match

MM_PER_PX = 0.06


class Photo:
    """A picture in memory, as `specimeter.photo.Photo` answers."""

    def __init__(self, light):
        self.rgb = np.repeat(np.round(255 * colour.to_code(light))[..., None], 3, axis=2).astype(np.uint8)

    def linear(self):
        return colour.luminance(self.rgb)


def surface(shape="flat"):
    return SimpleNamespace(shape=shape, mm_per_px_at=lambda point: MM_PER_PX)


def area(shape):
    height, width = shape
    return ExaminedArea(outline_px=np.array([[20, 20], [width - 21, 20], [width - 21, height - 21], [20, height - 21]], float))


def face(seed, *, outlines=(), shape=(420, 560), blur=0.9):
    """A brushed surface in linear light with dark holes of given outlines [x, y], photographed with blur and noise."""
    rng = np.random.default_rng(seed)
    lay = cv2.GaussianBlur(rng.normal(size=shape).astype(np.float32), (0, 0), sigmaX=14, sigmaY=0.7)
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)
    light = 0.3 * np.exp(0.06 * lay / lay.std()) * (1 + 0.2 * x)[None]
    fine = np.zeros((shape[0] * 4, shape[1] * 4), np.uint8)
    for outline in outlines:
        cv2.fillPoly(fine, [np.round(((np.asarray(outline) + 0.5) * 4 - 0.5) * 16).astype(np.int32)], 255, shift=4)
    hole = cv2.resize(fine, shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    light = cv2.GaussianBlur(light * (1 - 0.9 * hole), (0, 0), blur)
    return Photo(np.clip(light + rng.normal(0, 0.003, shape), 0, 1).astype(np.float32))


def ellipse(x, y, length, width, turn=0.0):
    t = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    u, v = length / 2 * np.cos(t), width / 2 * np.sin(t)
    return np.column_stack([x + u * np.cos(turn) - v * np.sin(turn), y + u * np.sin(turn) + v * np.cos(turn)])


def test_the_network_is_small_and_answers_for_any_size():
    """At most 8 MB; the answer has the picture's own size, and padding does not change it far from the border."""
    assert all(network.file.stat().st_size < 8_000_000 for network in (learned.NETWORK, learned.GROUND))
    rng = np.random.default_rng(1)
    picture = rng.normal(0, 0.3, (1, 4, 183, 250)).astype(np.float32)
    answer = answers(picture, learned.NETWORK)
    assert answer.shape == (4, 183, 250)
    assert np.isfinite(answer).all()


def test_opencv_computes_what_the_trained_network_computed():
    """Log-odds that PyTorch 2.13 gave with the trained weights for a fixed picture, kept in a file beside this test."""
    kept = json.loads(Path(__file__).with_name("learned_reference.json").read_text(encoding="utf-8"))
    y, x = np.mgrid[:64, :96].astype(np.float32)
    planes = [np.sin(x / 7 + k) * np.cos(y / (5 + k)) for k in range(3)]
    planes.append(np.where(x > 8, 1.0, -1.0))
    answer = answers(np.stack(planes)[None].astype(np.float32), learned.NETWORK)
    for (k, row, column), value in zip(kept["at"], kept["log_odds"], strict=True):
        assert answer[k, row, column] == pytest.approx(value, abs=2e-3)


def test_a_coarse_photograph_is_looked_at_twice_and_a_fine_one_once():
    """At 0.075 mm a pixel three answers are the mean of the enlarged look and the plain one, the share is the enlarged one's;
    at 0.05 mm there is one look."""
    photo = face(7, outlines=[ellipse(200, 150, 30, 9)], shape=(300, 400))
    where = area(photo.rgb.shape[:2])

    def said(network, mm):
        return look(photo, SimpleNamespace(mm_per_px_at=lambda point: mm), where, network)

    both = said(learned.NETWORK, 0.075)
    large = said(replace(learned.NETWORK, twice=()), 0.075)
    plain = said(replace(learned.NETWORK, most_zoom=1.0), 0.075)
    assert both.zoom == pytest.approx([1.5, 1.5], abs=0.01)
    assert plain.zoom == pytest.approx([1.0, 1.0])
    np.testing.assert_allclose(both.log_odds[learned.SHARE], large.log_odds[learned.SHARE], rtol=1e-6)
    for k in learned.NETWORK.twice:
        resized = cv2.resize(plain.log_odds[k], both.usable.shape[::-1])
        np.testing.assert_allclose(both.log_odds[k], (large.log_odds[k] + resized) / 2, rtol=0, atol=1e-4)
    fine = said(learned.NETWORK, 0.05)
    once = said(replace(learned.NETWORK, twice=(), most_zoom=1.0), 0.05)
    np.testing.assert_allclose(fine.log_odds, once.log_odds, rtol=1e-6)


def test_places_in_both_pictures_agree():
    """From the network's picture to the photograph and back."""
    seen = Seen(
        log_odds=np.zeros((4, 4, 4)),
        usable=np.ones((4, 4), bool),
        light=np.ones((4, 4)),
        zoom=np.array([0.37, 0.37]),
        offset_px=np.array([120.0, 45.0]),
        mm_per_px=0.1,
    )
    points = np.random.default_rng(2).uniform(0, 500, (20, 2))
    assert seen.from_photograph(seen.to_photograph(points)) == pytest.approx(points)
    assert seen.to_photograph([[-0.5, -0.5]])[0] == pytest.approx([119.5, 44.5])


def test_exposure_does_not_matter():
    """A picture half as bright is the same to the network, as coded values go."""
    rng = np.random.default_rng(3)
    rgb = rng.uniform(0.2, 0.6, (40, 40, 3)).astype(np.float32)
    usable = np.ones((40, 40), bool)
    assert prepared(rgb, usable) == pytest.approx(prepared(rgb * 0.5, usable), abs=1e-5)


def test_openings_are_found_where_they_are_and_outlined_closely():
    """Three dark holes, and no more; each area within a tenth of the true one (shoelace), each middle within a pixel."""
    true = [ellipse(150, 130, 60, 22, 0.3), ellipse(400, 200, 36, 16, 1.3), ellipse(260, 320, 24, 14, 2.0)]
    photo = face(5, outlines=true)
    found = learned.find_learned(photo, surface(), area(photo.rgb.shape[:2]))
    assert len(found) == 3
    for outline in true:
        near = min(found, key=lambda one: np.linalg.norm(one.outline_px.mean(axis=0) - outline.mean(axis=0)))
        assert near.outline_px.mean(axis=0) == pytest.approx(outline.mean(axis=0), abs=1.0)
        areas = [cv2.contourArea(p.astype(np.float32).reshape(-1, 1, 2)) for p in (near.outline_px, outline)]
        assert areas[0] == pytest.approx(areas[1], rel=0.1)
        assert near.kind == "opening"
        assert 0 < near.u_edge_px <= near.u_tip_px
        assert near.confidence > 0.5
        json.dumps(near.evidence, allow_nan=False)


def test_a_thin_ragged_opening_is_a_crack():
    """Long, thin and wandering: a crack."""
    t = np.linspace(0, 1, 40)
    rng = np.random.default_rng(6)
    middle = np.column_stack([120 + 240 * t, 220 + np.cumsum(rng.normal(0, 2.2, 40))])
    half = 2.6 * np.sqrt(np.clip(4 * t * (1 - t), 0.02, 1))[:, None] * [0, 1]
    photo = face(7, outlines=[np.concatenate([middle + half, (middle - half)[::-1]])])
    found = learned.find_learned(photo, surface(), area(photo.rgb.shape[:2]))
    assert found
    assert max(found, key=lambda one: np.ptp(one.outline_px[:, 0])).kind == "crack"


def test_a_stout_opening_is_no_crack_however_it_wanders():
    """A bar of 40 by 2: its diagonal 40, mean width 2, so 20 times as long as wide; one of 40 by 8: 5 times."""
    bars = [np.array([[0, 0], [40, 0], [40, wide], [0, wide]], float) for wide in (2, 8)]
    assert [learned.kind_of(3.0, bar) for bar in bars] == ["crack", "opening"]
    assert learned.kind_of(-0.1, bars[0]) == "opening"


def test_smooth_dark_shapes_with_straight_sides_are_openings():
    """Angular holes and a wedge that opens at the edge of a bend, evenly dark as print is: each is found, whole."""
    called = 0
    for seed in range(4):
        rng = np.random.default_rng(40 + seed)
        shape = [[-1.0, -0.4], [0.2, -0.7], [1.0, 0.1], [0.3, 0.6], [-0.7, 0.5]]
        true = [
            np.array(shape) * size + at
            for size, at in zip(rng.uniform(12, 55, 3), [(180, 110), (390, 130), (330, 310)], strict=True)
        ]
        true.append(np.array([[19.0, 240.0], [19.0, 268.0], [19.0 + rng.uniform(60, 130), 256.0]]))
        photo = face(50 + seed, outlines=true)
        found = learned.find_learned(photo, surface("bend"), area(photo.rgb.shape[:2]))
        pairs = match(true, [one.outline_px for one in found])
        called += len(pairs)
        assert len(found) == len(pairs) >= 3
        for t, f in pairs:
            areas = [cv2.contourArea(ring.astype(np.float32)) for ring in (true[t], found[f].outline_px)]
            assert areas[1] == pytest.approx(areas[0], rel=0.15)
    assert called == 16


@pytest.mark.parametrize("seed", range(3))
def test_an_even_face_has_no_openings(seed):
    """Metal without holes gives no calls."""
    photo = face(20 + seed)
    assert learned.find_learned(photo, surface(), area(photo.rgb.shape[:2])) == []


def test_nothing_outside_the_area_is_found():
    """A hole in an excluded part, and one beyond the border, are not looked at."""
    photo = face(8, outlines=[ellipse(150, 130, 50, 20), ellipse(400, 300, 50, 20)])
    full = area(photo.rgb.shape[:2])
    hidden = ExaminedArea(
        outline_px=full.outline_px, exclude_px=(np.array([[100, 90], [200, 90], [200, 170], [100, 170]], float),)
    )
    found = learned.find_learned(photo, surface(), hidden)
    assert len(found) == 1
    assert found[0].outline_px.mean(axis=0) == pytest.approx([400, 300], abs=2)


@pytest.mark.parametrize(("apart", "pieces"), [(4, [2]), (14, [1, 1])])
def test_pieces_of_a_crack_with_a_bridge_too_thin_to_resolve_are_one(apart, pieces):
    """Two cracks of 40 by 3 px end to end, 4 px apart or 14, on even light: the first are one proposal of both pieces."""
    log_odds = np.full((5, 80, 160), -6.0, np.float32)
    for left in (20, 60 + apart):
        log_odds[learned.FEATURE, 40:43, left : left + 40] = 1.5  # too unsure to be followed along a line
        log_odds[learned.CRACK, 40:43, left : left + 40] = 3.0
    seen = Seen(
        log_odds=log_odds,
        usable=np.ones((80, 160), bool),
        light=np.full((80, 160), 0.4, np.float32),
        zoom=np.ones(2),
        offset_px=np.zeros(2),
        mm_per_px=MM_PER_PX,
    )
    assert [one.pieces for one in learned.followed(learned.proposals(seen), seen)] == pieces


def test_a_tear_ends_at_the_edge_of_the_area_and_is_no_surer_than_that():
    """A wedge from beyond the border: its outline goes up to the border, and the width's uncertainty is in its tip's."""
    photo = face(31, outlines=[[[5.0, 215.0], [5.0, 243.0], [110.0, 228.0]]])
    bound = area(photo.rgb.shape[:2])
    wide = replace(bound, width_mm=31.0, u_width_mm=0.6)
    (plain,), (known,) = (learned.find_learned(photo, surface(), one) for one in (bound, wide))
    assert plain.outline_px[:, 0].min() == pytest.approx(20.0, abs=0.05)  # drawn so: no pixel inside it is left out
    assert known.u_tip_px**2 - plain.u_tip_px**2 == pytest.approx(0.5 * ((0.6 / MM_PER_PX) ** 2 / 2 - 1.0), rel=1e-6)


def test_a_tear_ends_at_the_edge_beside_the_area_and_is_no_surer_than_that_one():
    """A wedge from beyond a border that keeps 0.5 px within the specimen's edge: it ends on that edge, whose own uncertainty,
    not the other's, is in its tip's."""
    wedge = np.array([[5.0, 215.0], [5.0, 243.0], [110.0, 228.0]])
    bound = area((440, 640))
    edges = tuple(np.array([[x, 20.0], [x, 420.0]]) for x in (19.5, 620.5))
    border = Border(outline_px=evenly(wedge, 1.0), u_edge_px=0.2, u_tip_px=0.3, darkness=0.9, noise=0.01, drawn_by_light=0.5)
    known = replace(bound, outline_px=np.array([[20.0, 20], [620, 20], [620, 420], [20, 420]]), edges_px=edges)
    reach = learned.reaching_edges(known)
    tear = learned.ended(border, replace(known, u_edges_mm=(0.4, 0.1)), reach, MM_PER_PX)
    assert tear.outline_px[:, 0].min() == pytest.approx(19.5, abs=1e-6)
    assert tear.u_tip_px**2 - 0.3**2 == pytest.approx(0.5 * (0.4 / MM_PER_PX) ** 2, rel=1e-6)
    assert learned.ended(border, known, reach, MM_PER_PX).u_tip_px ** 2 - 0.3**2 == pytest.approx(0.5, rel=1e-6)


def test_on_a_ground_of_doubtful_proposals_each_is_less_likely():
    """Of log-odds drawn from two normal distributions, as the usual share makes them, with 15 % right: the share is found.

    Bayes: the odds differ by the ratio of the shares' odds. 3000 proposals, so that the eight of experience hardly count.
    """
    rng = np.random.default_rng(12)
    right = rng.random(3000) < 0.15
    usual = np.log(learned.USUALLY_RIGHT / (1 - learned.USUALLY_RIGHT))
    odds = 2 * rng.normal(np.where(right, 1.0, -1.0), 1.0) + usual  # 2 x: of a normal one at 1 against one at -1
    assert learned.on_this_ground(odds) == pytest.approx(np.log(0.15 / 0.85) - usual, abs=0.25)


def test_sure_proposals_and_none_leave_the_odds_alone():
    """Nothing is made likelier than its figures say."""
    assert learned.on_this_ground(np.array([])) == 0.0
    assert learned.on_this_ground(np.array([3.0, 4.0, 6.0])) == 0.0
    assert -1.5 < learned.on_this_ground(np.array([5.0, -1.0, -1.0])) < 0.0  # two doubtful ones beside: a little


def test_the_network_alone_is_there_to_be_compared():
    """Same holes, the network's own borders."""
    photo = face(9, outlines=[ellipse(200, 200, 50, 20)])
    found = learned.find_by_network_alone(photo, surface(), area(photo.rgb.shape[:2]))
    assert len(found) == 1
    assert found[0].outline_px.mean(axis=0) == pytest.approx([200, 200], abs=2)


def test_a_damaged_network_is_named(tmp_path):
    """The message says which file, and what to do."""
    broken = tmp_path / "learned.onnx"
    broken.write_bytes(b"not a network")
    with pytest.raises(SpecimeterError, match=r"learned\.onnx"):
        answers(np.zeros((1, 4, 32, 32), np.float32), replace(learned.NETWORK, file=broken))


def test_what_is_flat_has_a_network_of_its_own():
    """It was taught on painted plates too; a bend keeps the one that knows no paint."""
    assert learned.used_on(surface("flat")) == (learned.PLATE, learned.PLATE_ODDS)
    assert learned.used_on(surface("bend")) == (learned.NETWORK, learned.ODDS)
    assert learned.PLATE.file.stat().st_size < 8_000_000
