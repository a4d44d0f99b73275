"""What is exported is read by other programs, and comes back as it was."""

from __future__ import annotations

import json

import bagit
import cv2
import numpy as np
import pytest
from PIL import Image
from pycocotools import mask as coco_mask
from pycocotools.coco import COCO

from specimeter.errors import LibraryError
from specimeter.library import catalogue, picture, store
from specimeter.library.entry import made
from specimeter.library.exchange import bag, masks, transfer
from specimeter.library.exchange.split import groups, split

SHAPE = [[20.0, 30.0], [70.5, 25.0], [90.0, 44.25], [60.0, 61.0], [22.0, 55.0]]


@pytest.fixture
def kept(library, pictures, tmp_path):
    """Three pictures: two features, one feature, none; hostile words in the titles."""
    titles = ["=SUM(A1)", "<script>alert(1)</script>", 'plain, "quoted"\nand broken']
    for number, title in enumerate(titles):
        Image.fromarray(pictures[0](number)).save(tmp_path / f"{number}.png")
        seen = [
            {"id": "f1", "kind": "crack", "outline_px": SHAPE, "length_mm": 3.5, "U_length_mm": 0.2, "cause": "slag"},
            {"id": "f2", "kind": "pore", "outline_px": [[100, 80], [110, 80], [110, 95], [100, 95]], "length_mm": 0.8},
        ][: 2 - number]
        fields = {
            "title": title,
            "seen": seen,
            "clean": not seen,
            "licence": "CC0",
            "permission": "drawn",
            "coupon": f"C{number}",
        }
        catalogue.add(library, picture.copy_of(tmp_path / f"{number}.png"), made(fields))
    return library


def export(library, out, form, **more):
    transfer.export(library, list(catalogue.every(library)), out, form=form, **more)
    return out


@pytest.mark.filterwarnings("ignore:__array__ implementation:DeprecationWarning")  # of pycocotools itself
def test_coco_is_read_by_its_own_library(kept, tmp_path, capsys):
    """pycocotools loads the file; its rasterised polygon has the polygon's area, and lies where the outline lies."""
    out = export(kept, tmp_path / "out", "coco")
    loaded = COCO(str(out / "annotations.json"))
    capsys.readouterr()
    assert len(loaded.getImgIds()) == 3
    for annotation in loaded.loadAnns(loaded.getAnnIds()):
        inside = loaded.annToMask(annotation)
        assert inside.sum() == pytest.approx(annotation["area"], rel=0.06)
        rows, columns = np.nonzero(inside)
        x, y, width, height = annotation["bbox"]
        assert (columns.mean() + 0.5, rows.mean() + 0.5) == pytest.approx((x + width / 2, y + height / 2), abs=6)
        assert coco_mask.area(coco_mask.encode(np.asfortranarray(inside))) == inside.sum()
    first = loaded.loadAnns(loaded.getAnnIds(catIds=loaded.getCatIds(catNms=["crack"])))[0]
    shoelace = 0.5 * abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(SHAPE, SHAPE[1:] + SHAPE[:1], strict=True)))
    assert first["area"] == pytest.approx(shoelace, abs=1e-3)


@pytest.mark.parametrize(("form", "name", "exact"), [("coco", "annotations.json", 1e-3), ("geojson", "features.geojson", 1e-9)])
def test_outlines_come_back_as_they_were(kept, tmp_path, form, name, exact):
    out = export(kept, tmp_path / "out", form)
    before = {one.sha256: one.entry for one in catalogue.every(kept)}
    found = list(transfer.pairs(out / name, {}))
    assert len(found) == 3
    for path, entry in found:
        was = before[path.stem]
        assert (entry.title, entry.licence, entry.coupon, entry.clean) == (was.title, was.licence, was.coupon, was.clean)
        assert [feature.kind for feature in entry.seen] == [feature.kind for feature in was.seen]
        for one, other in zip(entry.seen, was.seen, strict=True):
            assert (one.length_mm, one.cause) == (other.length_mm, other.cause)
            shift = [np.abs(np.roll(np.array(one.outline_px), k, 0) - other.outline_px).max() for k in range(len(SHAPE))]
            reverse = [
                np.abs(np.roll(np.array(one.outline_px)[::-1], k, 0) - other.outline_px).max() for k in range(len(SHAPE))
            ]
            assert min(shift + reverse) < exact


def test_masks_hold_the_pixels_whose_centres_are_inside(kept, tmp_path):
    """A rectangle from 100 to 110 and 80 to 95 covers known pixel centres; the outline read back encloses the same area."""
    out = export(kept, tmp_path / "out", "masks")
    one = next(one for one in catalogue.every(kept) if len(one.entry.seen) == 2)
    label = cv2.imread(str(out / masks.mask_name(f"{one.sha256}.png")), cv2.IMREAD_UNCHANGED)
    assert set(np.unique(label)) == {0, 1, 2}
    rows, columns = np.nonzero(label == 2)
    assert {columns.min(), columns.max(), rows.min(), rows.max()} <= {100, 101, 109, 110, 80, 81, 94, 95}
    entry = next(entry for path, entry in transfer.pairs(out / "masks.csv", {}) if path.stem == one.sha256)
    for feature, number in zip(entry.seen, (1, 2), strict=True):
        ring = np.array(feature.outline_px)
        area = 0.5 * abs(np.dot(ring[:, 0], np.roll(ring[:, 1], -1)) - np.dot(ring[:, 1], np.roll(ring[:, 0], -1)))
        assert area == pytest.approx((label == number).sum(), rel=0.03)
    assert b"'=SUM" in (out / "masks.csv").read_bytes()


@pytest.mark.filterwarnings("ignore::DeprecationWarning:bagit")  # of bagit itself
def test_a_bag_is_valid_for_the_reference_program_and_comes_back_whole(kept, tmp_path):
    """bagit-python validates it; a changed byte and a file too many are seen by it and by us."""
    out = export(kept, tmp_path / "out", "bag", validation=0.34)
    bagit.Bag(str(out)).validate()
    with store.create(tmp_path / "other") as other:
        for path, entry in transfer.pairs(out, {}):
            catalogue.add(other, picture.copy_of(path), entry)
        assert {one.sha256: one.entry for one in catalogue.every(other)} == {
            one.sha256: one.entry for one in catalogue.every(kept)
        }
    changed = next((out / "data" / "pictures").iterdir())
    changed.write_bytes(changed.read_bytes()[:-1] + b"x")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(out)).validate()
    with pytest.raises(LibraryError, match="changed"):
        bag.check(out)


def test_pictures_of_one_coupon_and_near_copies_stay_together(filled, tmp_path):
    """No coupon and no near duplicate is on both sides, whatever the seed; the share is near what was asked for."""
    darker = (np.array(Image.open(next(filled.folder.glob("pictures/*/*.png")))) * 0.9).astype(np.uint8)
    Image.fromarray(darker).save(tmp_path / "darker.png")
    done = catalogue.add(filled, picture.copy_of(tmp_path / "darker.png"), made({"title": "darker", "coupon": "far away"}))
    ones = list(catalogue.every(filled))
    twin = done.nearly[0]
    assert any({done.id, twin} <= {one.id for one in group} for group in groups(filled, ones))
    for seed in range(12):
        parts = split(filled, ones, validation=0.3, seed=seed)
        assert set(parts) == {one.id for one in ones}
        for group in groups(filled, ones):
            assert len({parts[one.id] for one in group}) == 1
        assert 0.1 <= np.mean([part == "validation" for part in parts.values()]) <= 0.5
    assert split(filled, ones, seed=3) == split(filled, ones, seed=3)


def test_a_turned_picture_is_exported_upright(library, pictures, tmp_path):
    """Other programs do not look at the orientation entry; the outline lies on what they see."""
    (tmp_path / "turned.jpg").write_bytes(pictures[1](pictures[0](5), 6))
    catalogue.add(library, picture.copy_of(tmp_path / "turned.jpg"), made({"title": "turned"}))
    out = export(library, tmp_path / "out", "coco")
    image = json.loads((out / "annotations.json").read_bytes())["images"][0]
    with Image.open(out / image["file_name"]) as seen:
        assert seen.size == (image["width"], image["height"]) == (120, 160)


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("a.json", "{", "not a COCO"),
        ("a.json", '{"images": [{"id": 1, "file_name": "../../etc/passwd"}], "annotations": [], "categories": []}', "outside"),
        ("a.geojson", '{"features": [{"properties": {"picture": "a"}, "geometry": {"type": "Point"}}]}', "Point"),
        ("a.csv", "a,b\n1,2\n", "not a table of masks"),
        ("a.csv", "picture,mask,value,kind\n../../etc/passwd,m.png,,\n", "outside"),
        ("a.csv", "picture,mask,value,kind\na.png,/etc/passwd,1,pore\n", "outside"),
        ("a.geojson", '{"features": [{"properties": {"picture": "/etc/passwd"}, "geometry": null}]}', "outside"),
    ],
)
def test_what_is_no_export_is_refused(tmp_path, name, text, says):
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(LibraryError, match=says):
        list(transfer.pairs(tmp_path / name, {}))
