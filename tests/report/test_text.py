"""What the terminal prints: the finding in a hundred plain columns, whatever the record says."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from specimeter.report.text import plain, summary


def test_it_says_the_finding(five):
    """Outcome, why, each size with U, cautions, the mark, who decides."""
    text = summary(five.record)
    for said in ("SB-25-03", "EXCEEDS", five.record.reasons[0], "3.420 +- 0.083", "Cautions", "not a test report", "inspector"):
        assert said in text.replace("\n  ", " ")
    assert "f5" in text


def test_nothing_found_is_no_proof(case):
    """Without features it says what that does not mean."""
    assert "does not show" in summary(case([], verdicts=()).record)


@given(text=st.text(max_size=300), identity=st.text(min_size=1, max_size=40))
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_text_is_printed_plainly(five, text, identity):
    """ASCII only, no control character, no line over 100 columns."""
    sheet = {**five.record.sheet, "specimen": {**five.record.sheet["specimen"], "id": identity}}
    feature = five.record.features[0].model_copy(update={"id": identity})
    record = five.record.model_copy(
        update={"sheet": sheet, "reasons": (text,), "cautions": (text,), "features": (feature,), "verdicts": ()}
    )
    printed = summary(record)
    assert printed.isascii()
    assert all(line.isprintable() for line in printed.split("\n"))
    assert max(len(line) for line in printed.split("\n")) <= 100


def test_a_name_with_accents_stays_readable():
    """Letters lose their accents; what has no plain letter is told by its code point."""
    assert plain("Jörg Weiß, Åse Řehoř, Michał") == "Jorg Weiss, Ase Rehor, Michal"
    assert plain("溶接") == "[U+6EB6][U+63A5]"


def test_many_features_are_cut_to_a_screen(five):
    """The largest are printed, the rest counted."""
    feature = five.record.features[0]
    many = tuple(feature.model_copy(update={"id": f"f{n}"}) for n in range(1, 61))
    text = summary(five.record.model_copy(update={"features": many, "verdicts": ()}))
    assert "and 40 smaller ones" in text
    assert len(text.split("\n")) < 40
