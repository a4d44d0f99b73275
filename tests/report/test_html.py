"""The HTML report: one file, no script, nothing fetched, headings and tables that a screen reader can follow."""

from __future__ import annotations

import base64
import io
import re
from html.parser import HTMLParser
from itertools import pairwise

import pytest
from PIL import Image

from specimeter.report import html, overlay

VOID = {"meta", "img", "br", "link"}
EVIL = "<script>alert(1)</script>\"'&amp; <b>x</b> ]]> </style> --> {{7*7}}"


class Page(HTMLParser):
    """Tags, attributes and text of a page; complains of tags that do not nest."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open, self.tags, self.texts = [], [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open[-1:] != ["style"]:
            self.texts.append(data)

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def text(five, five_overlay):
    return html.render(five.record, [five_overlay]).decode("utf-8")


def test_it_needs_nothing_beside_it(text):
    """No script, no link, no address: the picture is inside, and the page forbids itself to fetch."""
    page = Page(text)
    assert text.startswith("<!doctype html>")
    assert not page.all("script")
    assert not page.all("link")
    assert "http:" not in text
    assert "https:" not in text
    assert "@import" not in text
    assert "url(" not in text
    policy = next(a for a in page.all("meta") if a.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy["content"]


def test_the_picture_is_the_overlay(text, five_overlay):
    """A JPEG of the overlay's size, with words for who cannot see it."""
    (image,) = Page(text).all("img")
    data = base64.b64decode(image["src"].removeprefix("data:image/jpeg;base64,"))
    picture = Image.open(io.BytesIO(data))
    assert picture.size == five_overlay.size
    assert "f1: opening" in image["alt"]
    assert not picture.getexif()


def test_a_screen_reader_finds_its_way(text):
    """Language, one h1, headings without a gap, a scope on every table header, a caption on every table of results."""
    page = Page(text)
    assert page.all("html")[0]["lang"] == "en"
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - former <= 1 for former, later in pairwise(levels))
    assert all(attributes.get("scope") in ("row", "col") for attributes in page.all("th"))
    for landmark in ("header", "main", "footer", "title"):
        assert len(page.all(landmark)) == 1


def test_it_says_what_it_must(text):
    """Mark, outcome, sizes with U, hashes."""
    words = " ".join(Page(text).texts)
    for said in ("unreviewed: not a test report", "Exceeds the limits entered", "3.420 ± 0.083", "0123456789abcdef" * 4):
        assert said in words


def test_text_of_the_user_is_never_markup(five, five_overlay):
    """What a sheet, a limit or a feature says appears as its letters."""
    record = five.record
    sheet = {**record.sheet, "specimen": {**record.sheet["specimen"], "id": EVIL}, "order": {"client": EVIL}}
    feature = record.features[4].model_copy(update={"reason": EVIL})
    evil = record.model_copy(update={"sheet": sheet, "reasons": (EVIL, EVIL), "cautions": (EVIL,), "features": (feature,)})
    text = html.render(evil, [five_overlay]).decode("utf-8")
    page = Page(text)
    assert not page.all("script")
    assert not page.all("b")
    assert " ".join(page.texts).count(EVIL) >= 5
    assert EVIL in page.all("img")[0]["alt"]


def colours(css: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})", css))


def contrast(a: str, b: str) -> float:
    """Contrast ratio of two sRGB colours: WCAG 2.1, definitions of relative luminance and contrast ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_stands_out_in_light_dark_and_print(text):
    """WCAG 2.1, 1.4.3: at least 4.5 : 1 for every pair of text and ground that the page uses."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    light, dark, *printed = [colours(block) for block in text.split("color-scheme:")[1:] if colours(block)]
    assert len(printed) == 1
    for palette in (light, dark, printed[0]):
        for ink in ("ink", "quiet", "within", "exceeds", "undecided", "other"):
            for ground in ("paper", "sheet", "band"):
                assert contrast(palette[ink], palette[ground]) >= 4.5, (ink, ground, palette)


def test_sixty_features_and_none(case):
    """Many and none are laid out alike."""
    import numpy as np

    grid = [(-22 + 5 * (i % 10), -10 + 4 * (i // 10)) for i in range(60)]
    many = case([("opening", "proposed", np.array(place, float), 1.5, 0.4, 7.0 * i) for i, place in enumerate(grid)])
    page = Page(html.render(many.record, [overlay.draw(many.photo, many.record)]).decode())
    assert "f60" in page.texts
    none = case([], verdicts=())
    Page(html.render(none.record, [overlay.draw(none.photo, none.record)]).decode())
