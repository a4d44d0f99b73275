"""The log's chain: hashes as documented, worked out here a second way, and every change, loss or swap of entries is noticed."""

from __future__ import annotations

import copy
import hashlib
import json

import pytest

from specimeter.record import log, model


@pytest.fixture
def data(built):
    """A record's JSON with three entries in its log."""
    entries = [
        {"when": f"2026-11-26T10:0{n}:00+00:00", "who": "A. Miller", "what": f"act {n}", "old": n, "new": [n, 0.1]}
        for n in range(2)
    ]
    return json.loads(model.dump(model.logged(model.parts_of(built.record), *entries)))


def canonical(value) -> bytes:
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()


def test_the_hashes_are_those_of_the_documentation(data):
    """SHA-256 (FIPS 180-4, by hashlib) over tag, zero byte, hash before, zero byte, canonical JSON."""
    before = "0" * 64
    for entry in data["log"]:
        rest = {key: value for key, value in entry.items() if key != "hash"}
        before = hashlib.sha256(b"specimeter-log-entry\0" + before.encode() + b"\0" + canonical(rest)).hexdigest()
        assert entry["hash"] == before
    body = {key: value for key, value in data.items() if key != "log"}
    assert data["log"][-1]["body"] == hashlib.sha256(b"specimeter-record-body\0" + canonical(body)).hexdigest()
    assert log.faults(data) == []


def changed(data, path, value):
    table = copy.deepcopy(data)
    *way, last = path
    part = table
    for step in way:
        part = part[step]
    part[last] = value
    return table


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("log", 1, "who"), "B. Smith"),
        (("log", 1, "old"), 7),
        (("log", 2, "when"), "2026-11-26T10:07:00+00:00"),
        (("log", 0, "what"), "measured"),
        (("log", 1, "hash"), "0" * 64),
        (("outcome",), "within"),
        (("features", 0, "length_mm"), 0.5),
        (("sheet", "specimen", "id"), "R-2"),
        (("cautions",), []),
    ],
)
def test_a_change_that_was_not_logged_is_noticed(data, path, value):
    """In an entry or anywhere else in the record."""
    assert log.faults(changed(data, path, value))


def test_an_entry_taken_out_or_swapped_is_noticed(data):
    """First, middle and last; two in another order; one doubled."""
    entries = data["log"]
    for left in (
        entries[1:],
        entries[:1] + entries[2:],
        entries[:-1],
        [entries[0], entries[2], entries[1]],
        [*entries, entries[-1]],
    ):
        assert log.faults({**data, "log": left})


def test_types_cannot_be_mistaken_for_each_other():
    """The same bytes under the two tags give different hashes."""
    assert log.body_sha256({"a": 1}) != log.entry_sha256("", {"a": 1})
