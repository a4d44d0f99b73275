"""The window's numbers against the command line's, on every sample."""

from __future__ import annotations

import json

import pytest

from specimeter import cli, job
from specimeter.data import sample_images
from specimeter.record import model

SAMPLES = sorted(path.name.removesuffix(".sheet.toml") for path in sample_images().glob("*.sheet.toml"))
PARTS = ("sheet", "limits", "photos", "scales", "surfaces", "examined", "features", "section", "verdicts", "outcome", "reasons")


@pytest.mark.parametrize("name", SAMPLES)
def test_the_window_and_the_command_line_give_the_same_numbers(hand, name, tmp_path, capsys, monkeypatch):
    """To the last digit: the window computes nothing of its own. No report is drawn: it holds no other numbers."""
    monkeypatch.setattr(job, "folder_files", lambda photographs, record, house: {})
    sample = sample_images() / name
    call = [f"{sample}.jpg", "--sheet", f"{sample}.sheet.toml", "--limits", f"{sample}.limits.toml", "--out", str(tmp_path)]
    assert cli.main(["measure", *call, "--json", "--quiet"]) == 0
    answer = json.loads(capsys.readouterr().out)
    by_command = model.load(tmp_path / json.loads(json.dumps(answer))["record"])
    hand.open(sample.with_suffix(".jpg"))
    by_window = hand.bench.session.record
    assert by_window is not None, hand.bench.wrong.text()
    for part in PARTS:
        assert getattr(by_window, part) == getattr(by_command, part), part
