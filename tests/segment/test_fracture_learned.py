"""The network for broken faces and the outlines drawn from it, against drawn truth and closed forms."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from specimeter.segment import fracture_learned as learned
from specimeter.segment.fracture_edge import drawn, ring_of
from specimeter.segment.network import Seen, answers

SIZE = (200, 240)
MIDDLE, RADIUS = np.array([118.4, 97.7]), 21.0


def disc(inside: float, outside: float) -> np.ndarray:
    """Linear light of a disc in noise of 3 %, blurred by 1.2 px: the half-level shifts by blur^2 / (2 R) = 0.03 px."""
    y, x = np.indices(SIZE, dtype=np.float64)
    share = np.clip(RADIUS + 0.5 - np.hypot(x - MIDDLE[0], y - MIDDLE[1]), 0, 1)
    light = cv2.GaussianBlur(outside + (inside - outside) * share, (0, 0), 1.2)
    return (light * (1 + 0.03 * np.random.default_rng(4).standard_normal(SIZE))).astype(np.float32)


def circle(radius: float, middle=MIDDLE) -> np.ndarray:
    """A ring [x, y]."""
    turn = np.linspace(0, 2 * np.pi, 160, endpoint=False)
    return middle + radius * np.column_stack([np.cos(turn), np.sin(turn)])


@pytest.mark.parametrize(("inside", "outside"), [(0.05, 0.3), (0.5, 0.2)])
@pytest.mark.parametrize("off", [-1.0, 1.0])
def test_a_ring_moves_towards_the_half_level_of_what_is_darker_or_brighter(inside, outside, off):
    """A ring 1 px off a clear edge ends nearer than a third of that, whichever side is the brighter."""
    edge = drawn(circle(RADIUS + off), disc(inside, outside), pixel=1.5)
    radius = np.linalg.norm(edge.outline_px - MIDDLE, axis=1)
    assert abs(radius.mean() - RADIUS) < 0.34
    assert edge.weight > 0.6
    assert edge.contrast == pytest.approx(abs(np.log(inside / outside)), rel=0.15)  # looked at from a ring 1 px off


def test_a_ring_without_an_edge_stays_and_says_how_unsure_it_is():
    """Noise alone has no half-level: the network's border and its own uncertainty, 1.2 of its pixels, remain."""
    edge = drawn(circle(RADIUS), disc(0.2, 0.2), pixel=1.5)
    radius = np.linalg.norm(edge.outline_px - MIDDLE, axis=1)
    assert abs(radius.mean() - RADIUS) < 0.15
    assert edge.u_px > 0.9


def test_the_half_of_shares_is_the_border():
    """The contour at half of a disc's exact shares of pixels has its radius."""
    y, x = np.indices(SIZE, dtype=np.float64)
    ring = ring_of(np.clip(RADIUS + 0.5 - np.hypot(x - MIDDLE[0], y - MIDDLE[1]), 0, 1).astype(np.float32))
    assert np.linalg.norm(ring - MIDDLE, axis=1).mean() == pytest.approx(RADIUS, abs=0.05)
    assert ring_of(np.zeros(SIZE, np.float32)) is None


def seen_of(masks: list[np.ndarray], families: list[int], zoom: float = 0.5) -> Seen:
    """What a network that is sure would have said of masks."""
    odds = np.full((6, *SIZE), -5.0, np.float32)
    for mask, which in zip(masks, families, strict=True):
        odds[0][mask], odds[1 + which][mask] = 5, 5
    usable = np.ones(SIZE, bool)
    usable[:3] = False
    return Seen(
        log_odds=odds,
        usable=usable,
        light=np.ones(SIZE, np.float32),
        zoom=np.array([zoom, zoom]),
        offset_px=np.array([40.0, 60.0]),
        mm_per_px=0.03,
    )


def test_proposals_keep_place_family_and_nearness_to_the_border():
    """Two squares: their middles in the photograph, their families, and which of them touches the examined area's border."""
    one, two = (np.zeros(SIZE, bool) for _ in range(2))
    one[50:70, 100:120], two[3:12, 30:80] = True, True
    seen = seen_of([one, two], [2, 3])
    found = {learned.FAMILIES[int(p.families.argmax())]: p for p in learned.proposals(seen)}
    assert set(found) == {"slag", "unfused"}
    ring = learned.own_ring(found["slag"], seen)
    assert ring.mean(axis=0) == pytest.approx((np.array([109.5, 59.5]) + 0.5) / 0.5 - 0.5 + [40, 60], abs=0.1)
    assert learned.sizes_px(ring) == pytest.approx((40, 40), abs=1.5)
    assert found["unfused"].border > 0.3 > found["slag"].border
    assert learned._kind("unfused", found["unfused"], 3.0, 0.5) == "lack-of-root-fusion"
    assert learned._kind("unfused", found["slag"], 5.0, 0.5) == "lack-of-inter-run-fusion"
    assert learned._kind("unfused", found["slag"], 5.0, 3.0) == "lack-of-fusion"


def test_what_fades_is_longer_or_shorter_by_the_level_and_says_so():
    """A bar told at log-odds of 5 ends sharply: no doubt. With a tail of 30 px at -1 and its last 12 px at 0.5, it is 42 px
    longer over -2 than over 1, times the photograph's 2 px to each of the network's; another bar keeps its own."""
    bar, other = (np.zeros(SIZE, bool) for _ in range(2))
    bar[50:60, 60:120], other[120:130, 60:120] = True, True
    seen = seen_of([bar, other], [2, 2])
    assert [p.doubt_px for p in learned.proposals(seen)] == [(0.0, 0.0)] * 2
    seen.log_odds[0][50:60, 108:120] = 0.5
    seen.log_odds[0][50:60, 120:150] = -1.0
    faded, sharp = learned.proposals(seen)
    assert faded.doubt_px == pytest.approx((2 * 42, 0), abs=1e-3)
    assert sharp.doubt_px == (0.0, 0.0)


def test_specks_must_be_surer_than_what_is_larger():
    """Even odds (confidence 0.5) hand on what is 2 mm long and not what is 0.4 mm; 0.8 hands on both, 0.2 neither."""
    for confidence, large, small in ((0.2, False, False), (0.5, True, False), (0.8, True, True)):
        odds = float(np.log(confidence / (1 - confidence)))
        assert (learned.called(odds, 2.0), learned.called(odds, 0.4)) == (large, small)


def test_proportions_tell_the_two_kinds_of_cavity_apart_where_the_network_cannot():
    """Alike log-odds: four times as long as wide is elongated, round is not; a sure family of another kind stays."""
    mask = np.zeros(SIZE, bool)
    mask[50:70, 100:120] = True
    (proposal,) = learned.proposals(seen_of([mask], [2]))
    assert learned.FAMILIES[learned.family_shares(proposal, 1.1).argmax()] == "slag"
    alike = learned.Proposal(
        mask=proposal.mask, corner=proposal.corner, peak=5.0, mean=5.0, families=np.log([0.45, 0.45, 0.04, 0.03, 0.03]),
        border=0.0, near_border_mm=3.0, doubt_px=(0.0, 0.0),
    )  # fmt: skip
    round_, slender = learned.family_shares(alike, 1.1), learned.family_shares(alike, 4.0)
    assert round_.sum() == pytest.approx(1)
    assert (learned.FAMILIES[round_.argmax()], learned.FAMILIES[slender.argmax()]) == ("pore", "elongated-cavity")


def test_proportions_take_nothing_from_the_other_families():
    """A slender region that is rather unfused stays so; cavities together keep their odds, divided by how slender it is."""
    families = np.log([[0.3, 0.1, 0.1, 0.45, 0.05]])
    told = np.exp(learned.divided(families, np.array([4.0 * np.e]), 2.0, 4.0))[0]
    assert told[2:] == pytest.approx([0.1, 0.45, 0.05])
    assert told[:2].sum() == pytest.approx(0.4)
    assert told[1] / told[0] == pytest.approx(np.exp(2.0) / 3)


def test_the_shipped_network_answers_at_full_sampling_and_its_weights_are_named():
    """Any size goes in, six finite planes of that size come out, the same twice; the fit knows every figure."""
    picture = np.random.default_rng(1).uniform(-1, 1, (1, 4, 70, 91)).astype(np.float32)
    answer = answers(picture, learned.NETWORK)
    assert answer.shape == (6, 70, 91)
    assert np.isfinite(answer).all()
    assert np.array_equal(answer, answers(picture, learned.NETWORK))
    held = json.loads(learned.ODDS.read_text(encoding="utf-8"))
    assert set(held["weights"]) == set(learned.FIGURES)
    assert learned.NETWORK.file.stat().st_size < 8_000_000
