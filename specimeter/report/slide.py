"""One picture for a slide, 1920 x 1080: the overlay, what was found and decided in large letters, and who decides."""

from __future__ import annotations

import textwrap
from collections.abc import Callable

from PIL import Image, ImageDraw

from specimeter.record.model import Record
from specimeter.report import words
from specimeter.report.house import PLAIN, House
from specimeter.report.pen import DARK, drawable, text_size, write
from specimeter.report.statement import laboratory
from specimeter.rounding import plus_minus

SIZE = (1920, 1080)
MARGIN = 48
PICTURE_WIDTH = 1180
MOST_FEATURES = 5
_PAPER, _QUIET = (251, 250, 247), (86, 99, 108)
_TONES = {"within": (28, 79, 130), "exceeds": (138, 42, 88), "replace": (138, 42, 88), "undecided": (118, 80, 8)}


def draw(overlay: Image.Image, record: Record, house: House = PLAIN) -> Image.Image:
    """The slide of a record with its first photograph's overlay; RGB."""
    page = Image.new("RGB", SIZE, _PAPER)
    picture = overlay.convert("RGB")
    picture.thumbnail((PICTURE_WIDTH, SIZE[1] - 2 * MARGIN), Image.Resampling.LANCZOS)
    page.paste(picture, (MARGIN, (SIZE[1] - picture.height) // 2))
    left = MARGIN + picture.width + MARGIN
    column = _Column(page, left, house.language.say)
    reviewed = record.review.state != "unreviewed"
    if not reviewed:
        column.write(house.language.say(words.UNREVIEWED).upper(), 26, fill=_QUIET, after=26, said=True)
    column.write(words.heading(str(record.sheet["specimen"].get("test", "specimen"))), 28, fill=_QUIET, after=8)
    column.write(record.id, 60, after=26, said=True)
    column.write(words.outcome(record.outcome, reviewed=reviewed), 44, fill=_TONES.get(record.outcome, DARK), after=20)
    for reason in record.reasons[:2]:
        column.write(reason, 26, most=4, after=10)
    column.top += 20
    shown = sorted((f for f in record.features if f.status != "rejected"), key=lambda f: -(f.length_mm or 0.0))
    for feature in shown[:MOST_FEATURES]:
        length, depth = (
            plus_minus(getattr(feature, f"{name}_mm"), getattr(feature, f"U_{name}_mm")) for name in ("length", "depth")
        )
        size = house.language.say(f"{length} mm" if length else f"{depth} mm deep" if depth else "not measured")
        column.write(f"{feature.id}  {house.language.say(words.kind(feature.kind))}: {size}", 30, after=6, said=True)
    if len(shown) > MOST_FEATURES:
        column.write(f"and {len(shown) - MOST_FEATURES} more", 24, fill=_QUIET)
    foot = [*laboratory(record, house)[:1], house.language.say(words.DECIDES), house.language.say(words.SAFETY)]
    column.end([*foot, f"{record.log[0].when[:10]}  specimeter {record.tool.version}"])
    return page


class _Column:
    """Lines of text down the right side of a page."""

    def __init__(self, page: Image.Image, left: int, say: Callable[[str], str]) -> None:
        self.pen, self.left, self.top, self.say = ImageDraw.Draw(page), left, MARGIN, say
        self.width = SIZE[0] - MARGIN - left

    def lines(self, text: str, size: int) -> list[str]:
        text = drawable(words.shown(text))
        letter = max(text_size("abcdefghij klmnop 123", size)[0] / 21, 1)
        return textwrap.wrap(text, max(int(self.width / letter), 8))

    def write(
        self, text: str, size: int, *, fill: tuple[int, int, int] = DARK, after: int = 0, most: int = 3, said: bool = False
    ) -> None:
        lines = self.lines(text if said else self.say(text), size)
        if len(lines) > most:
            lines = [*lines[: most - 1], lines[most - 1][: max(len(lines[most - 1]) - 3, 1)] + "..."]
        for line in lines:
            write(self.pen, (self.left, self.top), line, size, fill=fill)
            self.top += round(1.28 * size)
        self.top += after

    def end(self, texts: list[str]) -> None:
        """Small lines that end at the bottom margin."""
        lines = [line for text in texts for line in self.lines(text, 20)]
        top = SIZE[1] - MARGIN - 27 * len(lines)
        for number, line in enumerate(lines):
            write(self.pen, (self.left, top + 27 * number), line, 20, fill=_QUIET)
