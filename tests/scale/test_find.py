"""Which way the scale is had, and every refusal: what it says must be enough to mend it."""

import numpy as np
import pytest

from specimeter.errors import ScaleError
from specimeter.scale.find import find_scale


@pytest.fixture(scope="module")
def frame(cards):
    return cards.Shot(card="frame", look_at_mm=(80, 60), distance_mm=190.0, focal_px=900.0, tilt_deg=5, roll_deg=4, noise=0.003)


def found(cards, sheet, shot, **entries):
    return find_scale(cards.photograph(cards.expose(shot)), sheet(**entries))


def refused(cards, sheet, shot, **entries) -> ScaleError:
    with pytest.raises(ScaleError) as caught:
        found(cards, sheet, shot, **entries)
    error = caught.value
    assert error.expected
    assert error.mend
    assert error.file == "shot.jpg"
    return error


def test_no_marker(cards, sheet):
    """An empty bench."""
    assert "no marker" in str(refused(cards, sheet, cards.Shot(hidden=(10, 11))))


def test_one_marker_of_the_strip_names_both(cards, sheet):
    """Which was found, where, and which is missing."""
    text = str(refused(cards, sheet, cards.Shot(hidden=(10,))))
    assert "only marker 11" in text
    assert "marker 10 was not" in text


def test_two_cards(cards, sheet):
    """A strip pasted into a picture of a frame's window; and two strips."""
    strip = cards.expose(cards.Shot(look_at_mm=(50, 10), distance_mm=330.0, roll_deg=3))
    below = np.concatenate([strip, strip], axis=0)
    with pytest.raises(ScaleError, match="two cards") as caught:
        find_scale(cards.photograph(below), sheet())
    assert "more than once" in str(caught.value)
    both = cards.expose(cards.Shot(card="frame", look_at_mm=(80, 60), distance_mm=260.0))
    both = np.concatenate([both, strip], axis=0)
    with pytest.raises(ScaleError, match=r"of a strip .* and of a frame"):
        find_scale(cards.photograph(both), sheet())


def test_of_two_cards_the_one_pointed_at_counts(cards, sheet):
    """The same strip twice, the second seen from nearer: each outline gives the scale of its own, as if it lay there alone."""
    from specimeter.scale.height import mm_per_px

    shots = [cards.Shot(look_at_mm=(50, 10), distance_mm=330.0, roll_deg=3), cards.Shot(look_at_mm=(50, 10), distance_mm=290.0)]
    pictures = [cards.expose(shot) for shot in shots]
    height, width = pictures[0].shape[:2]
    both = cards.photograph(np.concatenate(pictures, axis=0))
    for number, shot in enumerate(shots):
        top = number * height
        box = [[0, top], [width - 1, top], [width - 1, top + height - 1], [0, top + height - 1]]
        pointed = sheet(card_px=tuple(map(tuple, box)), surface_height_mm=0.0)
        scale = find_scale(both, pointed)
        place = shot.centre_px + np.array([0.0, top])
        assert mm_per_px(scale.view, place, 0) == pytest.approx(shot.mm_per_px(shot.centre_px), rel=0.004)
    with pytest.raises(ScaleError, match="inside the outline") as caught:
        find_scale(both, sheet(card_px=((0, 0), (90, 0), (90, 90), (0, 90))))
    assert caught.value.field == "scale.card_px"
    with pytest.raises(ScaleError, match="whole card") as caught:
        find_scale(both, sheet(card_px=((0, 0), (width // 2, 0), (width // 2, height - 1), (0, height - 1))))
    assert "marker" in caught.value.problem


def test_a_card_too_dark_to_be_seen_is_found_where_it_is_pointed_at(cards, sheet):
    """Paper that gives a hundredth of the light and ink half of that: nothing in the whole picture, a scale in the outline."""
    from specimeter.scale.height import mm_per_px

    shot = cards.Shot(paper=0.008, ink=0.004, noise=0.0, jpeg=None)
    photo = cards.photograph(cards.expose(shot))
    corners = shot.project([[-8, -8, 0], [108, -8, 0], [108, 28, 0], [-8, 28, 0]])
    with pytest.raises(ScaleError, match="no marker"):
        find_scale(photo, sheet())
    scale = find_scale(photo, sheet(card_px=tuple(map(tuple, corners.tolist())), surface_height_mm=0.0))
    assert mm_per_px(scale.view, shot.centre_px, 0) == pytest.approx(shot.mm_per_px(shot.centre_px), rel=0.01)


@pytest.mark.parametrize("hidden", [tuple(range(24, 32)), tuple(range(23, 32)), tuple(range(22, 32))])
def test_a_frame_seen_along_one_edge_only_is_refused(cards, sheet, frame, hidden):
    """Four, three, two markers of the upper edge: no perspective from them across it."""
    from dataclasses import replace

    assert "half hidden" in str(refused(cards, sheet, replace(frame, hidden=hidden)))


def test_a_frame_partly_hidden_is_accepted_with_a_caution(cards, sheet, frame):
    """Seven of twelve, in both directions: used, and said so; the scale stays within 0.2 %."""
    from dataclasses import replace

    from specimeter.scale.height import mm_per_px

    shot = replace(frame, hidden=(22, 24, 25, 28, 31))
    scale = found(cards, sheet, shot, surface_height_mm=0.0)
    assert any("7 were found" in caution and "22, 24, 25, 28, 31" in caution for caution in scale.cautions)
    assert mm_per_px(scale.view, scale.reference_px, 0) == pytest.approx(shot.mm_per_px(scale.reference_px), rel=0.002)


def test_a_mirrored_picture(cards, sheet):
    """Front cameras mirror: the codes read only from behind."""
    assert "mirrored" in str(refused(cards, sheet, cards.Shot(mirrored=True, roll_deg=10)))


def test_a_height_at_the_lens(cards, sheet):
    """A crown 300 mm over a card that lies 320 mm below the lens."""
    error = refused(cards, sheet, cards.Shot(), surface_height_mm=300.0)
    assert error.field == "scale.surface_height_mm"


def test_a_printed_length_that_is_not_this_cards(cards, sheet):
    """160 mm belongs to the frame, but the strip lies there."""
    assert refused(cards, sheet, cards.Shot(), printed_length_mm=160.0).field == "scale.printed_length_mm"


def test_a_frame_is_not_a_rule_and_a_photograph_stores_no_scale(cards, sheet):
    """Asked for what is not there, each method says so and names another way."""
    frame = cards.Shot(card="frame", look_at_mm=(80, 60), distance_mm=260.0)
    assert "no rule was found" in str(refused(cards, sheet, frame, method="graduations"))
    error = refused(cards, sheet, frame, method="file")
    assert error.field == "scale.method"
    assert "length" in error.mend


def test_an_absent_height_on_a_bend_is_not_nought(cards, sheet):
    """10 mm of standard uncertainty and words a technician understands; 8 mm beside a section, and words for that."""
    bend = found(cards, sheet, cards.Shot())
    assert bend.surface_height_u_mm == 10.0
    assert any("lies on the bench" in caution for caution in bend.cautions)
    flat = find_scale(cards.photograph(cards.expose(cards.Shot())), sheet(test="macro-butt"))
    assert flat.surface_height_u_mm == 8.0
    assert any("lies on the bench" in caution for caution in flat.cautions)
    ratio = [next(t.contribution for t in s.budget if t.source.startswith("height")) for s in (bend, flat)]
    assert ratio[0] == pytest.approx(10 / bend.view.distance_mm, rel=0.05)
    assert ratio[1] == pytest.approx(0.8 * ratio[0], rel=0.01)


def test_auto_takes_a_marked_length_where_there_is_no_card(cards, sheet):
    """No card in view, two points marked: the length is used."""
    entries = {"from_px": [100.0, 100.0], "to_px": [900.0, 150.0], "length_mm": 200.0}
    assert found(cards, sheet, cards.Shot(hidden=(10, 11)), **entries).method == "length"
    assert found(cards, sheet, cards.Shot(), **entries).method == "card"
