"""Printed cards and the camera board as drawings true to size: SVG, PDF on A4 or Letter, PNG at a stated resolution."""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass
from xml.sax.saxutils import escape

import cv2
import numpy as np

from specimeter.scale.card_layout import BOARD, FRAME, MARKER_CELLS, MARKER_SIDE_MM, STRIP, Board, Card, marker_cells

NAMES = ("strip", "frame", "board")
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN_MM = 16.0  # round the card on its sheet: crop marks, check lines, words; cut off afterwards
LEAST_DPI, MOST_DPI = 150, 1200
_LINE_MM = 0.2
_CROP_MM = (2.0, 8.0)  # a crop mark begins and ends so far outside the card
_CHECK_MM = 11.0  # how far outside the card its check lines run
_LEAST_UPRIGHT_MM = 100.0  # a check line is at least this long
_FONT = "DejaVu Sans Mono, monospace"
HOW = (
    "Print at 100 % (actual size), never fitted to the page, on matt paper.",
    "Measure both check lines with a steel rule to 0.1 mm before cutting.",
)

Rect = tuple[float, float, float, float]  # x, y, width, height in mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """A line of text with the middle of its base line at (x, y), in mm; `turned`: reading upwards."""

    text: str
    x: float
    y: float
    height_mm: float = 2.5
    turned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Black boxes and words, in mm from the card's own top-left corner; `below_mm`: room for what hangs under the card."""

    width_mm: float
    height_mm: float
    below_mm: float
    boxes: tuple[Rect, ...]
    words: tuple[Words, ...]

    @property
    def sheet_mm(self) -> tuple[float, float]:
        """Outer size of card, crop marks and check lines together."""
        return self.width_mm + 2 * MARGIN_MM, self.height_mm + 2 * MARGIN_MM + self.below_mm


def drawing(name: str) -> Drawing:
    """What is printed: the card or board itself, crop marks at its corners, a check line in each direction."""
    if name == "board":
        width, height = BOARD.width_mm, BOARD.height_mm
        boxes, words = _board(BOARD)
        enter = "measure it"
    else:
        card = {"strip": STRIP, "frame": FRAME}[name]
        width, height = card.width_mm, card.height_mm
        boxes, words = _card(card)
        enter = "enter this as printed_length_mm"
    upright = max(height, _LEAST_UPRIGHT_MM)
    boxes += [*_crops(width, height), *_check(width, upright)]
    words += [
        Words(text=f"check: {width:g} mm as drawn; {enter}", x=width / 2, y=-_CHECK_MM - 1.4),
        Words(text=f"check: {upright:g} mm as drawn", x=width + _CHECK_MM + 3.2, y=upright / 2, turned=True),
    ]
    words += [Words(text=line, x=width / 2, y=height + 6.0 + 4.0 * k) for k, line in enumerate(HOW)]
    return Drawing(
        width_mm=width, height_mm=height, below_mm=upright - height, boxes=tuple(boxes), words=tuple(words)
    )  # fmt: skip


def svg(name: str) -> str:
    """The drawing as SVG, one user unit a millimetre, its size in mm."""
    what = drawing(name)
    width, height = what.sheet_mm
    path = "".join(f"M{x:.6g} {y:.6g}h{w:.6g}v{h:.6g}h{-w:.6g}z" for x, y, w, h in what.boxes)  # one path: no seams
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
            f'viewBox="{-MARGIN_MM:g} {-MARGIN_MM:g} {width:g} {height:g}">',
            f"<title>specimeter {name}, {what.width_mm:g} x {what.height_mm:g} mm</title>",
            f'<rect x="{-MARGIN_MM:g}" y="{-MARGIN_MM:g}" width="{width:g}" height="{height:g}" fill="#fff"/>',
            f'<path fill="#000" d="{path}"/>',
            *(_text(words) for words in what.words),
            "</svg>\n",
        ]
    )


def pdf(name: str, paper: str = "a4") -> bytes:
    """One page of A4 or Letter with the drawing in its middle, as vectors; the same bytes each time."""
    import typst

    width, height = PAPERS[paper]
    source = """#set page(width: eval(sys.inputs.width), height: eval(sys.inputs.height), margin: 0pt)
#set align(center + horizon)
#image(bytes(sys.inputs.svg), format: "svg", width: eval(sys.inputs.across))"""
    inputs = {
        "svg": svg(name),
        "width": f"{width:g}mm",
        "height": f"{height:g}mm",
        "across": f"{drawing(name).sheet_mm[0]:g}mm",
    }
    return typst.compile(source.encode(), sys_inputs=inputs, format="pdf", ignore_system_fonts=True, timestamp=0)


def png(name: str, dpi: float) -> bytes:
    """The drawing as grey pixels; `dpi` (150 to 1200) stands in the file as its resolution.

    A pixel is as dark as the share of it that is black, so that edges lie where they are drawn, to any fraction of a pixel.
    """
    from PIL import Image, ImageDraw, ImageFont

    what, per_mm = drawing(name), dpi / 25.4
    width, height = (round(side * per_mm) for side in what.sheet_mm)
    black = np.zeros((height, width), np.float32)
    for x, y, w, h in what.boxes:
        first, columns = _covered((x + MARGIN_MM) * per_mm, (x + MARGIN_MM + w) * per_mm, width)
        top, rows = _covered((y + MARGIN_MM) * per_mm, (y + MARGIN_MM + h) * per_mm, height)
        black[top : top + len(rows), first : first + len(columns)] += np.outer(rows, columns)
    picture = Image.fromarray(np.round(255 * (1 - np.clip(black, 0, 1))).astype(np.uint8))
    for words in what.words:
        font = ImageFont.load_default(words.height_mm * per_mm)
        left, upper, right, lower = map(int, font.getbbox(words.text, anchor="ls"))
        patch = Image.new("L", (right - left + 2, lower - upper + 2), 255)
        ImageDraw.Draw(patch).text((1 - left, 1 - upper), words.text, fill=0, font=font, anchor="ls")
        x, y = (words.x + MARGIN_MM) * per_mm, (words.y + MARGIN_MM) * per_mm
        at = (x - patch.width / 2, y + upper - 1)
        if words.turned:
            patch, at = patch.transpose(Image.Transpose.ROTATE_90), (x + upper - 1, y - patch.width / 2)
        picture.paste(patch, (round(at[0]), round(at[1])))
    out = io.BytesIO()
    picture.save(out, format="PNG", dpi=(dpi, dpi))
    return out.getvalue()


def _covered(low: float, high: float, count: int) -> tuple[int, np.ndarray]:
    """First pixel that the stretch from `low` to `high` touches, and the share of each pixel that it covers."""
    first = max(int(low), 0)
    edges = np.arange(first, min(int(np.ceil(high)), count))
    return first, np.clip(np.minimum(edges + 1, high) - np.maximum(edges, low), 0, 1)


def _card(card: Card) -> tuple[list[Rect], list[Words]]:
    boxes: list[Rect] = []
    words: list[Words] = []
    for marker_id, (x, y) in card.centres_mm.items():
        boxes += _cells(marker_cells(marker_id), x - MARKER_SIDE_MM / 2, y - MARKER_SIDE_MM / 2, MARKER_SIDE_MM / MARKER_CELLS)
    for x, top, bottom in card.graduations_mm:
        boxes.append((x - _LINE_MM / 2, top, _LINE_MM, bottom - top))
    tens = [x for x, *_ in card.graduations_mm if x % 10 == 0]
    words += [Words(text=f"{x - tens[0]:g}", x=x, y=12.8) for x in tens]
    if card.window_mm is None:
        words.append(Words(text=f"specimeter strip {card.width_mm:g} x {card.height_mm:g} mm", x=card.width_mm / 2, y=7.0))
    else:
        x, y, width, height = card.window_mm
        for cx, way_x in ((x, 1.0), (x + width, -1.0)):
            for cy, way_y in ((y, 1.0), (y + height, -1.0)):
                boxes.append((min(cx, cx + 6.0 * way_x), cy - (_LINE_MM if way_y < 0 else 0.0), 6.0, _LINE_MM))
                boxes.append((cx - (_LINE_MM if way_x < 0 else 0.0), min(cy, cy + 6.0 * way_y), _LINE_MM, 6.0))
        title = f"specimeter frame {card.width_mm:g} x {card.height_mm:g} mm"
        words += [
            Words(text=title, x=x + width / 2, y=y + height / 2),
            Words(text="cut out this window: the specimen lies in it", x=x + width / 2, y=y + height / 2 + 5.0),
        ]
    return boxes, words


def _board(board: Board) -> tuple[list[Rect], list[Words]]:
    """Black squares where no marker lies, and the markers as OpenCV's own board places them."""
    charuco = board.charuco()
    boxes: list[Rect] = []
    marked = set()
    family = charuco.getDictionary()
    for marker_id, corners in zip(np.ravel(charuco.getIds()), charuco.getObjPoints(), strict=True):
        x, y = np.asarray(corners, float).reshape(4, 3)[:, :2].min(axis=0)
        marked.add((int(x // board.square_mm), int(y // board.square_mm)))
        count = family.markerSize + 2
        cells = cv2.aruco.generateImageMarker(family, int(marker_id), count) < 128
        boxes += _cells(cells, x, y, board.marker_mm / count)
    for column in range(board.columns):
        for row in range(board.rows):
            if (column, row) not in marked:
                boxes.append((column * board.square_mm, row * board.square_mm, board.square_mm, board.square_mm))
    return boxes, []


def _cells(black: np.ndarray, x: float, y: float, size: float) -> Iterable[Rect]:
    return [(x + column * size, y + row * size, size, size) for row, column in zip(*np.nonzero(black), strict=True)]


def _crops(width: float, height: float) -> list[Rect]:
    start, end = _CROP_MM
    marks = []
    for x, out_x in ((0.0, -1.0), (width, 1.0)):
        for y, out_y in ((0.0, -1.0), (height, 1.0)):
            marks.append((min(x + out_x * start, x + out_x * end), y - _LINE_MM / 2, end - start, _LINE_MM))
            marks.append((x - _LINE_MM / 2, min(y + out_y * start, y + out_y * end), _LINE_MM, end - start))
    return marks


def _check(width: float, upright: float) -> list[Rect]:
    """Lines whose end marks' middles lie as far apart as drawn: along the card's upper side, and down its right side."""
    half, tick = _LINE_MM / 2, 1.2
    across, down = -_CHECK_MM, width + _CHECK_MM
    return [
        (0.0, across - half, width, _LINE_MM),
        *((x - half, across - tick, _LINE_MM, 2 * tick) for x in (0.0, width)),
        (down - half, 0.0, _LINE_MM, upright),
        *((down - tick, y - half, 2 * tick, _LINE_MM) for y in (0.0, upright)),
    ]


def _text(words: Words) -> str:
    turn = f' transform="rotate(-90 {words.x:g} {words.y:g})"' if words.turned else ""
    return (
        f'<text x="{words.x:g}" y="{words.y:g}" font-family="{_FONT}" font-size="{words.height_mm:g}" '
        f'text-anchor="middle"{turn}>{escape(words.text)}</text>'
    )
