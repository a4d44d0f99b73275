"""Nothing is left in English: the German report of every sample, and every sentence the stages can say."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import specimeter
from specimeter.data import sample_images
from specimeter.record import model
from specimeter.report import language
from specimeter.report.content import KEPT, content
from specimeter.report.language import Said

GERMAN = language.read("de")
SAMPLES = sorted(path.name.removesuffix(".sheet.toml") for path in sample_images().glob("*.sheet.toml"))
SIGNS = {"mm", "px", "u", "U", "k", "Hz", "record.json", "SHA-256"}  # the same in both languages


def texts(value):
    """Every text of a report that is the program's own."""
    if isinstance(value, str) and not isinstance(value, Said):
        yield value
    elif isinstance(value, dict):
        for key, item in value.items():
            if key not in KEPT:
                yield from texts(item)
    elif isinstance(value, list):
        for item in value:
            yield from texts(item)


def entered(value):
    """Every word that a person entered in a sheet or in limits, names of observations and of sizes among them."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield key
            yield from entered(item)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from entered(item)
    else:
        yield str(value)


@pytest.mark.parametrize("name", SAMPLES)
def test_the_report_of_a_sample_holds_no_english(sample_record, name):
    """What the catalogue has no entry for is a person's own word, a sign or the photograph's name; nothing else."""
    record = model.load(sample_record(name))
    own = {f"{name}.jpg", *SIGNS, *entered(record.sheet), *entered(record.limits)}
    own |= {f"{rule['name']}: {rule['size']}" for rule in record.limits["rule"] if {"name", "size"} <= rule.keys()}
    left = {part: text for text in texts(content(record)) for part in GERMAN.unsaid(text) if part not in own}
    assert left == {}


ROOMS = ("judge", "segment", "scale", "measure", "coupon", "report")
UNSAID_ROOMS = {  # what these say reaches no report: refusals, names of quantities, a card's own lettering
    "judge/expression.py", "judge/limits.py", "segment/evidence.py", "segment/fracture_figures.py", "segment/fracture.py",
    "scale/card_drawing.py", "scale/camera_profile.py", "scale/choose.py", "scale/graduations_pattern.py",
    "report/judged.py", "report/scale_picture.py", "report/scale_text.py", "report/text.py", "report/html.py", "report/pdf.py",
}  # fmt: skip
PIECES = {
    "{} {}, but nobody has reviewed it.", "{} specimen{} in its place", "{} asks for {}, and {} were tested.",
    "undercut {} {} mm deep, root radius {}, opening {}", "{}: {} mm deep, root {}: {}",
    "{}record {}, pages numbered to the last",
    "was no valid test", "has no limits to compare with", "is within its limits", "exceeds its limits", "is not measured",
    "asks for another specimen",
    " The sheet says: {}.",  # of sentences put together from several: their whole is said below
    "which the sheet does not settle", "which is not so here",
    "The limits are for {}, {}.", "{} mm {} the lens than the marker",
    "The surface is said to lie {}, and from {} mm below it to {} mm above it is what a specimen beside a marker allows: check "
    "scale.surface_height_mm.",
    "The surface is said to lie {}, which is {} mm from the lens: no photo shows both sharp. Check scale.surface_height_mm.",
    "shows it only in part", "does not show it", "Sought is {}, and {} {}{}: its absence here is no evidence.",
    "Worth looking into, not a finding: {} ({}) commonly comes of ", "The part of {} that is seen", "it resolves {} mm",
    "what it can resolve is not known", "The photo must show features {} mm wide for this rule, and {}: no finding is no "
    "evidence here.", "{} is not measured{}", "{} has no uncertainty", ", in which features down to {} mm can be resolved",
    "None that this rule counts ({}) was found in the examined area{}.", ": too close to {} for its uncertainty",
    "; whether {} counts is open ({})", "with its uncertainty ", "even with its uncertainty {} ",
    ", whether or not {} counts ({})", "; its uncertainty is told, not weighed", "; it conforms with a probability {}",
    "{} The whole is larger still.",
    "the card shows {} % {} in height than in width, as if the printer shrank it unequally, and this was allowed for; a "
    "picture cropped off its middle looks alike: use the whole photograph, and check the card with a rule",
    "the crown stands about {} mm nearer to the lens than the card", "the crown stands about as high as the card",
    "no surface height was entered: by the {} {}, and the scale was set by that; the width is no longer a check. Raise the "
    "card to the crown's height, or enter surface_height_mm",
    "the broken face", "{} stands about {} mm nearer to the lens than the card", "{} stands about as high as the card",
    "no surface height was entered: by the {} {}, and the scale was set by that; the {} is no longer a check. Raise the card "
    "to the face's height, or enter surface_height_mm",
    "the feature is cut off where the examined area ends",
    "{}: what is beyond may lie nearer to another one than the {} mm seen",
    "{}: at least {} {} (what is seen, less its uncertainty)",
}  # fmt: skip
NO_SENTENCES = {  # names of sizes and files, why a pattern of marks is refused, what only a refusal says
    "abcdefghij klmnop 123", "basis of the {}", " at the crown", " at mid-face",
    "specimen.specimen_width_mm and specimen_thickness_mm",
    "see that the photograph shows the test that specimen.test names; outline the metal of the cut in [region] outline_px",
    "see that the photograph shows the test that specimen.test names; outline the broken face, without notches and machined "
    "ends, in [region] outline_px",
    "no surface height", "in the middle", "radius of the bend", "direction of the bend axis", "place of the crown",
    "they halve again and again, as on a rule in inches", "every second is longer, which halves of anything have",
    "every fifth is longer, but no tenth longer still", "no regular pattern of longer marks shows", "tens, fives and ones",
    "the outline is an array of shape {}", "the outline has a coordinate that is not a number",
    "the outline's uncertainties are {} px (edge) and {} px (tip)", "tens, fives, ones and halves",
    "its length by the certificate in mm", "expanded uncertainty (k = 2) of that length in mm", "the equipment register",
    "a TIFF, OME-TIFF or PNG with the resolution that a scanner or microscope wrote", "opencv-python-headless",
    'use method = "card", "graduations" or "length"', ", or use the segmenter {}",
    "draw card_px around the whole card and its white margin; or, where it is so drawn: {}",
}  # fmt: skip


@pytest.mark.usefixtures("uncounted")
def said_by(tree):
    """String literals with ``{}`` for what is put in, but for docstrings, refusals and a setting's description."""
    if isinstance(tree, ast.Raise):
        return
    if isinstance(tree, ast.Call) and re.search(r"Error$|^(Field|words|number|compile|files)$", ast.unparse(tree.func)):
        return
    body = getattr(tree, "body", None)
    if isinstance(body, list) and body and isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant):
        tree.body = body[1:]
    if isinstance(tree, ast.Constant) and isinstance(tree.value, str):
        yield tree.value
    elif isinstance(tree, ast.JoinedStr):
        yield "".join(part.value if isinstance(part, ast.Constant) else "{}" for part in tree.values)
        for part in tree.values:
            if isinstance(part, ast.FormattedValue):
                yield from said_by(part.value)
    else:
        for child in ast.iter_child_nodes(tree):
            yield from said_by(child)


def test_every_sentence_that_a_stage_can_say_has_a_german_one():
    """Read off the sources, so that a new sentence without an entry is told, whether or not a sample says it."""
    package, left = Path(specimeter.__file__).parent, []
    for file in sorted(path for room in ROOMS for path in (package / room).glob("*.py")):
        if (name := file.relative_to(package).as_posix()) in UNSAID_ROOMS:
            continue
        for text in said_by(ast.parse(file.read_text(encoding="utf-8"))):
            if len(re.findall(r"[A-Za-z]{2,}", text)) < 3 or " " not in text or text in PIECES | NO_SENTENCES:
                continue
            if all(GERMAN.unsaid(text.strip().replace("{}", filled)) for filled in ("7", "f2", "opening", "at most 7 mm")):
                left.append(f"{name}: {text}")
    assert not left, "\n".join(left)


NEAR, FAR = "7 mm nearer to the lens than the marker", "7 mm farther from the lens than the marker"


@pytest.mark.parametrize(
    "text",
    [
        "SB-1 is within its limits, but nobody has reviewed it.",
        "SB-1 asks for another specimen, but nobody has reviewed it.",
        "SB-2 asks for 2 specimens in its place, and 1 were tested.",
        "f2: 0.34 mm deep, root 0.20 ± 0.03 mm: x 3.6 or more",
        "report R-7, revision 1; record 0123456789abcdef, pages numbered to the last",
        "The limits are for t > 5, which the sheet does not settle.",
        f"The surface is said to lie {NEAR}, and from 50 mm below it to 250 mm above it is what a specimen beside a marker "
        "allows: check scale.surface_height_mm.",
        f"The surface is said to lie {FAR}, which is 300 mm from the lens: no photo shows both sharp. Check "
        "scale.surface_height_mm.",
        "Sought is lack of sidewall fusion, and a nick-break shows it only in part (multi-run welds): its absence here is no "
        "evidence. A side bend or a macro section shows it.",
        "Not evaluated: the feature is cut off where the examined area ends: at least 2.13 mm (what is seen, less its "
        "uncertainty).",
        "The part of f1 that is seen is 4.20 ± 0.10 mm, which even with its uncertainty taken off breaks the limit (at most 3 "
        "mm). The whole is larger still.",
        "The sum of 2 (f1 and f2) is 4.20 ± 0.10 mm: too close to the limit (at most 4 mm) for its uncertainty; whether f2 "
        "counts is open (whether at a corner is not known).",
        "No surface height was entered: by the calliper width the crown stands about 12 mm nearer to the lens than the card, "
        "and the scale was set by that; the width is no longer a check. Raise the card to the crown's height, or enter "
        "surface_height_mm.",
        "No surface height was entered: by the calliper width the broken face stands about as high as the card, and the scale "
        "was set by that; the width is no longer a check. Raise the card to the face's height, or enter surface_height_mm.",
        "No surface height was entered: by the thickness of the plate the cut stands about 12 mm nearer to the lens than the "
        "card, and the scale was set by that; the thickness is no longer a check. Raise the card to the face's height, or "
        "enter surface_height_mm.",
        "The equipment RULE-07 was due for calibration on 2027-03-01, and was used on 2027-03-02: no statement of conformity "
        "can rest on it.",
        "the card shows 0.30 % shorter in height than in width, as if the printer shrank it unequally, and this was allowed "
        "for; a picture cropped off its middle looks alike: use the whole photograph, and check the card with a rule",
        "The photo is burnt out over 3.2 mm of the examined area, where a feature of the 3 mm that this rule must see would be "
        "hidden: no finding is no evidence there.",
    ],
)
def test_sentences_put_together_are_said_as_a_whole(text):
    """As the stages put them together; a person's own expression may stay."""
    said = GERMAN.say(text)
    assert said != text
    assert set(GERMAN.unsaid(text)) <= {"t > 5"}
    assert not re.search(r"\b(the|which|is|of|and|its)\b", said), said
