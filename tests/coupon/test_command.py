"""`specimeter coupon`: records as they lie on disk, missing, changed or of another specimen, and the summary beside them."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import pytest
from PIL import Image

from specimeter.cli import main
from specimeter.record import build, model, store

SEALED = Path(__file__).resolve().parents[1] / "record" / "sealed"  # of the specimen R-1, a nick-break, issued, no limits
COUPON = """
[coupon]
id = "HW-3"

[required]
nick-break = {required}

[[specimen]]
id = "R-1"
test = "nick-break"
{more}
"""


@pytest.fixture
def records(tmp_path) -> Path:
    """A folder of records with the one of R-1."""
    shutil.copytree(SEALED, tmp_path / "records" / "R-1")
    return tmp_path / "records"


def told(records: Path, capsys, *options: str, required: int = 1, more: str = "") -> tuple[int, str, dict]:
    """The command's status, what it said, and the summary that it wrote."""
    file = records.parent / "coupon.toml"
    file.write_text(COUPON.format(required=required, more=more), encoding="utf-8")
    status = main(["coupon", str(file), "--records", str(records), *options])
    said = capsys.readouterr()
    summary = records / "HW-3.coupon" / "coupon.json"
    return status, said.out + said.err, json.loads(summary.read_bytes()) if summary.is_file() else {}


def test_the_summary_stands_beside_the_records(records, capsys):
    """All its files, the outcome of the one record in it; with --json the same on stdout."""
    status, said, summary = told(records, capsys)
    assert status == 0
    assert {"coupon.json", "coupon.html", "coupon.pdf"} <= {path.name for path in (records / "HW-3.coupon").iterdir()}
    assert (records / "HW-3.coupon" / "coupon.pdf").read_bytes().startswith(b"%PDF")
    assert "HW-3:" in said
    assert summary["outcome"] != "within", "a record without limits makes no coupon conform"
    assert main(["coupon", str(records.parent / "coupon.toml"), "--records", str(records), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["outcome"] == summary["outcome"]


def test_a_specimen_without_a_record_is_missing(records, capsys):
    """Named, and the coupon is not decided without it."""
    status, said, summary = told(records, capsys, required=2, more='[[specimen]]\nid = "R-2"\ntest = "nick-break"\n')
    assert status == 0
    assert "R-2" in said
    assert summary["outcome"] != "within"


def test_a_changed_record_counts_for_nothing(records, capsys):
    """One byte of its photograph."""
    path = records / "R-1" / "p1.png"
    path.write_bytes(path.read_bytes() + b"x")
    _, said, summary = told(records, capsys)
    assert "cannot be relied on" in said + json.dumps(summary)
    assert summary["outcome"] != "within"


def test_a_record_of_another_specimen_counts_for_nothing(records, capsys):
    """It lies in the folder of R-2, whole, and is that of R-1."""
    (records / "R-1").rename(records / "R-2")
    _, said, summary = told(records, capsys, required=2, more='[[specimen]]\nid = "R-2"\ntest = "nick-break"\n')
    assert "is that of R-1" in said + json.dumps(summary)


def test_a_record_may_lie_elsewhere_and_bring_its_overlay(records, capsys):
    """`record` is seen from the coupon's file; the overlay of its folder stands in the summary's page."""
    sealed = model.load(SEALED)
    parts = model.parts_of(sealed) | {"issue": None, "log": sealed.log[:-1]}
    parts["review"] = sealed.review.model_copy(update={"state": "reviewed"})
    record = model.logged(parts, {"when": sealed.log[-1].when, "who": "A. Miller", "what": "looked over"})
    drawn = io.BytesIO()
    Image.new("RGB", (60, 40), (200, 10, 10)).save(drawn, format="PNG")
    shutil.rmtree(records / "R-1")
    _, said, _ = told(records, capsys, more='record = "elsewhere/R-1"')
    bare = (records / "HW-3.coupon" / "coupon.html").read_text(encoding="utf-8").count("<img")
    store.commit(build.to_json(record), {"overlay.png": drawn.getvalue()}, out=records.parent / "elsewhere", id="R-1")
    _, again, _ = told(records, capsys, more='record = "elsewhere/R-1"')
    assert said != again
    assert (records / "HW-3.coupon" / "coupon.html").read_text(encoding="utf-8").count("<img") == bare + 1


def test_a_place_that_cannot_be_written_is_told(records, capsys):
    """A file where the summary's folder would be."""
    (records / "HW-3.coupon").write_bytes(b"a file")
    status, said, _ = told(records, capsys)
    assert status == 2
    assert "cannot be written" in said
