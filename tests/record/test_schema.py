"""The published schema is the model's own, is a schema, takes what specimeter writes and refuses what is damaged."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import jsonschema
import pytest

from specimeter.data import shared
from specimeter.record import model, recompute, schema

HERE = Path(__file__).parent
FOLDER = shared() / "schema"
SIZES = ("id", "length_mm", "U_length_mm", "width_mm", "U_width_mm", "area_mm2", "U_area_mm2", "nearest_mm", "at_corner")


def published(version: int) -> dict:
    return json.loads((FOLDER / f"record-{version}.schema.json").read_text(encoding="utf-8"))


def test_the_published_file_is_the_generated_one():
    """`python -m specimeter.record.schema` was run after the model changed."""
    assert (FOLDER / schema.NAME).read_bytes() == schema.text()


@pytest.mark.parametrize("version", range(1, model.VERSION + 1))
def test_each_version_has_a_schema_that_is_one(version):
    """Checked against the metaschema by jsonschema (JSON Schema, draft 2020-12)."""
    jsonschema.Draft202012Validator.check_schema(published(version))


def test_what_is_written_fits(built):
    """A bend and a flat face as they are dumped, and the sealed record."""
    validator = jsonschema.Draft202012Validator(published(model.VERSION))
    validator.validate(json.loads(model.dump(built.record)))
    validator.validate(json.loads((HERE / "sealed" / "record.json").read_bytes()))


def test_a_record_of_version_1_fits_its_schema_and_is_read_and_upgraded():
    """Written by the program of that time; its numbers come out the same, its cautions are none fewer."""
    data = json.loads((HERE / "version-1.json").read_bytes())
    jsonschema.Draft202012Validator(published(1)).validate(data)
    record = model.load(HERE / "version-1.json")
    assert record.version == model.VERSION
    jsonschema.Draft202012Validator(published(model.VERSION)).validate(json.loads(model.dump(record)))
    again = recompute.recompute(record)
    sizes = [{name: feature[name] for name in SIZES if name in feature} for feature in data["features"]]
    same = [
        {name: getattr(feature, name) for name in SIZES if getattr(feature, name) is not None} for feature in again.features
    ]
    assert list(recompute.differences(sizes, same)) == []  # to 1e-9
    assert again.outcome == data["outcome"] == "replace"
    assert [(verdict.rule, verdict.outcome) for verdict in again.verdicts] == [
        (v["rule"], v["outcome"]) for v in data["verdicts"]
    ]
    assert set(data["cautions"]) - {c for c in data["cautions"] if c.startswith("Not reviewed")} <= set(again.cautions)
    assert record.log[0].when == data["log"][0]["when"]


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("outcome",), "safe"),
        (("features", 0, "length_mm"), -1.0),
        (("features", 0, "colour"), "red"),
        (("photos", 0, "sha256"), "abc"),
        (("log", 0, "hash"), None),
        (("version",), 3),
    ],
)
def test_what_is_damaged_is_refused(built, path, value):
    """The schema alone refuses it, without specimeter."""
    data = copy.deepcopy(json.loads(model.dump(built.record)))
    *way, last = path
    part = data
    for step in way:
        part = part[step]
    part[last] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(published(model.VERSION)).validate(data)
