"""The sizes of a section are measured again from the photograph that the record keeps, and what was changed is told."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from PIL import Image

from specimeter import cli, job
from specimeter import photo as photos
from specimeter.audit import audit
from specimeter.data import sample_images
from specimeter.measure import section as sections
from specimeter.record import again, build, edit, model, recompute, weld_metal
from specimeter.scene.files import save
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from tests.conftest import remembered

SMALLER = 0.65  # of a sample of 8 MP: its undercuts of 0.3 mm are still 3.5 pixels deep


@pytest.fixture(scope="module")
def section(tmp_path_factory):
    """Folder of the record of the sample of a fillet weld's section, its photograph made smaller."""
    folder = tmp_path_factory.mktemp("section")
    sample = sample_images() / "macro-fillet-exceeds"
    with Image.open(f"{sample}.jpg") as whole:
        size = [round(SMALLER * side) for side in whole.size]
        whole.resize(size, Image.Resampling.LANCZOS).save(folder / "cut.jpg", quality=94, exif=whole.info["exif"])
    _, record = job.measure(folder / "cut.jpg", f"{sample}.sheet.toml", f"{sample}.limits.toml", out=folder / "out")
    return record


MEASURED, READ, OUTLINED = map(remembered, (sections.section_of, sections.read_steady, again.examined_area))


@pytest.fixture
def one_reading(monkeypatch):
    """What is read, outlined and measured in the section's photograph is kept for who asks the same again. What an area says
    beside its outline plays no part in its sizes; of the audits one is asked without this.
    """

    def measured(picture, sheet, area, **more):
        return MEASURED(picture, sheet, replace(area, unseen=(), cautions=()), **more)

    monkeypatch.setattr(sections, "read_steady", READ)
    monkeypatch.setattr(again, "examined_area", OUTLINED)
    for room in (again, weld_metal):
        monkeypatch.setattr(room, "section_of", measured)


@pytest.fixture(scope="module")
def bent(bend_record):
    """The record of the case's bend."""
    return model.load(bend_record)


def numbers(folder):
    """What the audit's step about numbers says."""
    return next(step for step in audit(folder) if step.name == "numbers")


def test_every_size_of_a_section_is_told_again(section):
    step = numbers(section)
    assert step.holds, step.told
    assert any("every size of the section" in told for told in step.told)


@pytest.mark.usefixtures("one_reading")
def test_each_changed_number_is_named(section):
    """A size, an undercut's depth, its radius, and a line that was drawn, forged together: all four are told."""
    file = section / "record.json"
    kept = file.read_bytes()
    data = json.loads(kept)
    data["section"]["throat_mm"] += 0.02  # so little that no verdict turns, and the list stays short
    next(one for one in data["features"] if "depth_mm" in one)["depth_mm"] += 0.02
    radius = next(name for name in ("root_radius_mm", "root_radius_at_most_mm") if name in data["cut"]["undercuts"][0])
    data["cut"]["undercuts"][0][radius] += 0.1
    data["cut"]["drawn"][0]["lines_px"][0][0][0] += 2.0
    try:
        file.write_text(json.dumps(data))
        step = numbers(section)
    finally:
        file.write_bytes(kept)
    assert step.holds is False
    for said in ("section.throat_mm", "depth_mm is", radius, "lines_px"):
        assert any(said in told for told in step.told), (said, step.told)


@pytest.mark.usefixtures("one_reading")
def test_weld_metal_that_a_person_clicked_is_measured_logged_and_told_again(section, tmp_path):
    """Points on the sample's own fusion line: area and penetration as the scene was drawn, in the log, and held by the audit.

    The truth is the scene's own (`*.truth.json`); a straight piece between clicks leaves out a little of the bow.
    """
    folder = shutil.copytree(section, tmp_path / "record")
    truth = json.loads((sample_images() / "macro-fillet-exceeds.truth.json").read_text())
    line, face = (SMALLER * (np.array(truth["weld"][name]) + 0.5) - 0.5 for name in ("outline_px", "face_px"))
    fusion = line[np.min(np.hypot(*(line[:, None] - face[None]).transpose(2, 0, 1)), axis=1) > 2.0]
    air = face.mean(axis=0) + 3 * (face.mean(axis=0) - fusion.mean(axis=0))
    clicked = [*fusion[np.linspace(0, len(fusion) - 1, 14).astype(int)].tolist(), air.tolist()]
    text = " ".join(f"{x:.1f},{y:.1f}" for x, y in clicked)
    before = json.loads((folder / "record.json").read_text())
    assert cli.main(["review", str(folder), "--by", "A. Miller", "--weld-metal", text]) == 0
    data = json.loads((folder / "record.json").read_text())
    size, true = data["section"], truth["section"]
    assert size["weld_area_mm2"] == pytest.approx(true["weld_area_mm2"], abs=size["U_weld_area_mm2"])
    assert data["section"]["throat_mm"] == before["section"]["throat_mm"]
    assert (data["log"][-1]["what"], data["log"][-1]["who"]) == ("weld metal drawn", "A. Miller")
    assert len(data["cut"]["weld_drawn_px"]) == len(clicked)
    step = numbers(folder)
    assert step.holds, step.told
    data["section"]["weld_area_mm2"] += 0.3
    (folder / "record.json").write_text(json.dumps(data))
    assert numbers(folder).holds is False


@pytest.mark.usefixtures("one_reading")
def test_a_heat_affected_zone_that_a_person_clicked_is_measured_logged_told_again_and_taken_back(section, tmp_path):
    """Points 2 mm square to the true fusion line, along its middle: the zone is as wide, within U."""
    folder = shutil.copytree(section, tmp_path / "record")
    truth = json.loads((sample_images() / "macro-fillet-exceeds.truth.json").read_text())
    line, face = (SMALLER * (np.array(truth["weld"][name]) + 0.5) - 0.5 for name in ("outline_px", "face_px"))
    fusion = line[np.min(np.hypot(*(line[:, None] - face[None]).transpose(2, 0, 1)), axis=1) > 4.0]
    way = np.gradient(fusion, axis=0)
    out = np.column_stack([way[:, 1], -way[:, 0]]) / np.hypot(*way.T)[:, None]
    out *= np.sign(np.sum(out * (fusion - face.mean(axis=0)), axis=1))[:, None]
    border = fusion + 2.0 / (truth["mm_per_px"] / SMALLER) * out
    text = " ".join(f"{x:.1f},{y:.1f}" for x, y in border[(np.linspace(0.3, 0.7, 6) * (len(border) - 1)).astype(int)])
    before = json.loads((folder / "record.json").read_text())
    assert cli.main(["review", str(folder), "--by", "A. Miller", "--heat-zone", text]) == 0
    data = json.loads((folder / "record.json").read_text())
    assert data["section"]["haz_width_mm"] == pytest.approx(2.0, abs=data["section"]["U_haz_width_mm"])
    assert (data["log"][-1]["what"], len(data["cut"]["zone_drawn_px"])) == ("heat-affected zone drawn", 6)
    assert "a person clicked on its border" in (folder / "report.html").read_text()
    step = numbers(folder)
    assert step.holds, step.told
    assert cli.main(["review", str(folder), "--by", "A. Miller", "--heat-zone", "found"]) == 0
    assert json.loads((folder / "record.json").read_text())["section"] == before["section"]


@pytest.mark.usefixtures("one_reading")
def test_a_zone_that_lies_in_weld_metal_clicked_later_is_missing_and_says_so(section, tmp_path):
    """Clicked 2 mm from the line as found, the weld metal then clicked twice as large: the record tells the zone's fault."""
    folder = shutil.copytree(section, tmp_path / "record")
    weld = np.array(json.loads((folder / "record.json").read_text())["cut"]["weld_px"])
    at = [SMALLER * (np.array(one) + 0.5) - 0.5 for one in ((1520, 1390), (1555, 1320), (1440, 1395))]
    middle = weld.mean(axis=0)
    larger = middle + 1.9 * (weld[:: len(weld) // 30] - middle)
    told = [" ".join(f"{x:.1f},{y:.1f}" for x, y in points) for points in (at, larger)]
    assert cli.main(["review", str(folder), "--by", "A. Miller", "--heat-zone", told[0]]) == 0
    assert "haz_width_mm" in json.loads((folder / "record.json").read_text())["section"]
    assert cli.main(["review", str(folder), "--by", "A. Miller", "--weld-metal", told[1]]) == 0
    data = json.loads((folder / "record.json").read_text())
    assert "haz_width_mm" not in data["section"]
    assert data["cut"]["missing"]["haz_width_mm"].endswith("lies in the weld metal or at its border")
    assert "a person clicked on its border" not in (folder / "report.html").read_text()
    step = numbers(folder)
    assert step.holds, step.told


@pytest.mark.parametrize("act", ["--heat-zone", "--weld-metal"])
def test_what_was_never_clicked_is_not_taken_back(section, act, capsys):
    kept = (section / "record.json").read_bytes()
    assert cli.main(["review", str(section), "--by", "A. Miller", act, "found"]) == 2
    assert (section / "record.json").read_bytes() == kept
    assert "no points were clicked" in capsys.readouterr().err


@pytest.mark.usefixtures("one_reading")
@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([(1450, 1260), (1470, 1270), (1440, 1270)], "point 1 of the zone's border, 942,819, lies in the weld metal"),
        ([(100, 100), (200, 100), (300, 100)], "beside the cut"),
        ([(1520, 1390), (1555, 1320), (1400, 1160)], "point 3 of the zone's border, 910,754, lies beside the cut"),
        ([(1520, 1390), (1290, 1540), (1440, 1395)], "mm from the fusion line"),
        ([(1520, 1390)] * 5, "fewer than three of the points differ"),
    ],
)
def test_a_border_in_the_weld_metal_the_air_or_far_away_is_refused(section, points, said, capsys):
    """Each message names the first point that is wrong, where it lies and what was expected; the record is left alone."""
    kept = (section / "record.json").read_bytes()
    text = " ".join(f"{SMALLER * (x + 0.5) - 0.5:.1f},{SMALLER * (y + 0.5) - 0.5:.1f}" for x, y in points)
    assert cli.main(["review", str(section), "--by", "A. Miller", "--heat-zone", text]) == 2
    assert (section / "record.json").read_bytes() == kept
    told = capsys.readouterr().err
    assert said in told
    assert all(part in told for part in ("expected", "to mend it"))


@pytest.mark.parametrize("text", ["1,2 3", "1,1 2,2", "a,b c,d e,f", "-5,0 1,1 2,2"])
def test_points_that_are_no_border_are_refused(section, text, capsys):
    kept = (section / "record.json").read_bytes()
    assert cli.main(["review", str(section), "--by", "A. Miller", f"--heat-zone={text}"]) == 2
    assert (section / "record.json").read_bytes() == kept
    assert "expected" in capsys.readouterr().err


@pytest.mark.usefixtures("one_reading")
@pytest.mark.parametrize("text", ["1,2 3", "1,1 2,2 3,1", "10,10 2,2", "a,b c,d e,f"])
def test_points_that_hold_no_weld_metal_are_refused(section, text, capsys):
    kept = (section / "record.json").read_bytes()
    assert cli.main(["review", str(section), "--by", "A. Miller", "--weld-metal", text]) == 2
    assert (section / "record.json").read_bytes() == kept
    assert "expected" in capsys.readouterr().err


def test_a_review_under_another_version_is_no_forgery(bend_case, bent, monkeypatch):
    """What the measuring version resolved to 3 % otherwise is told by that version only, however many others reviewed it since.

    Finding and measuring in a photograph is not promised to be the same in another version: 10 % is the tool's own bound.
    """
    picture, measuring = photos.read(bend_case.photo), build.code_sha256()
    area = bent.examined[0]
    off = bent.model_copy(
        update={"examined": (area.model_copy(update={"smallest_resolvable_mm": 1.03 * area.smallest_resolvable_mm}),)}
    )
    assert any("smallest_resolvable_mm" in told for told in again.faults(off, "p1", picture)[0])
    monkeypatch.setattr(build, "code_sha256", lambda: "b" * 64)
    assert again.faults(off, "p1", picture)[0] == []
    reviewed = edit.confirm(off, [off.features[0].id], by="A. Miller", when=datetime.now(UTC))
    assert (reviewed.tool.code_sha256, reviewed.tool.measuring_code_sha256) == ("b" * 64, measuring)
    assert again.faults(reviewed, "p1", picture)[0] == []
    assert recompute.recompute(reviewed) == reviewed
    older = reviewed.model_copy(update={"tool": reviewed.tool.model_copy(update={"measuring_code_sha256": None})})
    assert again.faults(older, "p1", picture)[0] == []  # written before records kept who measured


def test_an_act_recomputes_what_it_changes_and_leaves_the_rest_as_it_was(bent):
    """After each act the record is what recomputing all of it gives, whatever of it was taken over from before."""
    record = bent
    first, second = record.features[:2]
    moved = [[x + 3.0, y] for x, y in first.outline_px]
    who = {"by": "A. Miller", "when": datetime.now(UTC)}
    for act in (
        lambda one: edit.confirm(one, [first.id], **who),
        lambda one: edit.classify(one, second.id, kind="crack", **who),
        lambda one: edit.corner(one, second.id, True, **who),
        lambda one: edit.corner(one, second.id, None, **who),
        lambda one: edit.reject(one, [second.id], why="a scratch", **who),
        lambda one: edit.outline(one, first.id, moved, **who),
        lambda one: edit.reopen(one, [second.id], why="looked at again", **who),
        lambda one: edit.add(one, moved, kind="pore", **who),
    ):
        record = act(record)
        assert recompute.recompute(record) == record


def test_a_width_that_told_the_height_holds_and_a_forged_one_is_named(tmp_path, capsys):
    """A broken half whose height nobody entered: seen again at the height it was given, its ends do not show in this scene."""
    scene = random_scene(13200004, width_px=1600, test="nick-break", card="strip", height="unknown")
    save(render(scene), tmp_path, "half")
    sample = sample_images() / "nick-break-exceeds.limits.toml"
    record, _ = job.measure(tmp_path / "half.jpg", tmp_path / "half.sheet.toml", sample, out=tmp_path)
    picture = photos.read(tmp_path / "half.jpg")
    assert record.scales[0].evidence["height_from"] == "calliper width"
    wrong, told = again.faults(record, "p1", picture)
    assert wrong == []
    assert any("taken as stored" in one and "ends" in one for one in told)
    assert cli.main(["scale", str(tmp_path / "half.jpg"), "--sheet", str(tmp_path / "half.sheet.toml"), "--json"]) == 0
    alone = json.loads(capsys.readouterr().out)  # the command that finds the scale alone tells the same height
    assert alone["surface_height_mm"] == pytest.approx(record.scales[0].surface_height_mm)
    assert alone["u_rel"] == pytest.approx(record.scales[0].u_rel, rel=1e-3)
    area = record.examined[0]
    forged = record.model_copy(update={"examined": (area.model_copy(update={"width_mm": area.width_mm + 0.02}),)})
    assert any("width_mm" in one for one in again.faults(forged, "p1", picture)[0])


def test_a_width_that_another_version_did_not_see_is_no_forgery(sample_record, monkeypatch):
    """Records of broken halves from before widths were measured there hold none: told, where that version measured it only."""
    record = model.load(sample_record("fillet-break-exceeds"))
    picture, area = photos.read(sample_images() / "fillet-break-exceeds.jpg"), record.examined[0]
    assert area.width_mm is not None
    older = record.model_copy(update={"examined": (area.model_copy(update={"width_mm": None, "u_width_mm": None}),)})
    assert any("width_mm" in one for one in again.faults(older, "p1", picture)[0])
    monkeypatch.setattr(build, "code_sha256", lambda: "b" * 64)
    wrong, told = again.faults(older, "p1", picture)
    assert wrong == []
    assert any("the width in p1" in one for one in told)
