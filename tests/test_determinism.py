"""The same photograph, sheet and version give the same bytes: twice, and with one thread or with many."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime

import cv2
import pytest

from specimeter import job

pytestmark = pytest.mark.usefixtures("asked_anew")


class Stopped(datetime):
    """A clock that stands still, so that only what the tool makes of its input can differ."""

    @classmethod
    def now(cls, zone=None) -> datetime:
        return datetime(2026, 3, 21, 9, 30, tzinfo=zone or UTC)


@pytest.fixture
def threads():
    """Sets how many threads OpenCV uses; afterwards as many as before."""
    before = cv2.getNumThreads()
    yield cv2.setNumThreads
    cv2.setNumThreads(before)


def test_record_pictures_and_reports_are_the_same_bytes(bend_case, tmp_path, monkeypatch, threads):
    """Every file of the folder by its SHA-256, the PDF, the spreadsheet and the overlay too: of two runs with unlike numbers of
    threads.
    """
    monkeypatch.setattr(job, "datetime", Stopped)
    seen = {}
    for name, number in (("one", 1), ("four", 4)):
        threads(number)
        _, folder = job.measure(bend_case.photo, bend_case.sheet, bend_case.limits, out=tmp_path / name)
        seen[name] = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}
    assert len(seen["one"]) >= 9
    assert seen["four"] == seen["one"]
