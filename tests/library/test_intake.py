"""Pictures, folders, manifests and records become entries; what is wrong is named with its line."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from specimeter.errors import LibraryError
from specimeter.library import intake


@pytest.fixture
def folder(tmp_path, pictures):
    for name, seed in (("a.png", 1), ("b.png", 2)):
        Image.fromarray(pictures[0](seed)).save(tmp_path / name)
    return tmp_path


def test_a_folder_gives_its_pictures(folder):
    (folder / "notes.txt").write_text("not a picture", encoding="utf-8")
    found = list(intake.pairs(folder, {"test": "side-bend"}))
    assert [(path.name, entry.title, entry.test) for path, entry in found] == [
        ("a.png", "a", "side-bend"),
        ("b.png", "b", "side-bend"),
    ]


def test_a_manifest_gives_fields(folder):
    lines = (
        "file,title,kinds,tags,thickness_mm,clean,quality\na.png,Pore one,pore;slag,good;week 1,12.5,no,80\nb.png,,,,,yes,\n"
    )
    (folder / "m.csv").write_text(lines, encoding="utf-8")
    (_, first), (_, second) = intake.pairs(folder / "m.csv", {"licence": "CC0"})
    assert (first.title, first.kinds, first.tags, first.thickness_mm) == (
        "Pore one",
        ("pore", "slag"),
        ("good", "week 1"),
        12.5,
    )
    assert (first.clean, first.quality, first.licence) == (False, 80, "CC0")
    assert (second.title, second.clean) == ("b", True)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("title\nx\n", "no column called file"),
        ("file,tittle\na.png,x\n", 'nearest known column is "title"'),
        ("file,quality\na.png,good\n", "a number"),
        ("file,kinds\na.png,pores\n", "line 2"),
        ("file\nmissing.png\n", "not there"),
        ("file\na.png,b,c\n", "more values"),
        ("file,clean\na.png,perhaps\n", "true or false"),
    ],
)
def test_a_wrong_manifest_is_refused_with_its_line(folder, text, says):
    (folder / "m.csv").write_text(text, encoding="utf-8")
    with pytest.raises(LibraryError, match=says):
        list(intake.pairs(folder / "m.csv", {}))


def test_a_rendered_picture_brings_its_truth():
    """The samples that ship with specimeter carry their truth beside them."""
    from specimeter.data import sample_images

    found = {path.stem: entry for path, entry in intake.pairs(sample_images(), {})}
    entry = found["side-bend-exceeds"]
    assert entry.test == "side-bend"
    assert entry.mm_per_px == pytest.approx(0.061, abs=0.001)
    assert max(feature.length_mm for feature in entry.seen) > 3
    assert all(len(feature.outline_px) > 2 for feature in entry.seen)
    assert entry.clean is False


def test_a_record_brings_its_features_and_outcome(folder, tmp_path, a_record):
    """The photograph is the one that the hash names; rejected features stay behind; unreviewed is not clean."""
    import hashlib

    from specimeter.record import model

    record = a_record(hashlib.sha256((folder / "b.png").read_bytes()).hexdigest())
    (tmp_path / "records").mkdir()
    (tmp_path / "records" / "record.json").write_bytes(model.dump(record))
    ((path, entry),) = intake.pairs(tmp_path / "records", {"licence": "CC0"})
    assert path.name == "b.png"
    assert (entry.specimen, entry.outcome, entry.test, entry.process) == ("SB-1", "no-limits", "side-bend", "136")
    assert [(feature.id, feature.length_mm, feature.cause) for feature in entry.seen] == [("f1", 2.5, "slag")]
    assert (entry.clean, entry.mm_per_px) == (False, 0.05)


def test_a_record_without_its_photograph_says_what_is_missing(tmp_path):
    """A photograph is known by its hash, not by its name."""
    from types import SimpleNamespace

    (tmp_path / "a.jpg").write_bytes(b"another picture")
    with pytest.raises(LibraryError, match="not beside it"):
        intake._by_hash(tmp_path, SimpleNamespace(file="a.jpg", sha256="0" * 64), [])


def test_what_lies_beside_the_picture_is_not_seen():
    """A truth of 100 x 80 pixels: a pore within, one across the edge, one beyond; the last is no part of the entry."""
    square = np.array([[0.0, 0.0], [6.0, 0.0], [6.0, 6.0], [0.0, 6.0]])
    features = [{"kind": "pore", "outline_px": (square + at).tolist()} for at in ([40, 40], [97, 40], [40, 90])]
    lip = {"length_mm": 1.2, "outline_px": (square + 10).tolist()}
    data = {"width_px": 100, "height_px": 80, "features": features, "overlaps": [lip]}
    seen = intake.from_truth(data)["seen"]
    assert [(one["id"], one["kind"]) for one in seen] == [("f1", "pore"), ("f2", "pore"), ("o1", "overlap")]
    assert intake.inside(features[1]["outline_px"], data).tolist() == [True, False, False, True]
    assert "1.2 mm over the plate" in seen[2]["why"]
