"""The CSV: read back with pandas it holds the record's numbers, and no cell of it is a formula."""

from __future__ import annotations

import io

import pandas as pd
import pytest

from specimeter.report.table import COLUMNS, features_csv


def test_read_back_it_is_the_record(five):
    """Every number to its last bit, units in the column names, empty where a number is missing."""
    data = features_csv(five.record)
    table = pd.read_csv(io.BytesIO(data), dtype=str)
    assert list(table.columns) == COLUMNS
    assert len(table) == 5
    for (_, row), feature in zip(table.iterrows(), five.record.features, strict=True):
        for name in ("length_mm", "U_length_mm", "width_mm", "U_width_mm", "area_mm2", "U_area_mm2", "confidence"):
            assert float(row[name]) == getattr(feature, name)
    assert pd.isna(table.loc[1, "nearest_mm"])
    assert "over the edge" in table.loc[1, "missing"]
    assert table.loc[4, "reason"] == "a stamp mark"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", "\r=", " =", "\n@", "＝"])
def test_no_text_becomes_a_formula(five, start):
    """Common practice against spreadsheet formula injection: an apostrophe goes before the sign."""
    evil = start + 'HYPERLINK("http://x.invalid";"y")'
    feature = five.record.features[4].model_copy(update={"reason": evil, "id": evil})
    record = five.record.model_copy(update={"features": (feature,)})
    table = pd.read_csv(io.BytesIO(features_csv(record)), dtype=str, keep_default_na=False)
    assert table.loc[0, "reason"].startswith("'")
    assert table.loc[0, "id"].startswith("'")


def test_no_feature_gives_the_head_alone(case):
    """An empty table still says what its columns are."""
    assert features_csv(case([]).record).decode().strip().split(",") == COLUMNS


def test_any_text_is_utf8(five):
    """Texts of any script come back as they were."""
    feature = five.record.features[0].model_copy(update={"reason": 'Prüfung, "焊缝"\nzweite Zeile', "id": "f1"})
    record = five.record.model_copy(update={"features": (feature,)})
    table = pd.read_csv(io.BytesIO(features_csv(record)), keep_default_na=False)
    assert table.loc[0, "reason"].replace("\r", "") == 'Prüfung, "焊缝"\nzweite Zeile'
