"""Two photographs of one specimen through the main job: measured each on its own, linked, judged, joined, checked."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime

import pytest
from PIL import Image

from specimeter import job, revise
from specimeter.audit import audit
from specimeter.batch import tasks, work
from specimeter.cli import main
from specimeter.errors import PhotoError, RecordError, SheetError
from specimeter.judge.decide import UNLINKED
from specimeter.record import edit, model, renew
from tests.conftest import Case


@pytest.fixture(scope="module")
def case(break_case, tmp_path_factory) -> Case:
    """The broken half, its sheet without the weld's axis: that is in pixels, of the first photograph alone."""
    sheet = tmp_path_factory.mktemp("case") / "half.sheet.toml"
    lines = break_case.sheet.read_text(encoding="utf-8").splitlines()
    sheet.write_text("\n".join(line for line in lines if not line.startswith("weld_axis_px")) + "\n", encoding="utf-8")
    return break_case._replace(sheet=sheet)


@pytest.fixture(scope="module")
def views(case, tmp_path_factory):
    """The photograph of a broken face, and the same bench as a camera turned by two degrees would show it."""
    folder = tmp_path_factory.mktemp("views")
    with Image.open(case.photo) as first:
        turned = first.rotate(2.0, resample=Image.Resampling.BICUBIC, fillcolor=(200, 200, 200))
        turned.save(folder / "turned.jpg", quality=94, exif=first.info["exif"])
    return case.photo, folder / "turned.jpg"


@pytest.fixture(scope="module")
def alone(views, case, tmp_path_factory):
    """The record of the first, and its folder."""
    return job.measure(views[0], case.sheet, case.limits, out=tmp_path_factory.mktemp("alone"), method="openings")


@pytest.fixture(scope="module")
def both(views, case, tmp_path_factory):
    """The record of both, and its folder."""
    return job.measure(views, case.sheet, case.limits, out=tmp_path_factory.mktemp("both"), method="openings")


def test_each_photograph_has_its_own_scale_surface_and_area(both, case):
    """And both scales are the truth's within three of their standard uncertainties."""
    record, folder = both
    ids = ["p1", "p2"]
    assert [photo.id for photo in record.photos] == ids
    for parts in (record.scales, record.surfaces, record.examined):
        assert [part.photo for part in parts] == ids
    for scale in record.scales:
        assert scale.mm_per_px == pytest.approx(case.truth["mm_per_px"], rel=3 * scale.u_rel + 0.002)
    assert {feature.photo for feature in record.features} == set(ids)
    assert {"p1.jpg", "p2.jpg", "overlay.png", "overlay-2.png"} <= {path.name for path in folder.iterdir()}


def test_the_record_of_both_checks(both):
    """Every number of both photographs follows from what is stored, to the last bit."""
    steps = {step.name: step for step in audit(both[1])}
    assert all(step.holds for step in steps.values()), steps
    assert "last bit" in steps["numbers"].told[0]


def test_one_imperfection_on_both_is_counted_once(both):
    """Linked by a named person, the longest of one kind on each is one, and the record says so."""
    record, _ = both
    rising = sorted(record.features, key=lambda f: f.length_mm or 0)
    first, second = ({f.kind: f for f in rising if f.photo == photo} for photo in ("p1", "p2"))
    kind = max(first.keys() & second.keys(), key=lambda each: min(first[each].length_mm or 0, second[each].length_mm or 0))
    longest = [first[kind].id, second[kind].id]
    assert UNLINKED in record.cautions
    linked = edit.same(record, *longest[::-1], by="A. Miller", when=datetime.now(UTC), why="the same one")
    counted = [set(longest) & set(verdict.features) for verdict in linked.verdicts if verdict.rule == "single"]
    assert [len(one) for one in counted] == [1]


def test_a_photograph_joined_in_a_review_gives_what_measuring_both_gives(views, alone, both, tmp_path):
    """The same numbers by either way; what was said of the whole face is to be said again."""
    folder = shutil.copytree(alone[1], tmp_path / alone[1].name)
    who = {"by": "A. Miller", "when": datetime.now(UTC)}
    revise.revise(folder, lambda old: edit.looked_over(old.record, **who))
    assert main(["review", str(folder), "--by", "A. Miller", "--add-photo", str(views[1])]) == 0
    joined, measured = model.load(folder), both[0]
    for name in ("photos", "scales", "surfaces", "examined", "features", "verdicts", "outcome"):
        assert getattr(joined, name) == getattr(measured, name), name
    assert joined.review.by is None
    assert joined.log[-1].what == "photograph added"
    assert joined.log[-1].new == joined.photos[1].sha256
    assert all(step.holds for step in audit(folder))
    with pytest.raises(PhotoError, match="p2 once more"):
        job.with_photo(joined, views[1], **who)


def test_the_register_goes_along_with_a_further_photograph(views, case, tmp_path):
    """Equipment out of date is a doubt of the second photograph's scale too, where the review names the register."""
    sheet, register = tmp_path / "s.sheet.toml", tmp_path / "register.toml"
    sheet.write_text(case.sheet.read_text(encoding="utf-8").replace("[scale]", '[scale]\nequipment = "RULE-07"'), "utf-8")
    register.write_text('[[equipment]]\nid = "RULE-07"\nwhat = "card"\ncertificate = "C-1"\ndue = 2001-01-01\n', "utf-8")
    _, folder = job.measure(views[0], sheet, out=tmp_path / "out", method="openings", register_file=register)
    add = ["review", str(folder), "--by", "A. Miller", "--add-photo", str(views[1]), "--equipment", str(register)]
    assert main(add) == 0
    for scale in model.load(folder).scales:
        assert any("was due for calibration on 2001-01-01" in doubt for doubt in scale.evidence["doubts"])


def test_a_batch_row_names_several_photographs(views, case, both, tmp_path):
    """One record of both, the same as measuring both; the second run finds it done."""
    (tmp_path / "m.csv").write_text(f"photo,sheet,limits\n{views[0]}; {views[1]},{case.sheet},{case.limits}\n", "utf-8")
    (task,) = tasks.read(tmp_path / "m.csv", out=tmp_path / "out", limits=None, method="openings", settings=None)
    assert task.name == "; ".join(view.name for view in views)
    note = work.do(task)
    record = model.load(tmp_path / "out" / note["record"])
    assert (record.photos, record.features, record.verdicts) == (both[0].photos, both[0].features, both[0].verdicts)
    assert work.done(task) == note


def test_the_same_photograph_is_no_second_look(views, case, tmp_path):
    """Refused before anything is written."""
    with pytest.raises(PhotoError, match="p1 once more"):
        job.measure([views[0], views[0]], case.sheet, out=tmp_path, method="openings")
    assert not list(tmp_path.iterdir())


def test_a_sheet_in_pixels_or_with_a_table_too_many_is_refused_before_any_work(views, case, tmp_path):
    """What stands in pixels of the first photograph says nothing of the second; a table for no photograph is a mistake."""
    text = case.sheet.read_text(encoding="utf-8")
    for addition, field, files in (
        ("\n[region]\noutline_px = [[400, 400], [700, 400], [700, 700]]\n", "region", views),
        ("\n[[other_photo]]\n[[other_photo]]\n", "other_photo", views),
        ("\n[[other_photo]]\n", "other_photo", views[:1]),
    ):
        sheet, stages = tmp_path / "changed.toml", []
        sheet.write_text(text + addition, encoding="utf-8")
        with pytest.raises(SheetError) as told:
            job.measure(files, sheet, out=tmp_path / "out", progress=stages.append)
        assert (told.value.field, told.value.file, stages) == (field, sheet, [])


def test_within_is_not_earned_where_the_second_view_is_blurred(both):
    """A record whose second photograph cannot resolve what the rule counts is not measured there, whoever reviewed it."""
    record, _ = both
    blurred = record.examined[1].model_copy(update={"smallest_resolvable_mm": 9.0})
    record = record.model_copy(update={"examined": (record.examined[0], blurred)})
    who = {"by": "A. Miller", "when": datetime.now(UTC)}
    for act in (
        lambda one: edit.reject(one, [f.id for f in one.features], why="scratches", **who),
        lambda one: edit.looked_over(one, **who),
    ):
        record = act(record)
    assert record.review.state == "reviewed"
    assert record.outcome == "not-measured"


def test_an_issued_record_takes_no_further_photograph(both, views):
    """It is frozen."""
    record = both[0].model_copy(
        update={
            "issue": model.Issue(number="R-1", by="A. Miller", authorised_by="B. Smith", when="2026-11-25T10:00:00+00:00"),
            "photos": both[0].photos[:1],
        }
    )
    with pytest.raises(RecordError, match="frozen"):
        job.with_photo(record, views[1], by="A. Miller", when=datetime.now(UTC))


def test_the_first_photograph_placed_again_leaves_the_others(alone, both):
    """The record of both keeps the second as it was, whatever the first one's scale becomes."""
    again = renew.placed_again(both[0], alone[0], by="A. Miller", when=datetime.now(UTC), why="the scale was looked at")
    assert again.photos == both[0].photos
    assert again.scales == both[0].scales
    assert again.features == both[0].features


def test_a_further_photograph_that_is_not_there_is_told_before_the_first_is_looked_at(case, tmp_path):
    told = []
    with pytest.raises(PhotoError, match="no such file"):
        job.measure([case.photo, tmp_path / "none.jpg"], case.sheet, out=tmp_path / "out", progress=told.append)
    assert told == []
    assert not (tmp_path / "out").exists()
