"""Whether the test itself can be relied on: what makes it void, and what keeps it from earning `within`."""

from __future__ import annotations

from dataclasses import dataclass

from specimeter.sheet import BEND_TESTS, Sheet, Validity

TENSION_FACE = {"face-bend": "face", "root-bend": "root", "side-bend": "side"}
SLACK = 1e-9  # relative: rounding in the computer, no tolerance of anybody's


@dataclass(frozen=True, slots=True, kw_only=True)
class Validation:
    """What is wrong with the test, in plain sentences.

    `void`: the test says nothing about the weld, and another specimen is to be tested. `gaps`: it was not what the procedure
    asked, in a way that may have spared the specimen, or its sizes cannot stand for the whole; it cannot be `within`, but what
    exceeds still exceeds. `open`: not stated, so not known; it cannot be `within` either until a person has entered it.
    `cautions`: only to be told.
    """

    void: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()
    open: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def check(sheet: Sheet) -> Validation:
    """Compare what was done with what the procedure asked.

    A former larger than asked, or a weld outside the bend, strains the weld less than the test is meant to: void (the condition
    on the weld's place is in ASME BPVC IX, QW-163; that a test failing it is void is common practice). A specimen that broke
    through, or that was not bent to the angle, is no reason for `void`: calling it void would hide a failure.

    What the sheet does not state is open, since leaving it out must not help: of a bend the former and the angle asked for, the
    face in tension, whether the weld lay within the bend and whether the specimen broke through; of any other test that it
    was valid.
    """
    stated = sheet.validity or Validity()
    void, gaps, unstated, cautions = [], [], [], []
    if stated.valid is False:
        void.append(f"The test was not valid, as the sheet says: {stated.reason}.")
    if sheet.specimen.test not in BEND_TESTS:
        if stated.valid is None:
            unstated.append(_not_said("whether the test was valid", "valid = true, or false with a reason"))
        return Validation(void=tuple(void), open=tuple(unstated))

    assert sheet.bend is not None  # the sheet of a bend test says how it was bent
    former, required = sheet.bend.former_diameter_mm, stated.former_required_mm
    if required is None:
        unstated.append(_not_said("which former the procedure asks for", "former_required_mm"))
    elif former > required * (1 + SLACK):
        void.append(f"The former used, {former:g} mm, is larger than the {required:g} mm asked for: a milder test.")
    elif former < required * (1 - SLACK):
        cautions.append(f"The former used, {former:g} mm, is smaller than the {required:g} mm asked for: a harder test.")

    angle, required = sheet.bend.angle_deg, stated.angle_required_deg
    if required is None:
        unstated.append(_not_said("to what angle the procedure asks to bend", "angle_required_deg"))
    elif angle < required * (1 - SLACK):
        gaps.append(f"The specimen was bent to {angle:g} degrees, and {required:g} are asked for.")

    if stated.weld_inside_bend is False:
        void.append("The weld and its heat-affected zone do not lie within the bent part, as the sheet says.")
    elif stated.weld_inside_bend is None:
        unstated.append(_not_said("whether the weld and its heat-affected zone lie within the bent part", "weld_inside_bend"))
    if stated.broken_through:
        gaps.append("The specimen broke through: sizes of openings cannot stand for that.")
    elif stated.broken_through is None:
        unstated.append(_not_said("whether the specimen broke through", "broken_through"))

    face = TENSION_FACE.get(sheet.specimen.test)
    if stated.tension_face is None:
        unstated.append(_not_said("which face was in tension", "tension_face"))
    elif face not in (None, stated.tension_face):
        void.append(f"A {sheet.specimen.test} puts the {face} in tension; the sheet says it was the {stated.tension_face}.")
    return Validation(void=tuple(void), gaps=tuple(gaps), open=tuple(unstated), cautions=tuple(cautions))


def _not_said(what: str, entry: str) -> str:
    return f"The sheet does not say {what}: enter {entry} in the table [validity]."
