"""Drawing on a real canvas with a real mouse: every tool makes the edit it says, and nothing else."""

# ruff: noqa: RUF005  sums of points are meant, not longer lists

from __future__ import annotations

import numpy as np
import pytest
from qtpy.QtCore import Qt

from specimeter.record import rebuild
from specimeter.scale.place import card_outlines_px
from specimeter.segment.trace import even


@pytest.fixture
def opened(proposed):
    """The rendered bend on the bench, its largest feature, and the picture close to it."""
    hand = proposed
    record = hand.bench.session.record
    target = max(record.features, key=lambda feature: feature.area_mm2 or 0)
    hand.bench.go("features")
    hand.whole()
    hand.bench.select((target.id,))
    hand.wait(hand.at_rest)
    return hand, target


def area(points):
    x, y = np.asarray(points).T
    return abs(0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def features(hand):
    return {feature.id: feature for feature in hand.bench.session.record.features}


def new_one(hand, before):
    (added,) = [feature for id, feature in features(hand).items() if id not in before]
    return added


def test_trace_follows_the_edge_of_a_feature(opened):
    """Five clicks on the rim of a known opening: what comes out covers the same area to a fifth."""
    hand, target = opened
    before = features(hand)
    rim = even(np.array(target.outline_px))
    hand.key(Qt.Key.Key_T)
    for place in np.linspace(0, len(rim), 6)[:-1].astype(int):
        hand.click(rim[place])
    hand.key(Qt.Key.Key_Return)
    added = new_one(hand, before)
    assert added.status == "added"
    assert added.length_mm == pytest.approx(target.length_mm, rel=0.15)
    assert hand.bench.selected == (added.id,)
    assert hand.bench.pointer.tool is None


def test_backspace_takes_a_point_back_and_escape_lays_the_tool_down(opened):
    hand, target = opened
    before = features(hand)
    hand.key(Qt.Key.Key_D)
    rim = even(np.array(target.outline_px))
    for place in (0, 1, 2):
        hand.click(rim[place * len(rim) // 4])
    points = len(hand.bench.pointer.tool.points)
    hand.key(Qt.Key.Key_Backspace)
    assert len(hand.bench.pointer.tool.points) == points - 1
    hand.key(Qt.Key.Key_Escape)
    assert hand.bench.pointer.tool is None
    assert features(hand) == before


def test_grow_takes_an_opening_from_one_click(opened):
    hand, target = opened
    before = features(hand)
    hand.key(Qt.Key.Key_G)
    light = hand.bench.session.photo.linear()
    points = np.array(target.outline_px)
    low, high = points.min(axis=0).astype(int), points.max(axis=0).astype(int) + 1
    inside = light[low[1] : high[1], low[0] : high[0]]
    y, x = np.unravel_index(inside.argmin(), inside.shape)
    hand.click(low + np.array([x, y]))
    assert hand.bench.pointer.tool.grown is not None, hand.bench.wrong.text()
    hand.key(Qt.Key.Key_BracketRight)
    hand.key(Qt.Key.Key_Return)
    assert area(new_one(hand, before).outline_px) > 0.3 * area(target.outline_px)


def test_polygon_brush_cut_join_redraw_snap_and_undo(opened):
    """A square drawn, painted larger, cut in two, made one again, a part drawn anew, snapped; all taken back one by one."""
    hand, target = opened
    first = features(hand)
    middle, size = np.array(target.outline_px).mean(axis=0) + [60.0, 0.0], 24.0
    square = middle + size * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    hand.key(Qt.Key.Key_D)
    for corner in square:
        hand.click(corner)
    hand.click(square[0])  # the first corner closes it
    one = new_one(hand, first)
    assert area(one.outline_px) == pytest.approx(4 * size**2, rel=0.1)
    hand.key(Qt.Key.Key_B)
    hand.drag([middle, middle + [size * 1.6, 0.0]])
    painted = features(hand)[one.id]
    assert area(painted.outline_px) > area(one.outline_px) * 1.02
    hand.key(Qt.Key.Key_X)
    hand.drag([middle + [size * 2.2, 0.0], middle + [size, 0.0]])
    assert area(features(hand)[one.id].outline_px) < area(painted.outline_px)
    hand.key(Qt.Key.Key_Escape)
    before = features(hand)
    hand.key(Qt.Key.Key_S)
    hand.drag([middle - [0.0, 2 * size], middle + [0.0, 2 * size]])
    parts = [id for id in features(hand) if id not in before]
    assert len(parts) == 2, (hand.bench.wrong.text(), hand.bench.pointer.tool, hand.bench.selected)
    assert features(hand)[one.id].status == "rejected"
    hand.bench.select(tuple(parts), look=False)
    hand.key(Qt.Key.Key_M)
    (joined,) = [id for id in features(hand) if id not in before and id not in parts]
    assert area(features(hand)[joined].outline_px) == pytest.approx(area(before[one.id].outline_px), rel=0.06)
    hand.bench.select((joined,), look=False)
    hand.key(Qt.Key.Key_H)
    hand.drag([middle + [-size / 2, -size * 0.8], middle + [-size / 2, -size * 1.8], middle + [size / 2, -size * 1.8],
               middle + [size / 2, -size * 0.8]])  # fmt: skip
    assert area(features(hand)[joined].outline_px) > area(before[one.id].outline_px) * 1.05
    hand.key(Qt.Key.Key_X)
    while hand.bench.session.undoable is not None:
        hand.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert features(hand) == first


def test_a_length_is_told_along_the_surface_and_not_kept(opened):
    hand, target = opened
    before = hand.bench.session.record
    hand.key(Qt.Key.Key_L)
    hand.drag([np.array(target.tips_px[0]), np.array(target.tips_px[1])])
    told = hand.bench.pages["features"].drawing.hint.text()
    assert float(told.split(" ±")[0]) == pytest.approx(target.length_mm, rel=0.05)
    assert hand.bench.session.record is before


def test_the_scale_from_a_known_length_keeps_decisions(opened):
    """Mark both ends of what the card's scale calls a length, enter it doubled: sizes double, decisions stay."""
    hand, _ = opened
    bench = hand.bench
    hand.key(Qt.Key.Key_A)
    before = features(hand)
    bench.go("scale")
    hand.whole()
    page = bench.pages["scale"]
    page.method.setCurrentIndex(page.method.findData("length"))
    page.method.activated.emit(page.method.currentIndex())
    hand.press(page.mark)
    outline = np.array(bench.session.record.examined[0].outline_px)
    ends = [outline[outline[:, 0].argmin()] + [30.0, 0.0], outline[outline[:, 0].argmax()] - [30.0, 0.0]]
    for end in ends:
        hand.click(end)
    assert page.ends == pytest.approx(np.array(ends), abs=6)
    hand.drag([page.ends[1], page.ends[1] - [10.0, 0.0]])
    assert page.ends[1] == pytest.approx(ends[1] - [10.0, 0.0], abs=8)
    page.length.setText("not a number")
    hand.press(page.use_button)
    assert "not a number" in page.wrong.text()
    apart = np.linalg.norm(np.subtract(*page.ends))
    page.length.setText(f"{apart * bench.session.record.scales[0].mm_per_px * 0.98:.3f}")
    hand.press(page.use_button)
    hand.wait(lambda: bench.work is None)
    record = bench.session.record
    if "scale" in bench.session.trouble or "area" in bench.session.trouble:
        pytest.fail(str(bench.session.trouble))
    assert record.scales[0].method == "length"
    assert [feature.status for feature in record.features] == [feature.status for feature in before.values()]
    assert [feature.outline_px for feature in record.features] == [feature.outline_px for feature in before.values()]
    assert record.log[-1].what == "placed again"


def test_an_area_drawn_by_hand_is_used_and_taken_back(opened):
    hand, _ = opened
    bench = hand.bench
    outline = np.array(bench.session.record.examined[0].outline_px)
    bench.go("area")
    hand.whole()
    middle = outline.mean(axis=0)
    page = bench.pages["area"]
    hand.press(page.draw_button)
    for corner in middle + 0.5 * (
        np.array(
            [
                outline.min(axis=0),
                [outline[:, 0].max(), outline[:, 1].min()],
                outline.max(axis=0),
                [outline[:, 0].min(), outline[:, 1].max()],
            ]
        )
        - middle
    ):
        hand.click(corner)
    hand.key(Qt.Key.Key_Return)
    hand.wait(lambda: bench.work is None)
    assert bench.session.record.examined[0].found_by == "sheet", (bench.wrong.text(), page.trouble.text())
    whole = bench.session.record.examined[0].area_mm2
    hand.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert bench.session.record.examined[0].found_by == "auto"
    assert bench.session.record.examined[0].area_mm2 > whole


def test_the_card_is_pointed_at(opened):
    """A box drawn around it: the scale comes from what lies in it, decisions stay; around nothing: told, and taken back."""
    hand, _ = opened
    bench = hand.bench
    hand.key(Qt.Key.Key_A)
    before = bench.session.record
    bench.go("scale")
    hand.whole()
    page = bench.pages["scale"]
    card = np.concatenate(card_outlines_px(rebuild.scale_of(before)))
    hand.press(page.card_button)
    hand.drag([card.min(axis=0) - 12, card.max(axis=0) + 12])
    hand.idle()
    record = bench.session.record
    assert bench.pointer.tool is None
    assert record.sheet["scale"]["method"] == "card"
    assert len(record.sheet["scale"]["card_px"]) == 4
    assert record.scales[0].mm_per_px == pytest.approx(before.scales[0].mm_per_px, rel=1e-3)
    assert [feature.status for feature in record.features] == [feature.status for feature in before.features]
    hand.press(page.card_button)
    middle = np.array(record.examined[0].outline_px).mean(axis=0)
    hand.drag([middle - 40, middle + 40])
    hand.idle()
    assert "inside the outline" in page.trouble.text()
    assert bench.session.record is record


def test_the_unrolled_view_and_the_photograph_share_one_cursor(opened):
    hand, target = opened
    bench = hand.bench
    hand.key(Qt.Key.Key_V)
    hand.wait(lambda: bench.unrolled is not None and bench.unrolled.isVisible() and bench.unrolled.flat is not None)
    tip = np.array(target.tips_px[0])
    bench.picture.look_at(np.array(target.outline_px))
    hand.move(tip)
    s, a = bench.surface.develop(tip[None])[0]
    assert bench.unrolled.flat.to_developed(bench.unrolled._cross)[0] == pytest.approx([s, a], abs=0.3)
    assert "mm along the arc" in bench.reads.text()
    hand.key(Qt.Key.Key_V)
    assert not bench.unrolled.isVisible()


def test_every_tool_works_by_keys_alone(opened):
    """A polygon by arrow keys and Space, then painted larger by a stroke that Space begins and ends."""
    hand, _ = opened
    first = features(hand)
    hand.bench.select(())
    arrows = [Qt.Key.Key_Right, Qt.Key.Key_Down, Qt.Key.Key_Left]
    hand.key(Qt.Key.Key_D)
    hand.key(Qt.Key.Key_Space)  # the cross appears in the middle
    hand.key(Qt.Key.Key_Space)
    for arrow in arrows:
        for _ in range(5):
            hand.key(arrow)
        hand.key(Qt.Key.Key_Space)
    hand.key(Qt.Key.Key_Return)
    one = new_one(hand, first)
    side = 50 / hand.bench.picture.zoom
    assert area(one.outline_px) == pytest.approx(side**2, rel=0.1)
    hand.key(Qt.Key.Key_B)
    hand.key(Qt.Key.Key_Space)
    hand.key(Qt.Key.Key_Space)
    for _ in range(4):
        hand.key(Qt.Key.Key_Down, Qt.KeyboardModifier.ShiftModifier)
    for _ in range(4):
        hand.key(Qt.Key.Key_Left)
    hand.key(Qt.Key.Key_Space)
    assert area(features(hand)[one.id].outline_px) > area(one.outline_px) * 1.02, hand.bench.wrong.text()
