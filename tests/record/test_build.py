"""A record holds what was found, and nothing of the person or the machine; from it every number comes out again."""

from __future__ import annotations

import getpass
import json
import platform
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.errors import RecordError
from specimeter.measure.sizes import area_mm2, measure
from specimeter.record import build, model, rebuild, recompute
from specimeter.segment.model import Unseen

SIZES = (
    "length_mm",
    "U_length_mm",
    "width_mm",
    "U_width_mm",
    "area_mm2",
    "U_area_mm2",
    "nearest_mm",
    "U_nearest_mm",
    "at_corner",
)


def test_measuring_again_from_the_stored_bytes_gives_the_same_numbers(built):
    """Outlines, scale and surface as read from record.json give every stored size to the last bit."""
    stored = model.load(build.to_json(built.record))
    surface, scale, area = rebuild.surface_of(stored), rebuild.scale_of(stored), rebuild.area_of(stored)
    again = measure(rebuild.outlines_of(stored), photo_id="p1", surface=surface, scale=scale, area=area)
    assert len(again) == len(stored.features) == 3
    for feature, kept in zip(again, stored.features, strict=True):
        assert kept.length_mm is not None
        for name in SIZES:
            assert getattr(feature, name) == getattr(kept, name), name
    size, U_size = area_mm2(surface, scale, area)
    assert (size, U_size) == (stored.examined[0].area_mm2, stored.examined[0].U_area_mm2)
    centre_px = surface.project(rebuild.crown_line_mm(surface, area).mean(axis=0)[None])[0]
    assert stored.scales[0].mm_per_px == surface.mm_per_px_at(centre_px)


def test_a_rounded_edge_is_stored_with_the_surface(built):
    """Places beside the edges come out again to the last bit; a record from before, without a rounding, has the cylinder."""
    stored = model.load(build.to_json(built.record))
    beside = np.asarray(stored.examined[0].edges_px[1]) - [[2.0, 2.0]]
    assert (rebuild.surface_of(stored).develop(beside) == built.finding.surface.develop(beside)).all()
    older = stored.surfaces[0].model_copy(update={"edge_radius_mm": None, "u_edge_radius_mm": None})
    plain = rebuild.surface_of(stored.model_copy(update={"surfaces": (older,)}))
    assert (plain.develop(beside) == built.finding.surface.smooth.develop(beside)).all()
    apart = np.abs(plain.develop(beside) - rebuild.surface_of(stored).develop(beside)).max()
    assert (apart > 1e-3) == (plain.shape == "bend")


def test_scale_is_that_of_the_crown(built):
    """mm per px against a second way: the distance of the crown along the sight line over the principal distance.

    Pinhole: a fronto-parallel square of side d mm at depth Z covers f d / Z pixels; here the tilt is 5 degrees and the
    distortion there below 1e-4, so that 1 % holds with room (1 / cos 5 degrees is 1.004).
    """
    view = built.finding.scale.view
    depth_mm = (view.rotation @ np.array([50.0, 40.0, -31.7]) + view.translation_mm)[2]
    assert built.record.scales[0].mm_per_px == pytest.approx(depth_mm / view.focal_px, rel=0.01)


def test_a_changed_outline_changes_the_size(built):
    """The check above can fail."""
    stored = built.record
    first = stored.features[0]
    longer = first.model_copy(update={"outline_px": tuple((x * 1.001, y * 1.001) for x, y in first.outline_px)})
    changed = stored.model_copy(update={"features": (longer,)})
    again = measure(
        rebuild.outlines_of(changed),
        photo_id="p1",
        surface=rebuild.surface_of(changed),
        scale=rebuild.scale_of(changed),
        area=rebuild.area_of(changed),
    )
    assert again[0].length_mm != first.length_mm


def test_nothing_private_is_stored(built):
    """No folder, no user, no machine: names of files only."""
    text = build.to_json(built.record).decode()
    assert "/home" not in text
    assert "private" not in text
    assert '"x.toml"' in text
    for word in (str(Path.home()), platform.node()):
        assert len(word) < 3 or word not in text
    assert f'"{getpass.getuser()}"' not in text


def test_what_is_not_known_is_absent_and_named(built):
    """NaN and None leave no key; a size that was not measured is named with its reason."""
    finding = built.finding
    finding.smallest_resolvable_mm = None
    finding.area = type(finding.area)(outline_px=finding.area.outline_px)
    record = build.build(finding, sheet=built.sheet, limits=None, settings={}, when=datetime.fromisoformat("2026-01-01T00:00Z"))
    data = json.loads(build.to_json(record))
    examined = data["examined"][0]
    assert {"width_mm", "smallest_resolvable_mm"} == set(examined["missing"])
    assert "width_mm" not in examined
    assert "smallest_resolvable_mm" not in examined
    assert "null" not in build.to_json(record).decode()
    assert "NaN" not in build.to_json(record).decode()
    assert "unknown" not in data["surfaces"][0]["evidence"]


def test_the_log_begins_in_utc(built):
    """The moment is stored in UTC whatever zone it was given in."""
    when = datetime(2026, 11, 25, 1, 2, 3, tzinfo=timezone(timedelta(hours=-5)))
    record = build.build(built.finding, sheet=built.sheet, limits=None, settings={}, when=when)
    assert record.log[0].when == "2026-11-25T06:02:03+00:00"
    assert record.log[0].who.startswith("specimeter ")
    assert record.review.state == "unreviewed"


def test_cautions_are_told_once(built):
    """Cautions of all stages in the order of the work, none twice."""
    assert built.record.cautions == (*built.finding.surface.cautions, "c")


def test_an_unknown_photo_is_named(built):
    """Asking for what is not there says so."""
    with pytest.raises(RecordError, match="p9"):
        rebuild.view_of(built.record, "p9")


def test_plain_drops_what_json_cannot_say():
    """Arrays become lists; numbers that are none leave tables, and stand as "missing" in lists, where places count."""
    value = {"a": np.array([1.0, np.nan]), "b": np.float32(0.5), "c": np.bool_(True), "d": float("inf"), "e": (1, None)}
    assert build.plain(value) == {"a": [1.0, "missing"], "b": 0.5, "c": True, "e": [1, "missing"]}


def test_parts_where_nothing_could_be_seen_are_kept(built):
    """They are stored with the examined area and come back with it, so that judging again gives the same verdicts."""
    finding = SimpleNamespace(**vars(built.finding))
    part = Unseen(outline_px=np.array([[1.5, 2.0], [30.0, 2.0], [30.0, 40.0]]), why="black", length_mm=4.5)
    finding.area = replace(finding.area, unseen=(part,))
    record = build.build(finding, sheet=built.sheet, limits=None, settings={}, when=datetime.fromisoformat("2026-01-01T00:00Z"))
    (back,) = rebuild.area_of(model.load(build.to_json(record))).unseen
    assert (back.why, back.length_mm, back.outline_px.tolist()) == (part.why, part.length_mm, part.outline_px.tolist())


def test_the_tilt_is_that_of_the_camera_that_the_sizes_were_measured_with(built):
    """A bend may tell the lens's distance: the scale stored is of the surface's view, and so is its tilt."""
    tilted = replace(built.finding.scale, tilt_deg=built.finding.scale.tilt_deg + 1.0)
    finding = SimpleNamespace(**{**vars(built.finding), "scale": tilted})
    record = build.build(finding, sheet=built.sheet, limits=None, settings={}, when=datetime.fromisoformat("2026-01-01T00:00Z"))
    assert recompute.recompute(record).scales == record.scales
