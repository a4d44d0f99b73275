"""record.json: written and read it is the same record; damaged it is refused with the place named."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from specimeter.errors import RecordError
from specimeter.record import model

finite = st.floats(allow_nan=False, allow_infinity=False)


def test_load_gives_back_what_was_dumped(built):
    """Equal as a record and as bytes."""
    data = model.dump(built.record)
    again = model.load(data)
    assert again == built.record
    assert model.dump(again) == data


@given(x=finite, y=finite, k=finite, text=st.text(st.characters(codec="utf-8")))
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_float_and_text_survives(built, x, y, k, text):
    """Any finite number and any text come back exactly."""
    view = built.record.scales[0].view.model_copy(update={"centre_px": (x, y), "k1": k})
    scale = built.record.scales[0].model_copy(update={"view": view, "evidence": {"said": text, "x": x}})
    record = built.record.model_copy(update={"scales": (scale,), "reasons": (text,)})
    assert model.load(model.dump(record)) == record


def test_the_keys_are_those_of_the_design(built):
    """Names and nesting of the design's page on the record; absent is absent, never null."""
    data = json.loads(model.dump(built.record))
    assert (data["format"], data["version"]) == ("specimeter-record", 2)
    parts = {"sheet", "photos", "scales", "surfaces", "examined", "features", "verdicts", "outcome", "review", "cautions"}
    assert parts | {"tool", "log"} <= set(data)
    assert {"id", "file", "sha256", "width_px", "height_px"} <= set(data["photos"][0])
    assert {"photo", "method", "mm_per_px", "u_rel", "budget", "evidence"} <= set(data["scales"][0])
    assert {"photo", "shape"} <= set(data["surfaces"][0])
    assert {"photo", "outline_px", "area_mm2", "U_area_mm2", "smallest_resolvable_mm"} <= set(data["examined"][0])
    feature = (
        "id photo kind status found_by confidence outline_px length_mm U_length_mm width_mm U_width_mm area_mm2 U_area_mm2 "
        "nearest_mm"
    )
    assert set(feature.split()) <= set(data["features"][0])
    assert {"rule", "outcome", "value", "U", "limit", "unit", "because", "features"} <= set(data["verdicts"][0])
    assert data["review"]["state"] == "unreviewed"
    assert {"version", "settings"} <= set(data["tool"])
    assert "null" not in model.dump(built.record).decode()


def test_it_is_read_from_a_file_a_folder_and_bytes(built, tmp_path):
    """All three ways give the same record."""
    data = model.dump(built.record)
    (tmp_path / "record.json").write_bytes(data)
    assert model.load(tmp_path) == model.load(tmp_path / "record.json") == model.load(str(tmp_path)) == model.load(data)


def change(data: bytes, path: str, value) -> bytes:
    """The JSON text with one value changed; `...` removes it."""
    table = json.loads(data)
    *way, last = [int(step) if step.isdigit() else step for step in path.split(".")]
    part = table
    for step in way:
        part = part[step]
    if value is ...:
        del part[last]
    else:
        part[last] = value
    return json.dumps(table).encode()


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        ("format", "something-else", "format"),
        ("version", 3, "version 3"),
        ("version", "1", "version"),
        ("outcome", "safe", "outcome"),
        ("features.0.length_mm", -1.0, "features.0.length_mm"),
        ("features.0.length_mm", 0.0, "features.0.length_mm"),
        ("features.0.length_mm", "3.1", "features.0.length_mm"),
        ("features.0.confidence", 1.5, "features.0.confidence"),
        ("features.0.status", "approved", "features.0.status"),
        ("features.0.outline_px.3", [1.0], "features.0.outline_px.3"),
        ("features.0.outline_px", [[1.0, 2.0], [3.0, 4.0]], "features.0.outline_px"),
        ("features.0.photo", "p7", "p7"),
        ("features.1.id", "f1", "used twice"),
        ("photos.0.sha256", "abc", "photos.0.sha256"),
        ("photos.0.secret", 1, "photos.0.secret"),
        ("verdicts.0.features", ["f99"], "f99"),
        ("scales.0.view.rotation.1", [0.0, 1.0], "scales.0.view.rotation"),
        ("sheet.specimen", ..., "sheet.specimen.id"),
        ("sheet", ..., "sheet"),
        ("scales.0.evidence", [1], "scales.0.evidence"),
        ("log", [], "log"),
        ("log.0.when", "2026-13-01T00:00:00+00:00", "log.0.when"),
        ("log.0.when", "2026-11-25T14:30:00", "UTC"),
        ("log.0.when", "2026-11-25T14:30:00+01:00", "UTC"),
    ],
)
def test_a_wrong_value_is_refused_and_named(built, path, value, told):
    """One value changed, removed or added is noticed where it is."""
    with pytest.raises(RecordError, match=told.replace(".", r"\.")):
        model.load(change(model.dump(built.record), path, value))


@pytest.mark.parametrize("token", ["NaN", "Infinity", "-Infinity", "1e999"])
@pytest.mark.parametrize("place", ['"u_rel": ', '"residuals": '])
def test_no_number_that_is_none(built, token, place):
    """Not in a field and not in the free evidence."""
    data = model.dump(built.record).decode()
    scale = built.record.scales[0]
    data = data.replace('"evidence": {', '"evidence": {"residuals": 0.5, ', 1)
    old = {'"u_rel": ': f'"u_rel": {scale.u_rel!r}', '"residuals": ': '"residuals": 0.5'}[place]
    assert old in data
    with pytest.raises(RecordError, match="damaged"):
        model.load(data.replace(old, place + token, 1).encode())


@pytest.mark.parametrize(
    "data", [b"", b"\xff\xfe", b"{", b"[]", b"null", b'{"format": "specimeter-record"}', b"[" * 100_000, b'{"a": 1, "a": 2}']
)
def test_what_is_no_record_is_refused(data):
    """Empty, not UTF-8, cut off, another thing, too deep, a key twice: always a RecordError."""
    with pytest.raises(RecordError):
        model.load(data)


def test_cut_off_anywhere_is_noticed(built):
    """Half a file is never taken for a whole one."""
    data = model.dump(built.record)
    for length in range(0, len(data) - 2, len(data) // 40):
        with pytest.raises(RecordError):
            model.load(data[:length])


def test_a_missing_file_is_named(tmp_path):
    """The message names the file that is not there."""
    with pytest.raises(RecordError, match=r"nowhere\.json"):
        model.load(tmp_path / "nowhere.json")


def test_the_hash_is_that_of_the_file(built, tmp_path):
    """What a report prints is what any SHA-256 program says of record.json."""
    import hashlib

    data = model.dump(built.record)
    assert model.sha256(built.record) == hashlib.sha256(data).hexdigest()
    changed = built.record.model_copy(update={"reasons": ("another reason",)})
    assert model.sha256(changed) != model.sha256(built.record)


def test_any_byte_changed_is_refused_or_read_as_something_else(built):
    """No damage ends in another error than RecordError; what still reads is another record, unless only the spacing
    changed, or a digit beyond those that tell one float from the next."""
    data = model.dump(built.record)
    rng = np.random.default_rng(11)
    for place, bit in zip(rng.integers(0, len(data), 300), rng.integers(0, 8, 300), strict=True):
        changed = bytearray(data)
        changed[place] ^= 1 << int(bit)
        try:
            again = model.load(bytes(changed))
        except RecordError:
            continue
        assert again != built.record or json.loads(bytes(changed)) == json.loads(data)
