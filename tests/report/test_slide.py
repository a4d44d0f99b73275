"""The slide: of its size, other for another record, marked while unreviewed, and whole for any text."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.record import model
from specimeter.report import language, slide
from specimeter.report.house import House
from specimeter.report.pen import drawable, font


def test_it_is_a_page_with_the_overlay_and_words(five, five_overlay):
    """1920 x 1080; the left is the overlay's, the right holds dark lettering on paper."""
    page = slide.draw(five_overlay, five.record)
    assert page.size == (1920, 1080)
    assert page.mode == "RGB"
    right = np.asarray(page.convert("L"))[:, 1300:]
    assert 0.02 < (right < 128).mean() < 0.3
    assert (np.asarray(page)[:40] == slide._PAPER).all()


def test_review_and_outcome_change_it(five, five_overlay):
    """The mark goes with the review; another outcome has another word."""
    review = model.Review(state="reviewed", by="N. N.", when="2026-11-26T08:00:00+00:00")
    pages = [
        slide.draw(five_overlay, record).tobytes()
        for record in (
            five.record,
            five.record.model_copy(update={"review": review}),
            five.record.model_copy(update={"outcome": "within"}),
        )
    ]
    assert len(set(pages)) == 3


@pytest.mark.parametrize("text", ["x" * 400, "Prüfung der Öffnung " * 40, "焊缝", "\u202e", "a b " * 300])
def test_any_text_stays_on_the_page(five, five_overlay, text):
    """Long reasons are cut, foreign letters spelt; nothing runs over the right margin."""
    record = five.record.model_copy(update={"reasons": (text, text)})
    page = np.asarray(slide.draw(five_overlay, record, House(language=language.read("de"))))
    assert (page[:, -20:] == slide._PAPER).all()


def test_letters_that_the_lettering_lacks_are_spelt():
    """Umlauts as two letters; whatever comes out has a shape of its own."""
    assert drawable("Maß Öl é 焊 ±") == "Mass Oel e ? ±"
    lettering = font(30)
    blank = bytes(lettering.getmask("\uffff"))
    for letter in drawable("ÄÖÜäöüß–×µé±°…·"):
        assert bytes(lettering.getmask(letter)) != blank
