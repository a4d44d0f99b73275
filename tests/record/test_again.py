"""The sizes of a section are measured again from the photograph that the record keeps, and what was changed is told."""

from __future__ import annotations

import json

import pytest

from specimeter import job
from specimeter.audit import audit
from specimeter.data import sample_images


@pytest.fixture(scope="module")
def section(tmp_path_factory):
    """Folder of the record of the sample of a fillet weld's section, which has two undercuts."""
    sample = str(sample_images() / "macro-fillet-exceeds")
    _, folder = job.measure(
        f"{sample}.jpg", f"{sample}.sheet.toml", f"{sample}.limits.toml", out=tmp_path_factory.mktemp("out")
    )
    return folder


def numbers(folder):
    """What the audit's step about numbers says."""
    return next(step for step in audit(folder) if step.name == "numbers")


def test_every_size_of_a_section_is_told_again(section):
    step = numbers(section)
    assert step.holds, step.told
    assert any("every size of the section" in told for told in step.told)


def test_each_changed_number_is_named(section):
    """A size, an undercut's depth, its radius, and a line that was drawn, forged together: all four are told."""
    file = section / "record.json"
    kept = file.read_bytes()
    data = json.loads(kept)
    data["section"]["throat_mm"] += 0.5
    next(one for one in data["features"] if "depth_mm" in one)["depth_mm"] += 0.1
    data["cut"]["undercuts"][0]["root_radius_mm"] += 0.1
    data["cut"]["drawn"][0]["lines_px"][0][0][0] += 2.0
    try:
        file.write_text(json.dumps(data))
        step = numbers(section)
    finally:
        file.write_bytes(kept)
    assert step.holds is False
    for said in ("section.throat_mm", "depth_mm is", "root_radius_mm", "lines_px"):
        assert any(said in told for told in step.told), (said, step.told)
