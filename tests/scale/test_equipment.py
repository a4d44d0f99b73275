"""The equipment register: what is in date says so in the evidence, what is not keeps every outcome from `within`."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.errors import ScaleError
from specimeter.judge.coverage import of_scale
from specimeter.scale import equipment
from specimeter.scale.length import scale_from_length
from specimeter.scale.model import Scale
from specimeter.sheet import read as read_sheet

GOOD = """[[equipment]]
id = "RULE-07"
what = "steel rule"
certificate = "C-113"
length_mm = 150.0
U_mm = 0.03
due = 2027-03-01
"""
SHEET = '[specimen]\nid = "A"\ntest = "macro-butt"\n[scale]\nequipment = "RULE-07"\n'
IN_DATE, LATE = date(2026, 11, 25), date(2027, 3, 2)


@pytest.fixture
def place(tmp_path):
    """Writes a sheet and a register (None: none) side by side; gives sheet and scale as stated on a day."""

    def make(register: str | None = GOOD, on: date = IN_DATE, sheet: str = SHEET):
        (tmp_path / "a.sheet.toml").write_text(sheet, encoding="utf-8")
        if register is not None:
            (tmp_path / "equipment.toml").write_text(register, encoding="utf-8")
        read = read_sheet(tmp_path / "a.sheet.toml")
        view = SimpleNamespace(distance_mm=300.0)
        scale = Scale(method="card", view=view, surface_height_mm=0.0, surface_height_u_mm=0.1, u_rel=0.001, budget=(),
                      tilt_deg=0.0, evidence={"doubts": ["an older doubt"]})  # fmt: skip
        return read, equipment.stated(scale, read, register=equipment.of_sheet(read), on=on)

    return make


def test_equipment_in_date_is_named_and_no_doubt(place):
    """The certificate stands in the evidence, and so in record and report."""
    _, scale = place()
    assert scale.evidence["equipment"] == {
        "id": "RULE-07", "what": "steel rule", "certificate": "C-113", "length_mm": 150.0, "U_mm": 0.03, "due": "2027-03-01",
        "used_on": "2026-11-25",
    }  # fmt: skip
    assert scale.evidence["doubts"] == ["an older doubt"]
    assert scale.cautions == ()


@pytest.mark.parametrize(
    ("register", "on", "word"),
    [
        (GOOD, LATE, "was due for calibration on 2027-03-01, and was used on 2027-03-02"),
        (GOOD.replace("RULE-07", "RULE-08"), IN_DATE, "does not stand in the register"),
        (GOOD.replace('certificate = "C-113"\n', ""), IN_DATE, "no calibration certificate"),
        (GOOD.replace("due = 2027-03-01\n", ""), IN_DATE, "does not say when"),
        (None, IN_DATE, "no register"),
    ],
)
def test_what_is_not_in_order_is_a_doubt_that_the_judgement_reads(place, register, on, word):
    """Out of date, unknown, without certificate: said, and no statement of conformity (ISO/IEC 17025:2017, 6.4.6 and 6.4.9,
    from memory: equipment is calibrated before it is used, and out of use where it is not)."""
    sheet, scale = place(register, on)
    assert any(word in caution for caution in scale.cautions)
    assert any(word in sentence for sentence in of_scale(sheet, scale).open)


def test_the_last_day_still_counts(place):
    """Due on the day it is used."""
    assert place(on=date(2027, 3, 1))[1].cautions == ()


def test_an_uncertainty_smaller_than_the_certificates_is_a_doubt(place):
    """0.01 mm entered, 0.03 mm certified."""
    _, scale = place(sheet=SHEET + "length_U_mm = 0.01\n")
    assert "less than the 0.03 mm of the certificate" in scale.cautions[0]


def test_a_sheet_without_equipment_asks_for_none(place):
    """Then no register is read, even a faulty one."""
    read, scale = place(register="nonsense = 1\n", sheet=SHEET.replace('equipment = "RULE-07"\n', ""))
    assert "equipment" not in scale.evidence
    assert equipment.of_sheet(read) is None


@pytest.mark.parametrize("fault", [GOOD + GOOD, GOOD.replace("due = 2027-03-01", 'due = "soon"'), GOOD.replace("what", "whta")])
def test_a_faulty_register_is_refused(place, fault):
    """Twice the same id, a day that is none, a key that is none."""
    with pytest.raises(ScaleError, match="equipment"):
        place(register=fault)


def test_a_register_that_was_given_must_be_there(place, tmp_path):
    """--equipment names a file."""
    read, _ = place()
    with pytest.raises(ScaleError, match="no such file"):
        equipment.of_sheet(read, tmp_path / "other.toml")


def test_the_day_is_the_photographs_own():
    """By the camera's clock; today where it has none."""
    assert equipment.used_on(SimpleNamespace(taken="2026-05-04T10:11:12")) == date(2026, 5, 4)
    assert equipment.used_on(SimpleNamespace(taken=None)) == date.today()


@pytest.mark.parametrize(
    ("register", "entered", "u_mm"),
    [
        (GOOD, "", 0.03 / 2),  # the certificate's U is expanded, k = 2
        (GOOD, "length_U_mm = 0.08\n", 0.08 / 2),  # the sheet's own word goes before
        (GOOD.replace("U_mm = 0.03\n", ""), "", 0.1 / 3**0.5),  # no U anywhere: within 0.1 mm, a judgement
        (None, "", 0.1 / 3**0.5),
    ],
)
def test_the_certificates_u_enters_the_budget_where_the_sheet_gives_none(place, register, entered, u_mm):
    """JCGM 100:2008, 4.3.3: a certificate's expanded uncertainty over its coverage factor is the standard uncertainty."""
    marks = 'method = "length"\nfrom_px = [20.0, 50.0]\nto_px = [220.0, 50.0]\nlength_mm = 50.0\n'
    sheet, _ = place(register, sheet=SHEET + marks + entered)
    even = np.full((100, 240), 0.3, np.float32)
    photo = SimpleNamespace(file="a.jpg", width_px=240, height_px=100, focal_35mm_mm=None, linear=lambda: even)
    scale = scale_from_length(photo, equipment.filled(sheet, equipment.of_sheet(sheet)))
    line = next(line for line in scale.budget if line.source == "the known length")
    assert line.u == pytest.approx(u_mm)
    assert line.contribution == pytest.approx(u_mm / 50.0)
