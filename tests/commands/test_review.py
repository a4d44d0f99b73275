"""`specimeter review`: each act by its option, or asked for one by one; what is wrong is told before anything is changed."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from specimeter.cli import main
from specimeter.commands import review
from specimeter.record import build, folder, model, store

SEALED = Path(__file__).resolve().parents[1] / "record" / "sealed"
BOX = [[700.0, 500.0], [760.0, 500.0], [760.0, 530.0], [700.0, 530.0]]
MILLER = ("--by", "A. Miller")


def opened() -> model.Record:
    """The sealed record before its issue: one opening, confirmed."""
    sealed = model.load(SEALED)
    parts = model.parts_of(sealed) | {"issue": None, "log": sealed.log[:-1]}
    parts["review"] = sealed.review.model_copy(update={"state": "unreviewed", "by": None, "when": None})
    parts["features"] = tuple(one.model_copy(update={"status": "proposed"}) for one in sealed.features)
    return model.logged(parts, {"when": sealed.log[-1].when, "who": "A. Miller", "what": "opened again"})


@pytest.fixture
def place(tmp_path) -> Path:
    """Its folder, with the photograph."""
    photo = {"p1.png": (SEALED / "p1.png").read_bytes()}
    return store.commit(build.to_json(opened()), photo, out=tmp_path / "records", id="R-1")


def outline(tmp_path: Path, data: object) -> str:
    """An outline file."""
    path = tmp_path / "outline.json"
    path.write_text(json.dumps(data) if not isinstance(data, str) else data, encoding="utf-8")
    return str(path)


def test_many_acts_at_once(place, tmp_path):
    """Each is in the record and in its log, in the order in which they are told of."""
    drawn = outline(tmp_path, {"outline_px": BOX, "kind": "crack", "photo": "p1"})
    acts = ("--add", drawn, "--kind", "f1", "crack", "--cause", "f1", "slag", "seen-in-opening", "--corner", "f1", "no")
    more = ("--same", "f2", "f1", "--enter", "order.client=Example", "--enter", "specimen.weld_width_mm=18", "--why", "as seen")
    assert main(["review", str(place), *MILLER, *acts, *more, "--observe", "complete-root-fusion=true"]) == 0
    record = folder.sound(place).record
    first, second = record.features
    assert (first.kind, first.cause, first.at_corner) == ("crack", "slag", False)
    assert (second.kind, second.status, second.same_as) == ("crack", "added", "f1")
    assert record.sheet["order"]["client"] == "Example"
    assert record.sheet["specimen"]["weld_width_mm"] == 18
    assert len(record.log) > len(opened().log) + 6
    assert {entry.who for entry in record.log[-7:]} == {"A. Miller"}


def test_another_outline_and_back(place, tmp_path):
    """Redrawn by hand, its sizes follow; rejected with a reason, reopened with one; the face looked over."""
    drawn = outline(tmp_path, [{"outline_px": BOX}])
    before = folder.read(place).record.features[0]
    assert main(["review", str(place), *MILLER, "--outline", "f1", drawn]) == 0
    after = folder.read(place).record.features[0]
    assert [list(point) for point in after.outline_px] == BOX
    assert after.length_mm != before.length_mm
    assert main(["review", str(place), *MILLER, "--reject", "f1", "--why", "a scratch from the fixture"]) == 0
    assert folder.read(place).record.features[0].status == "rejected"
    assert main(["review", str(place), *MILLER, "--reopen", "f1", "--why", "seen again under the lens"]) == 0
    assert main(["review", str(place), *MILLER, "--all-confirm", "--looked-over"]) == 0
    record = folder.sound(place).record
    assert (record.features[0].status, record.review.state) == ("confirmed", "reviewed")


def test_without_acts_the_features_are_listed(place, capsys):
    """And nothing is written; an issued record is listed as well."""
    before = (place / "record.json").read_bytes()
    assert main(["review", str(place)]) == 0
    assert "f1" in capsys.readouterr().out
    assert (place / "record.json").read_bytes() == before
    assert main(["review", str(SEALED), *MILLER]) == 0


@pytest.mark.parametrize(
    ("answers", "status", "kind", "looked_over"),
    [
        (["c", "y"], "confirmed", "opening", True),
        (["k", "crack", "n"], "confirmed", "crack", False),
        (["r", "a scratch", "y"], "rejected", "opening", True),
        (["", "n"], "proposed", "opening", False),
        (["q"], "proposed", "opening", False),
    ],
)
def test_a_person_is_asked_feature_by_feature(answers, status, kind, looked_over):
    """What is answered is done, an empty answer leaves it; nothing is asked about what was decided already."""
    left, record = iter(answers), opened()
    for act in review._asked(record, lambda question: next(left)):
        record = act(record, by="A. Miller", when=datetime.now(UTC))
    assert (record.features[0].status, record.features[0].kind) == (status, kind)
    assert (record.review.by is not None) is looked_over
    assert next(left, None) is None
    confirmed = iter(["n"])
    if status == "confirmed" and not looked_over:
        assert list(review._asked(record, lambda question: next(confirmed))) == []


@pytest.mark.parametrize("act", [["--reject", "f1"], ["--reopen", "f1"], ["--redraw", "outline.json", "f1"]])
def test_an_act_that_needs_a_reason_says_how_to_give_one(place, capsys, act):
    """Refused before anything is changed, with the option that is missing."""
    before = (place / "record.json").read_bytes()
    assert main(["review", str(place), *MILLER, *act]) == 2
    said = capsys.readouterr().err
    assert act[0] in said
    assert "--why" in said
    assert (place / "record.json").read_bytes() == before


@pytest.mark.parametrize(
    ("acts", "told"),
    [
        (("--confirm", "f1"), "no person"),
        ((*MILLER, "--corner", "f1", "perhaps"), "--corner"),
        ((*MILLER, "--enter", "order.client"), "a name and a value"),
        ((*MILLER, "--weld-metal", "810,640 x"), "points in pixels"),
        ((*MILLER, "--confirm", "f9"), "f9"),
    ],
)
def test_what_is_wrong_is_told_and_nothing_changed(place, capsys, acts, told):
    """Exit status 2, the record as it was."""
    before = (place / "record.json").read_bytes()
    assert main(["review", str(place), *acts]) == 2
    assert told in capsys.readouterr().err
    assert (place / "record.json").read_bytes() == before


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ("[", "not JSON"),
        ([], "no outline"),
        ([7], "no outline"),
        ({"outline_px": BOX, "colour": "red"}, "'colour'"),
        ({"outline_px": BOX, "u_edge_px": True}, "'u_edge_px'"),
        ({"outline_px": BOX, "u_tip_px": -1.0}, "-1.0 px"),
        ({"outline_px": BOX[:2]}, "outline"),
    ],
)
def test_an_outline_file_that_is_wrong(place, tmp_path, capsys, data, told):
    """Told with the form that is expected."""
    assert main(["review", str(place), *MILLER, "--add", outline(tmp_path, data)]) == 2
    assert told in capsys.readouterr().err


def test_an_outline_file_that_is_not_there(place, tmp_path, capsys):
    """As any other file."""
    assert main(["review", str(place), *MILLER, "--add", str(tmp_path / "none.json")]) == 2
    assert "cannot be read" in capsys.readouterr().err


def test_a_copy_is_reviewed_and_the_sealed_one_is_not(tmp_path, capsys):
    """An issued record is frozen."""
    path = shutil.copytree(SEALED, tmp_path / "R-1")
    assert main(["review", str(path), *MILLER, "--confirm", "f1"]) == 2
    assert "issued" in capsys.readouterr().err
