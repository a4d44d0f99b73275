"""The equipment register: which rule or card gave the scale, by which certificate, and whether it may still be relied on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, Strict, model_validator

from specimeter.errors import ScaleError
from specimeter.scale.model import Scale
from specimeter.sheet import Sheet
from specimeter.sheet_fields import Day, Text, number, words
from specimeter.toml_file import Table, validated, wrong
from specimeter.toml_file import read as read_toml

FILE = "equipment.toml"  # looked for beside the sheet


class Entry(Table):
    """One piece of equipment, with its last calibration."""

    id: Text = Field(description="what the sheet calls it: a line of text")
    what: Text | None = words("what it is")
    certificate: Text | None = words("its calibration certificate")
    length_mm: float | None = number(0.05, 5000, "its length by the certificate in mm")
    U_mm: float | None = number(0, 50, "expanded uncertainty (k = 2) of that length in mm", above=True)
    due: Day | None = Field(None, description="when it is due for calibration: a date such as 2027-03-01")


class Register(Table):
    """All of a laboratory's equipment: ``[[equipment]]`` tables."""

    equipment: Annotated[tuple[Entry, ...], Strict(False)] = Field(description="the tables [[equipment]], one a piece")

    @model_validator(mode="after")
    def _once(self) -> Register:
        ids = [entry.id for entry in self.equipment]
        if twice := next((one for one in ids if ids.count(one) > 1), None):
            raise wrong(f"{twice!r} stands in the register twice", field="equipment", mend="keep its latest calibration")
        return self

    def entry(self, id_: str) -> Entry | None:
        """The entry of that id; None where there is none."""
        return next((entry for entry in self.equipment if entry.id == id_), None)


def read(path: str | Path) -> Register:
    """Read a register.

    Raises
    ------
    ScaleError
        No such file, not TOML, or a wrong entry; names the file and the field.
    """
    return validated(Register, read_toml(path, what="the equipment register", error=ScaleError), file=path, error=ScaleError)


def stated(scale: Scale, sheet: Sheet, *, register: Register | None, on: date) -> Scale:
    """The scale with what the register says of the equipment that the sheet names.

    Equipment that is unknown, out of date or without a certificate makes no conformity statement possible: it becomes one of
    the scale's doubts, which keep every outcome from ``within``, and a caution.

    Parameters
    ----------
    register : Register or None
        None: there was none to be found.
    on : date
        When it was used: the day of the photograph, else of the measurement.
    """
    name = sheet.scale.equipment
    if name is None:
        return scale
    entry = None if register is None else register.entry(name)
    doubts = _doubts(name, entry, register, sheet, on)
    evidence = {
        **scale.evidence,
        "equipment": {"id": name, "used_on": on.isoformat()} if entry is None else _plain(entry, on),
        **({"doubts": [*scale.evidence.get("doubts", ()), *doubts]} if doubts else {}),
    }
    return replace(scale, evidence=evidence, cautions=(*scale.cautions, *doubts))


def filled(sheet: Sheet, register: Register | None) -> Sheet:
    """The sheet with the U of its equipment's certificate where it gives none for its length: so that it enters the budget.

    Only of equipment that gives the length itself (a rule, a length bar, a card), and that the register knows.
    """
    entry = None if register is None or sheet.scale.equipment is None else register.entry(sheet.scale.equipment)
    if entry is None or entry.U_mm is None or sheet.scale.length_U_mm is not None:
        return sheet
    return sheet.model_copy(update={"scale": sheet.scale.model_copy(update={"length_U_mm": entry.U_mm})})


def of_sheet(sheet: Sheet, file: str | Path | None = None) -> Register | None:
    """The register given, else the one beside the sheet; None where there is none, or the sheet names no equipment.

    Raises
    ------
    ScaleError
        A register that was given is missing, or one that is there is faulty.
    """
    if file is not None:
        return read(file)
    if sheet.scale.equipment is None:
        return None
    beside = (sheet.folder or Path()) / FILE
    return read(beside) if beside.exists() else None


def used_on(photo: Any) -> date:
    """The day of the photograph by the camera's clock, else today."""
    try:
        return datetime.fromisoformat(photo.taken).date()
    except (TypeError, ValueError):
        return date.today()


def _doubts(name: str, entry: Entry | None, register: Register | None, sheet: Sheet, on: date) -> tuple[str, ...]:
    no_statement = "no statement of conformity can rest on it"
    if register is None:
        return (f"the sheet names the equipment {name}, but there is no register {FILE} beside the sheet: {no_statement}",)
    if entry is None:
        return (f"the equipment {name} does not stand in the register: {no_statement}",)
    found = []
    if entry.certificate is None:
        found.append(f"the equipment {name} has no calibration certificate in the register: {no_statement}")
    due = entry.due.date() if isinstance(entry.due, datetime) else entry.due
    if due is None:
        found.append(f"the register does not say when the equipment {name} is due for calibration: {no_statement}")
    elif due < on:
        found.append(f"the equipment {name} was due for calibration on {due}, and was used on {on}: {no_statement}")
    entered = sheet.scale.length_U_mm
    if entry.U_mm is not None and entered is not None and entered < entry.U_mm:
        found.append(
            f"the sheet gives U = {entered:g} mm for its length, less than the {entry.U_mm:g} mm of the certificate of {name}"
        )
    return tuple(found)


def _plain(entry: Entry, on: date) -> Mapping[str, Any]:
    return {**entry.model_dump(mode="json", exclude_none=True), "used_on": on.isoformat()}
