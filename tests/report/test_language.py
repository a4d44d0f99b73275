"""The German report: every sentence that the program says is in the catalogue, numbers have commas, people's words stay."""

from __future__ import annotations

import csv
import re
import tomllib

import pytest

from specimeter.data import shared
from specimeter.errors import SheetError
from specimeter.judge import foresight
from specimeter.report import house as houses
from specimeter.report import html, language, overlay, pdf, words
from specimeter.report.content import KEPT, content
from specimeter.report.language import Said

GERMAN = language.read("de")
RECORDS_OWN = re.compile(  # of the example: its verdicts, reasons and cautions, which it invents; names of evidence; f1
    r"f\d+|SHA-256|record\.json(, SHA-256)?|\D*mm|px|–|∞|u|U|k = \d|Hz|"
    r"f1 is 3\.42 mm long.*|The sum of 2.*|No person has looked.*|The height of the crown was entered.*|"
    r"printed length of the card|height of the crown|place of the marker corners|callipers on.*|sheet: U = 1 mm|residuals of.*|"
    r"camera distance|residual rms|edges seen|markers|10, 11||the nearest outline lies over.*|"
    r".*, clear distance: the nearest outline.*",
    re.DOTALL,
)


def texts(value, keep=KEPT):
    if isinstance(value, Said):
        return
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, item in value.items():
            if key not in keep:
                yield from texts(item)
    elif isinstance(value, list):
        for item in value:
            yield from texts(item)


def test_nothing_that_the_program_says_is_left_in_english(five):
    """Every text of the example's report is another one in German, but for numbers, names and what the record itself says."""
    left = {text for text in texts(content(five.record)) if GERMAN.say(text) == text}
    left = {text for text in left if not language._NUMBER.fullmatch(text) and not RECORDS_OWN.fullmatch(text)}
    assert left == set()


def test_every_kind_and_outcome_has_a_word():
    """Whatever a feature or an outcome can be called."""
    told = [*words.KINDS.values(), *words.OUTCOMES.values(), *words.DECISIONS.values()]
    told += [words.UNREVIEWED, words.BY_EYE, words.ONE_PLANE]
    assert [text for text in told if GERMAN.say(text) == text] == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("3.420 ± 0.083", "3,420 ± 0,083"),
        ("0.03513 ± 0.00020 mm per px (k = 2)", "0,03513 ± 0,00020 mm je px (k = 2)"),
        ("12.5 mm", "12,5 mm"),
        ("1e-05", "1e-05"),
        ("1.2.3", "1.2.3"),
        ("0.1.0", "0.1.0"),
        ("2026-11-25 14:30:00 UTC", "2026-11-25 14:30:00 UTC"),
        ("f2, length: there is no other feature", "f2, Länge: es gibt kein weiteres Merkmal"),
        (
            "crack (likely cause: slag inclusion, seen in opening)",
            "Riss (wahrscheinliche Ursache: Schlackeneinschluss, in der Öffnung gesehen)",
        ),
        (
            "f1, the largest of 2, is 1.46 ± 0.25 mm, which with its uncertainty keeps the limit (at most 3 mm).",
            "f1, das größte von 2, beträgt 1,46 ± 0,25 mm und hält samt Unsicherheit den Grenzwert (höchstens 3 mm) ein.",
        ),
        ("springback and opening", "springback and opening"),
        ("opening and crack", "Öffnung und Riss"),
        ("a rule's name: opening", "a rule's name: Öffnung"),
        ("opening and springback", "opening and springback"),
        ("opening, springback", "opening, springback"),
        ("opening, f2", "Öffnung, f2"),
        ("A sentence that nobody knows, of 1.5 mm.", "A sentence that nobody knows, of 1.5 mm."),
    ],
)
def test_numbers_and_sentences(text, said):
    """Decimal commas in numbers alone; sentences by their places; what is not known stays."""
    assert GERMAN.say(text) == said


def test_a_persons_words_stay_as_they_are(five):
    """Even where they are words of the catalogue, or look like numbers."""
    assert GERMAN.say(Said("opening")) == "opening"
    sheet = {**five.record.sheet, "order": {"client": "yes", "edition": "2.1", "method": "crack"}}
    report = content(five.record.model_copy(update={"sheet": sheet}), houses.House(language=GERMAN))
    rows = {
        row[0]: row[1]
        for section in report["sections"]
        for block in section["blocks"]
        if block["is"] == "facts"
        for row in block["rows"]
    }
    assert (rows["Auftraggeber"], rows["Verfahren und Ausgabe"]) == ("yes", "crack, 2.1")


def test_the_catalogue_has_its_places_right():
    """Every place of a translation is one of the English text, and none is lost."""
    say = tomllib.loads((shared() / "language" / "de.toml").read_text(encoding="utf-8"))["say"]
    for text, to in say.items():
        assert set(re.findall(r"\{(\d)\}", to)) == {str(n + 1) for n in range(text.count("{}"))}, text


def test_the_pages_say_their_language(five, five_overlay):
    """HTML's lang, the PDF's text; the mark and the outcome in German on both."""
    house = houses.House(language=GERMAN)
    page = html.render(five.record, [five_overlay], house).decode()
    assert '<html lang="de">' in page
    assert "ungeprüft: kein Prüfbericht" in page
    assert "Überschreitet die eingegebenen Grenzwerte" in page
    assert "3,420 ± 0,083" in page
    assert pdf.render(five.record, [five_overlay], house) != pdf.render(five.record, [five_overlay])
    assert overlay.draw(five.photo, five.record, None, GERMAN.say).tobytes() != five_overlay.tobytes()


def test_a_language_of_ones_own(tmp_path):
    """A catalogue beside the settings; kept in the record's folder it reads back as the same."""
    (tmp_path / "fr.toml").write_text(
        '[language]\ncode = "fr"\ndecimal = ","\n[say]\n"opening" = "ouverture"\n', encoding="utf-8"
    )
    (tmp_path / "settings.toml").write_text('language = "fr.toml"\n', encoding="utf-8")
    house = houses.read(tmp_path / "settings.toml")
    assert house.language.say("opening") == "ouverture"
    kept = tmp_path / "kept"
    kept.mkdir()
    for name, data in house.files().items():
        (kept / name).write_bytes(data)
    again = houses.beside(kept)
    assert again.language.say("opening") == "ouverture"
    assert again.files() == house.files()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[language]\ncode = "fr"\n[say]\n"a {}" = "{2}"\n', "place"),
        ('[language]\ncode = "Französisch!"\n', "code"),
        ('[language]\ncode = "fr"\ndecimal = ";"\n', "decimal"),
        ("[say]\n", "language"),
    ],
)
def test_a_wrong_catalogue_is_refused(tmp_path, text, told):
    """By what is wrong in it."""
    (tmp_path / "x.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SheetError, match=told):
        language.read("x.toml", tmp_path)


def test_an_unknown_language_is_refused(tmp_path):
    """The file that it would be is named."""
    with pytest.raises(SheetError, match="xx"):
        language.read("xx", tmp_path)


def test_every_cause_that_is_told_has_a_german_word():
    """The three that are named first of each kind, in the whole sentence."""
    with (shared() / "causes.csv").open(encoding="utf-8-sig", newline="") as stream:
        lines = list(csv.DictReader(stream))
    for kind in {line["kind"] for line in lines} - {"profile", "opening", "other"}:
        causes = [line["cause"] for line in lines if line["kind"] == kind][: foresight.MOST_CAUSES]
        text = f"Worth looking into, not a finding: porosity (f1, f2) commonly comes of {'; or '.join(causes)}."
        said = GERMAN.say(text)
        assert said.startswith("Nachsehenswert"), text
        assert not [cause for cause in causes if cause in said], said
