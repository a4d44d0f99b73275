"""Deciding in the window: margins, reasons, setting aside, points dragged, finding by example, what was seen, issuing."""

from __future__ import annotations

import numpy as np
import pytest
from qtpy.QtCore import Qt
from qtpy.QtWidgets import QFileDialog, QInputDialog

from specimeter.judge import limits as judge_limits
from specimeter.record import edit, model, seal

CONTROL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier


def limits(limit, *rules):
    rule = {"id": "single", "kinds": ["opening", "crack", "pore", "slag", "other"], "size": "length_mm", "test": "each"}
    rule |= {"limit": limit, "unit": "mm", "sense": "at most"}
    return judge_limits.from_tables({"limits": {"title": "a", "basis": "b", "decision": "guarded"}, "rule": [rule, *rules]})


def features(hand):
    return {feature.id: feature for feature in hand.bench.session.record.features}


def longest(hand):
    return max(features(hand).values(), key=lambda feature: feature.length_mm or 0)


def left_column(hand):
    """Text in the column "left to its limit", by feature."""
    table = hand.bench.pages["features"].table
    return {table.item(line, 0).data(Qt.ItemDataRole.UserRole): table.item(line, 5).text() for line in range(table.rowCount())}


def test_the_table_tells_what_is_left_to_the_limit(proposed):
    hand, bench = proposed, proposed.bench
    one = longest(hand)
    bench.session.enter_limits(limits(one.length_mm + 1))
    assert left_column(hand)[one.id].startswith("+1")
    assert left_column(hand)[one.id].endswith("✓")
    bench.session.enter_limits(limits(one.length_mm - one.U_length_mm - 1))
    assert left_column(hand)[one.id].startswith("−1")
    assert left_column(hand)[one.id].endswith("▲")
    bench.session.enter_limits(limits(one.length_mm))
    assert left_column(hand)[one.id].endswith("≈")


def test_an_act_that_lifts_a_finding_asks_for_a_reason(proposed, monkeypatch):
    """The only feature beyond the limit made smaller by hand: without a reason it stays, with one the log keeps it."""
    hand, bench = proposed, proposed.bench
    one = longest(hand)
    bench.act("others", edit.reject, [id for id in features(hand) if id != one.id], why="scratches, to leave one alone")
    bench.session.enter_limits(limits((one.length_mm - one.U_length_mm) / 2))
    assert bench.session.record.outcome == "exceeds"
    middle = np.array(one.outline_px).mean(axis=0)
    small = middle + 0.1 * (np.array(one.outline_px) - middle)
    asked = []
    monkeypatch.setattr(QInputDialog, "getText", lambda *given: (asked.append(given[2]), ("", False))[1])
    assert not bench.act("smaller", edit.outline, one.id, small)
    assert "exceeds" in asked[0]
    assert features(hand)[one.id].outline_px == one.outline_px
    monkeypatch.setattr(QInputDialog, "getText", lambda *given: ("its ends are scratches, seen at 10 x", True))
    assert bench.act("smaller", edit.outline, one.id, small)
    assert bench.session.record.outcome != "exceeds"
    assert bench.session.record.log[-1].why == "its ends are scratches, seen at 10 x"


def test_a_real_one_is_set_aside_with_a_reason(proposed, monkeypatch):
    hand, bench = proposed, proposed.bench
    one = longest(hand)
    bench.select((one.id,))
    monkeypatch.setattr(QInputDialog, "getText", lambda *given: ("a tear from the corner, no cause seen in it", True))
    hand.key(Qt.Key.Key_W)
    assert features(hand)[one.id].status == "confirmed"
    assert features(hand)[one.id].reason == "a tear from the corner, no cause seen in it"
    bench.select((one.id,))
    assert "set aside: a tear" in bench.pages["features"].sizes.text()


def test_the_eye_says_whether_it_begins_at_a_corner(proposed):
    hand, bench = proposed, proposed.bench
    one = longest(hand)
    bench.select((one.id,))
    page = bench.pages["features"]
    page.corner.setCurrentIndex(1)
    page.corner.activated.emit(1)
    assert (features(hand)[one.id].corner_by_eye, features(hand)[one.id].at_corner) == (True, True)
    page.corner.setCurrentIndex(0)
    page.corner.activated.emit(0)
    assert features(hand)[one.id].at_corner == one.at_corner


def test_a_point_of_the_outline_is_dragged_and_its_surroundings_follow(proposed):
    hand, bench = proposed, proposed.bench
    one = longest(hand)
    bench.select((one.id,))
    hand.settle(0.3)
    hand.key(Qt.Key.Key_J)
    rim = bench.pointer.tool.outline
    out = rim[0] + 6.0 * (rim[0] - rim.mean(axis=0)) / np.linalg.norm(rim[0] - rim.mean(axis=0))
    hand.drag([rim[0], out])
    after = features(hand)[one.id]
    assert np.linalg.norm(np.array(after.outline_px) - out, axis=1).min() < 1.5
    assert after.status == "confirmed"
    assert bench.pointer.tool is not None  # the next point can be dragged at once
    hand.drag([bench.pointer.tool.outline[0], rim[0]])
    assert features(hand)[one.id].area_mm2 == pytest.approx(one.area_mm2, rel=0.1)
    hand.key(Qt.Key.Key_Escape)
    hand.key(Qt.Key.Key_Z, CONTROL)
    hand.key(Qt.Key.Key_Z, CONTROL)
    assert features(hand)[one.id] == one


def test_strokes_over_this_and_not_this_find_more_of_it(proposed):
    """One opening painted as an example, the face beside it as what it is not: it is found, and the strokes are in the log."""
    hand, bench = proposed, proposed.bench
    one = longest(hand)
    bench.select((one.id,))
    hand.settle(0.3)
    before = features(hand)
    hand.key(Qt.Key.Key_I)
    tips = np.array(one.tips_px)
    hand.drag([tips[0] + 0.15 * (tips[1] - tips[0]), tips[0] + 0.85 * (tips[1] - tips[0])])
    hand.key(Qt.Key.Key_X)
    along = (tips[1] - tips[0]) / np.linalg.norm(tips[1] - tips[0])
    beside = np.array([-along[1], along[0]]) * 25
    hand.drag([tips[0] + beside, tips[1] + beside])
    hand.drag([tips[0] - beside, tips[1] - beside])
    hand.key(Qt.Key.Key_Return)
    hand.wait(lambda: bench.work is None)
    new = [feature for id, feature in features(hand).items() if id not in before]
    assert new, bench.wrong.text()
    assert {feature.found_by for feature in new} == {"taught"}
    assert any(
        np.linalg.norm(np.array(feature.outline_px).mean(axis=0) - np.array(one.outline_px).mean(axis=0)) < 30
        for feature in new
    )
    taught = [entry for entry in bench.session.record.log if entry.what == "taught"]
    assert len(taught[0].new["not"]) == 2


def test_what_was_seen_is_said_where_its_rule_waits_for_it(proposed):
    """A rule on an observation is not measured until somebody says what was seen; undo takes the word back."""
    hand, bench = proposed, proposed.bench
    rule = {"id": "root", "name": "complete root fusion", "test": "observation", "observation": "complete-root-fusion"}
    bench.session.enter_limits(limits(3, rule))
    bench.go("finding")
    verdict = lambda: {one.rule: one.outcome for one in bench.session.record.verdicts}["root"]
    assert verdict() == "not-measured"
    yes = next(
        button for button in bench.pages["finding"].verdicts.findChildren(type(bench.undo_button)) if button.text() == "Yes"
    )
    hand.press(yes)
    assert verdict() == "within"
    hand.key(Qt.Key.Key_Z, CONTROL)
    assert verdict() == "not-measured"


def test_a_written_record_is_issued_sealed_and_opened_again_for_a_revision(proposed, monkeypatch, tmp_path):
    """By two persons, signed; then frozen: an edit is refused with the way to go on; a revision names the issued one."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    hand, bench = proposed, proposed.bench
    bench.act("accepted", edit.confirm, list(features(hand)))
    hand.key(Qt.Key.Key_A, SHIFT)
    bench.go("finding")
    issuing = bench.pages["finding"].issuing
    assert issuing.isHidden()
    hand.key(Qt.Key.Key_S, CONTROL)
    hand.wait(lambda: bench.work is None)
    assert issuing.isVisible()
    key = tmp_path / "key.pem"
    private = serialization.PrivateFormat.PKCS8
    key.write_bytes(
        Ed25519PrivateKey.generate().private_bytes(serialization.Encoding.PEM, private, serialization.NoEncryption())
    )
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *given: (str(key), ""))
    hand.press(issuing.key_button)
    issuing.second.setText("Ada Tester")
    hand.press(issuing.issue_button)
    hand.wait(lambda: bench.work is None)
    assert bench.session.record.issue is None
    assert "cannot both issue and authorise" in bench.pages["finding"].trouble.text()
    issuing.second.setText("Bo Second")
    issuing.number.setText("R-7")
    hand.press(issuing.issue_button)
    hand.wait(lambda: bench.work is None)
    record = model.load(bench.session.folder)
    assert bench.session.record == record
    assert (record.issue.number, record.issue.authorised_by) == ("R-7", "Bo Second")
    assert (bench.session.folder / seal.SIGNATURE).is_file()
    assert not bench.act("rejected", edit.reject, [next(iter(features(hand)))], why="no")
    assert "frozen" in bench.wrong.text()
    monkeypatch.setattr(QInputDialog, "getText", lambda *given: ("the client's name", True))
    hand.press(issuing.amend_button)
    hand.wait(lambda: bench.work is None)
    assert bench.session.record.issue is None
    assert bench.session.record.amends.number == "R-7"
    assert bench.act("as before", edit.confirm, list(features(hand)))
