"""The slide: of its size, other for another record, marked while unreviewed, and whole for any text."""

from __future__ import annotations

import unicodedata

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw

from specimeter.record import model
from specimeter.report import language, slide
from specimeter.report.house import House
from specimeter.report.pen import drawable, font, write


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
    """Whatever comes out has a shape of its own; umlauts are drawn with their dots."""
    assert drawable("Maß Öl é 焊 ±") == "Mass Öl e ? ±"
    lettering = font(30)
    blank = bytes(lettering.getmask("\uffff"))
    for letter in drawable("ß–×µé±°…·"):
        assert bytes(lettering.getmask(letter)) != blank
    assert drawable("ÄÖÜäöü") == "ÄÖÜäöü"


@pytest.mark.parametrize("letter", "ÄÖÜäöü")
def test_an_umlaut_is_its_letter_with_two_dots_above(letter):
    """All ink of the plain letter, and besides two blobs, side by side, wholly above it; nothing moves the letters after it."""
    base = unicodedata.normalize("NFD", letter)[0]
    pictures = []
    for text in (f"{letter}n", f"{base}n"):
        page = Image.new("L", (90, 70), 255)
        write(ImageDraw.Draw(page), (10, 15), text, 40, fill=0)
        pictures.append(np.asarray(page) < 128)
    with_dots, plain = pictures
    assert (with_dots | plain == with_dots).all()
    count, _, boxes, _ = cv2.connectedComponentsWithStats((with_dots & ~plain).astype(np.uint8))
    dots = sorted(boxes[1:, :4].tolist())
    assert count == 3
    assert dots[0][1] == dots[1][1]
    assert dots[1][0] > dots[0][0] + dots[0][2]
    assert max(top + height for _, top, _, height in dots) < np.flatnonzero(plain.any(axis=1))[0] + 1
