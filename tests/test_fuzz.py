"""Files that mean harm or are merely broken: whatever stands in them, the answer is a value or an error that a person can mend.

Each reader is given arbitrary data of its own format, whole files of its own in which something was changed, data nested
deeper than any parser likes, numbers that are none, names in every script and with every control character, and paths that
lead elsewhere. The photograph's reader is tried in `test_photo.py` and `test_decode.py`, expressions in
`judge/test_expression.py`, the journal of the bench in `test_faults.py` and among the bench's own tests.
"""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from specimeter import sheet
from specimeter.errors import LibraryError, LimitsError, RecordError, SheetError, SpecimeterError
from specimeter.judge import limits
from specimeter.library import collect, intake
from specimeter.library.exchange import bag, place, transfer
from specimeter.record import model

DEEP = 100_000
NAMES = st.text(max_size=8) | st.sampled_from(["", "\x00", "../x", "a/b", "CON", "\u202e", "\ud800", "é" * 200, "{x}", "%25"])
LEAF = st.none() | st.booleans() | st.integers() | st.floats() | NAMES
ANY = st.recursive(LEAF, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=3), max_leaves=12)
FEW = settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])


def mutated(draw, data, odd=ANY):
    """A copy of JSON data in which one value, at any depth, is another, is gone, or stands twice."""
    if isinstance(data, dict) and data and draw(st.integers(0, 3)):
        key = draw(st.sampled_from(sorted(data)))
        return {**data, key: mutated(draw, data[key], odd)}
    if isinstance(data, list) and data and draw(st.integers(0, 3)):
        at = draw(st.integers(0, len(data) - 1))
        return [*data[:at], mutated(draw, data[at], odd), *data[at + 1 :]]
    if isinstance(data, dict) and data and draw(st.booleans()):
        gone = draw(st.sampled_from(sorted(data)))
        return {key: value for key, value in data.items() if key != gone} | draw(st.dictionaries(NAMES, odd, max_size=1))
    return draw(odd)


def written(path: Path, data) -> Path:
    """JSON with whatever it holds: NaN, infinity and lone surrogates as Python's own writer lets them pass."""
    path.write_bytes(json.dumps(data).encode("utf-8", "surrogatepass"))
    return path


@given(data=st.dictionaries(st.sampled_from(["limits", "rule", "x"]), ANY, max_size=3))
@FEW
def test_arbitrary_limits(data):
    """A table of anything."""
    with contextlib.suppress(LimitsError):
        assert isinstance(limits.from_tables(data, file="L.toml"), limits.Limits)


@given(data=st.data())
@FEW
def test_limits_with_one_thing_changed(data):
    """Every example that ships, with a value of another kind somewhere."""
    import tomllib

    from specimeter.data import shared

    path = data.draw(st.sampled_from(sorted((shared() / "limits").glob("*.toml"))))
    tables = mutated(data.draw, tomllib.loads(path.read_text(encoding="utf-8")))
    with contextlib.suppress(LimitsError):
        assert limits.from_tables(tables if isinstance(tables, dict) else {"rule": tables}, file=path).rule


@pytest.mark.parametrize("read", [limits.read, sheet.read], ids=["limits", "sheet"])
@pytest.mark.parametrize(
    "text",
    [
        b"a = " + b"[" * DEEP,
        b"[" + b"a." * DEEP + b"b]",
        b"x = nan\n[limits]\nbasis = 1e999",
        b"\xff\xfe\x00",
        b"[limits]\ntitle = '\x1b]0;x\x07'",
        "[specimen]\nid = '\u202e../../etc'".encode(),
        b"a = 1" + b"0" * 5000,
    ],
    ids=["deep", "dotted", "no number", "no text", "escape", "bidi path", "long number"],
)
def test_toml_that_means_harm(tmp_path, read, text):
    """Refused in a moment, with a sentence in which no control character is left."""
    (tmp_path / "x.toml").write_bytes(text)
    with pytest.raises((LimitsError, SheetError)) as caught:
        read(tmp_path / "x.toml")
    assert all(char.isprintable() or char == "\n" for char in str(caught.value))


STORED = json.loads((Path(__file__).parent / "record" / "version-1.json").read_text(encoding="utf-8"))


@given(data=st.data())
@FEW
def test_a_record_with_one_thing_changed(data):
    """A whole record of the first version: read, or refused as a record; a changed one is never read as sound by its log."""
    content = json.dumps(mutated(data.draw, STORED)).encode("utf-8", "surrogatepass")
    with contextlib.suppress(RecordError):
        assert isinstance(model.load(content), model.Record)


@pytest.mark.parametrize("log", ["0", [[1]], [["a", 1, 2]], {"a": 1}, 0, None])
def test_a_log_that_is_none(log):
    """Found by the test above: an older record's log is brought up to date before anything has checked it."""
    with pytest.raises(RecordError, match="log"):
        model.load(json.dumps({**STORED, "log": log}).encode())


@pytest.mark.parametrize("text", ["[" * DEEP, '{"a":' * DEEP, "[1e999]", '{"format": "specimeter-record", "version": 1e400}'])
def test_json_that_means_harm(tmp_path, text):
    """A record, an exercise's result and every import of the library."""
    (tmp_path / "data").mkdir()
    for name in ("x.json", "x.geojson", "x.csv", "data/entries.json"):
        (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(RecordError):
        model.load(text.encode())
    with pytest.raises(LibraryError):
        collect.read(tmp_path / "x.json")
    for name in ("x.json", "x.geojson"):
        with pytest.raises(LibraryError):
            list(transfer.pairs(tmp_path / name, {}))
    bag_of(tmp_path)
    with pytest.raises(LibraryError):
        list(transfer.pairs(tmp_path, {}))


def bag_of(folder: Path) -> None:
    """What is in ``data/`` with a manifest that holds, so that the content is what is tried."""
    import hashlib

    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(folder).as_posix()}"
        for path in sorted((folder / "data").rglob("*"))
        if path.is_file()
    ]
    (folder / "manifest-sha256.txt").write_text("\n".join(lines), encoding="utf-8")
    (folder / "bagit.txt").write_bytes(bag.DECLARATION)


COCO = {
    "images": [
        {"id": 1, "file_name": "a.png", "width": 9, "height": 9, "title": "t", "license": 1, "specimeter": {"tags": ["x"]}}
    ],
    "annotations": [
        {"id": 1, "image_id": 1, "category_id": 1, "segmentation": [[0, 0, 5, 0, 5, 5]], "specimeter": {"id": "f1"}}
    ],
    "categories": [{"id": 1, "name": "pore"}],
    "licenses": [{"id": 1, "name": "CC0"}],
}
RING = [[[0, 0], [5, 0], [5, 5], [0, 0]]]
GEOJSON = {
    "features": [{"properties": {"picture": "a.png", "kind": "pore"}, "geometry": {"type": "Polygon", "coordinates": RING}}]
}
ENTRIES = {
    "entries": [{"picture": "a.png", "entry": {"title": "t", "seen": [{"id": "f", "kind": "pore", "outline_px": RING[0]}]}}]
}
RESULT = {
    "format": "specimeter-result",
    "version": 1,
    "exercise": "0" * 16,
    "trainee": "T",
    "started": "2026-03-21T09:30:00+00:00",
    "finished": "2026-03-21T09:40:00+00:00",
    "tasks": [{"task": "t001", "marks": [{"shape": "line", "points_px": [[0, 0], [5, 5]], "kind": "pore"}], "seconds": 3.0}],
}


@pytest.mark.parametrize(("name", "whole"), [("x.json", COCO), ("x.geojson", GEOJSON), ("data/entries.json", ENTRIES)])
@given(data=st.data())
@FEW
def test_an_import_with_one_thing_changed(tmp_path, name, whole, data):
    """Pictures with entries, or a LibraryError; and no picture outside the folder."""
    (tmp_path / "data").mkdir(exist_ok=True)
    path = written(tmp_path / name, mutated(data.draw, whole))
    if name.startswith("data"):
        bag_of(tmp_path)
    with contextlib.suppress(LibraryError):
        found = list(transfer.pairs(tmp_path if name.startswith("data") else path, {}))
        assert all(picture.resolve().is_relative_to(tmp_path.resolve()) for picture, _ in found)


@given(
    cells=st.lists(st.lists(st.text(max_size=6) | st.sampled_from(["a.png", "pore", "1", "../a", "x" * 200_000]), max_size=8))
)
@FEW
def test_an_arbitrary_table_of_masks(tmp_path, cells):
    """Commas, quotes, line ends and fields longer than the reader of tables takes."""
    text = "picture,mask,value,kind,title\n" + "\n".join(",".join(row) for row in cells)
    (tmp_path / "x.csv").write_bytes(text.encode("utf-8", "replace"))
    with contextlib.suppress(LibraryError):
        found = list(transfer.pairs(tmp_path / "x.csv", {}))
        assert all(picture.resolve().is_relative_to(tmp_path.resolve()) for picture, _ in found)


@given(text=st.text(max_size=30), head=st.sampled_from(["file,title\n", "file\r\n", "file,kinds,quality\n", ""]))
@example(text="f", head="\r")
@FEW
def test_an_arbitrary_list_of_pictures(tmp_path, text, head):
    """The manifest of pictures for the library: line ends in odd places, names that no file can have."""
    (tmp_path / "x.csv").write_bytes((head + text).encode("utf-8", "surrogatepass"))
    (tmp_path / "a.png").touch()
    with contextlib.suppress(LibraryError):
        assert all(picture.is_file() for picture, _ in intake.manifest(tmp_path / "x.csv", {}))


@given(data=st.data())
@FEW
def test_an_exercise_s_result_with_one_thing_changed(tmp_path, data):
    """Read, or refused as a result."""
    with contextlib.suppress(LibraryError):
        assert isinstance(collect.read(written(tmp_path / "r.json", mutated(data.draw, RESULT))), collect.Result)


@given(manifest=st.binary(max_size=60) | st.text(max_size=60).map(lambda text: text.encode("utf-8", "replace")))
@FEW
def test_an_arbitrary_manifest(tmp_path, manifest):
    """A bag whose manifest is anything is refused."""
    (tmp_path / "data").mkdir(exist_ok=True)
    (tmp_path / "data" / "entries.json").write_text("{}", encoding="utf-8")
    (tmp_path / "manifest-sha256.txt").write_bytes(manifest)
    (tmp_path / "bagit.txt").write_bytes(bag.DECLARATION)
    with pytest.raises(LibraryError):
        list(transfer.pairs(tmp_path, {}))


def test_links_that_lead_out_of_the_folder(tmp_path):
    """A link in a data set to a file elsewhere is no picture of it."""
    secret = tmp_path / "secret.png"
    secret.write_bytes(b"private")
    (tmp_path / "set" / "data").mkdir(parents=True)
    os.symlink(secret, tmp_path / "set" / "a.png")
    written(tmp_path / "set" / "x.json", COCO)
    with pytest.raises(LibraryError, match="outside"):
        list(transfer.pairs(tmp_path / "set" / "x.json", {}))
    os.symlink(secret, tmp_path / "set" / "data" / "a.png")
    written(tmp_path / "set" / "data" / "entries.json", ENTRIES)
    bag_of(tmp_path / "set")
    with pytest.raises(LibraryError, match="outside"):
        list(transfer.pairs(tmp_path / "set", {}))


@pytest.mark.parametrize("link", ["record", "out"])
def test_a_record_is_not_written_through_a_link_that_leads_nowhere(tmp_path, link):
    """A dangling link in the place of the record or of the folder: refused, and nothing appears at its end."""
    from specimeter.record import store

    elsewhere = tmp_path / "elsewhere"
    place = tmp_path / "records"
    if link == "out":
        os.symlink(elsewhere, place)
    else:
        place.mkdir()
        os.symlink(elsewhere, place / "SB-1")
    with pytest.raises(SpecimeterError):
        store.commit(b"{}", {}, out=place, id="SB-1")
    assert not elsewhere.exists()


@pytest.mark.usefixtures("uncounted")
# ------------------------------------------------------------------ far too much


def test_a_record_of_a_million_features(tmp_path, capsys):
    """By every command that reads a record: refused by its number, before a model is made of it, with what to do instead."""
    from specimeter import cli

    (tmp_path / "limits.toml").write_text("", encoding="utf-8")
    (tmp_path / "record.json").write_bytes(
        b'{"format": "specimeter-record", "version": 2, "features": [{}' + b",{}" * 999_999 + b"]}"
    )
    record, by = str(tmp_path), ["--by", "A. Reader"]
    judge = ["judge", record, "--limits", str(tmp_path / "limits.toml")]
    for call in (judge, ["report", record], ["review", record, *by, "--looked-over"]):
        assert cli.main(call) == 2
        said = capsys.readouterr().err
        assert "1000000 features" in said
        assert "[region]" in said


@pytest.mark.usefixtures("uncounted")
def test_a_million_outlines():
    """What a segmenter finds on coarse texture: refused by its number, before anything is looked at or measured."""
    from specimeter.errors import OutlineError
    from specimeter.measure.sizes import measure

    nothing: dict = dict.fromkeys(("surface", "scale", "area"))
    with pytest.raises(OutlineError, match="1000000 outlines") as told:
        measure([object()] * 1_000_000, photo_id="p1", **nothing)
    assert "[region]" in str(told.value)


def test_a_picture_with_more_outlines_than_a_specimen_has(tmp_path):
    """Of a data set for the library: one more than the most is refused, with the field; a long list of pictures is read in
    a time that grows with it and no faster.
    """
    ring = {"image_id": 1, "category_id": 1, "segmentation": [[0, 0, 5, 0, 5, 5]]}
    written(tmp_path / "x.json", {**COCO, "annotations": [{"id": n, **ring} for n in range(10_001)]})
    with pytest.raises(LibraryError, match="at most 10000"):
        list(transfer.pairs(tmp_path / "x.json", {}))
    (tmp_path / "x.csv").write_text("picture\n" + "".join(f"{n}.png\n" for n in range(20_000)), encoding="utf-8")
    assert sum(1 for _ in transfer.pairs(tmp_path / "x.csv", {})) == 20_000


@pytest.mark.parametrize("name", ["record.json", "x.json", "x.geojson", "x.csv"])
def test_a_file_without_end(tmp_path, name):
    """A file of a thousand gigabytes, of holes: refused once it is larger than any that is meant."""
    with open(tmp_path / name, "wb") as stream:
        os.truncate(stream.fileno(), 10**12)
    with pytest.MonkeyPatch.context() as patch:  # as the limits are, only smaller: the test machine has other things to do
        patch.setattr(model, "MOST_BYTES", 10_000_000)
        patch.setattr(place, "MOST_BYTES", 10_000_000)
        with pytest.raises((RecordError, LibraryError), match="larger than 10 MB"):
            model.load(tmp_path) if name == "record.json" else list(transfer.pairs(tmp_path / name, {}))
