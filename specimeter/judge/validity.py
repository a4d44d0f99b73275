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
    exceeds still exceeds. `cautions`: not stated, so not known.
    """

    void: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def check(sheet: Sheet) -> Validation:
    """Compare what was done with what the procedure asked.

    A former larger than asked, or a weld outside the bend, strains the weld less than the test is meant to: void (the condition
    on the weld's place is in ASME BPVC IX, QW-163; that a test failing it is void is common practice). A specimen that broke
    through, or that was not bent to the angle, is no reason for `void`: calling it void would hide a failure.
    """
    stated = sheet.validity or Validity()
    void, gaps, cautions = [], [], []
    if stated.valid is False:
        void.append(f"The test was not valid, as the sheet says: {stated.reason}.")
    if sheet.specimen.test not in BEND_TESTS:
        return Validation(void=tuple(void))

    former, required = sheet.bend.former_diameter_mm, stated.former_required_mm
    if required is None:
        cautions.append("The sheet does not say which former the procedure asks for.")
    elif former > required * (1 + SLACK):
        void.append(f"The former used, {former:g} mm, is larger than the {required:g} mm asked for: a milder test.")
    elif former < required * (1 - SLACK):
        cautions.append(f"The former used, {former:g} mm, is smaller than the {required:g} mm asked for: a harder test.")

    angle, required = sheet.bend.angle_deg, stated.angle_required_deg
    if required is None:
        cautions.append("The sheet does not say to what angle the procedure asks to bend.")
    elif angle < required * (1 - SLACK):
        gaps.append(f"The specimen was bent to {angle:g} degrees, and {required:g} are asked for.")

    if stated.weld_inside_bend is False:
        void.append("The weld and its heat-affected zone do not lie within the bent part, as the sheet says.")
    elif stated.weld_inside_bend is None:
        cautions.append("The sheet does not say whether the weld and its heat-affected zone lie within the bent part.")
    if stated.broken_through:
        gaps.append("The specimen broke through: sizes of openings cannot stand for that.")
    elif stated.broken_through is None:
        cautions.append("The sheet does not say whether the specimen broke through.")

    face = TENSION_FACE.get(sheet.specimen.test)
    if face and stated.tension_face not in (None, face):
        void.append(f"A {sheet.specimen.test} puts the {face} in tension; the sheet says it was the {stated.tension_face}.")
    return Validation(void=tuple(void), gaps=tuple(gaps), cautions=tuple(cautions))
