"""What is printed is what is found: cards drawn, rasterised, and looked for by the detector itself."""

from __future__ import annotations

import io
import re

import cv2
import numpy as np
import pikepdf
import pytest
import typst
from PIL import Image

from specimeter import cli
from specimeter.scale import card_drawing
from specimeter.scale.card_layout import BOARD, FRAME, STRIP
from specimeter.scale.find import find_scale
from specimeter.scale.height import mm_per_px

MM_PER_POINT = 25.4 / 72  # PDF: ISO 32000-1:2008, 8.3.2.3, default user space unit 1/72 inch


def pixels(name: str, dpi: float) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(card_drawing.png(name, dpi))))


PRINTER_DPI = 600  # of a common laser printer: squares are set to whole dots, 0.04 mm


def printed(name: str, form: str, folder) -> tuple[np.ndarray, float, np.ndarray]:
    """What the command wrote, as a printer sees it: grey (H, W), its pixels a mm, and where the card's corner lies in mm.

    PDF and SVG are drawn by typst's own interpreters (the PDF as a picture on a page), PNG is taken at the resolution it says.
    Of a page only the card with 2 mm round it is drawn, cut out of it at whole dots of the printer.
    """
    ending, _, paper = form.partition("-")
    path = folder / f"card.{ending}"
    assert cli.main(["card", name, "--out", str(path), "--dpi", "300", *(["--paper", paper] if paper else [])]) == 0
    what = card_drawing.drawing(name)
    if ending == "png":
        picture = Image.open(path)
        return np.asarray(picture.convert("L")), picture.info["dpi"][0] / 25.4, np.array([card_drawing.MARGIN_MM] * 2)
    page, per_mm = np.array(card_drawing.PAPERS[paper] if paper else what.sheet_mm), PRINTER_DPI / 25.4
    corner = (page - what.sheet_mm) / 2 + card_drawing.MARGIN_MM
    left, top = np.floor((corner - 2.0) * per_mm) / per_mm
    width, height = np.ceil((np.array([what.width_mm, what.height_mm]) + 4.0) * per_mm) / per_mm
    (folder / "page.typ").write_text(
        f"#set page(width: {width}mm, height: {height}mm, margin: 0pt)\n"
        f'#place(dx: {-left}mm, dy: {-top}mm, image("card.{ending}", width: {page[0]}mm, height: {page[1]}mm))'
    )
    png = typst.compile(folder / "page.typ", format="png", ppi=PRINTER_DPI, ignore_system_fonts=True)
    return np.asarray(Image.open(io.BytesIO(png)).convert("L")), per_mm, corner - [left, top]


@pytest.mark.parametrize(
    ("card", "form"),
    [
        *((STRIP, form) for form in ("pdf-a4", "pdf-letter", "svg", "png")),
        *((FRAME, form) for form in ("pdf-a4", "svg", "png")),
    ],
)
def test_what_is_printed_is_what_is_found(card, form, cards, sheet, tmp_path):
    """Each form as written by the command, cut out, laid on a bench and photographed leaning by 9 degrees with the tests' own
    camera: all markers, and on the strip all its millimetre marks through `strip_marks`, at the scale that the camera had:
    within 0.1 % (half of the goal of design section 10) and the stated interval."""
    grey, per_mm, corner = printed(card.name, form, tmp_path)
    strip = card is STRIP
    shot = cards.Shot(card=card.name, width_px=1000, height_px=700, focal_px=1000.0, tilt_deg=9, azimuth_deg=40, roll_deg=8,
                      look_at_mm=(50, 20) if strip else (80, 60), distance_mm=135.0 if strip else 225.0)  # fmt: skip
    light = 0.04 + 0.7 * cv2.GaussianBlur(grey / 255.0, (0, 0), 0.3 * per_mm / 7.4)
    x, y = np.meshgrid(np.arange(1000.0), np.arange(700.0))
    seen = 0.0
    for dx, dy in ((-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)):  # a pixel's area
        there = shot.on_plane(np.column_stack([x.ravel() + dx, y.ravel() + dy]))
        at = ((there + corner) * per_mm - 0.5).astype(np.float32).reshape(700, 1000, 2)
        ink = cv2.remap(light, at[..., 0], at[..., 1], cv2.INTER_AREA)
        on = ((there >= 0) & (there <= [card.width_mm, card.height_mm])).all(axis=1).reshape(700, 1000)
        seen = seen + np.where(on, ink, 0.25) / 4
    seen = cv2.GaussianBlur(seen, (0, 0), 0.8) + np.random.default_rng(4).normal(0, 0.004, seen.shape)
    seen = np.clip(seen, 0, 1)
    coded = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)  # sRGB, IEC 61966-2-1
    rgb = np.repeat(np.round(255 * coded).astype(np.uint8)[..., None], 3, axis=2)
    entries = {"surface_height_mm": 0.0, "surface_height_U_mm": 0.01, "length_U_mm": 0.01}
    scale = find_scale(cards.photograph(rgb, 43.27 * 1000 / np.hypot(1000, 700)), sheet(test="macro-butt", **entries))
    assert scale.evidence["card"] == card.name
    assert len(scale.evidence["markers"]) == len(card.centres_mm)
    if strip:
        assert scale.evidence["strip_marks"] == len(card.graduations_mm)
        assert np.median(np.abs(scale.evidence["strip_marks_residual_px"])) < 0.1  # of a print of whole dots
    place = np.array(scale.reference_px)
    error = mm_per_px(scale.view, place, 0.0) / shot.mm_per_px(place) - 1
    assert abs(error) < min(0.001, 2.5 * scale.u_rel)


@pytest.mark.parametrize(("card", "dpi"), [(STRIP, 300), (FRAME, 220)])
def test_a_printed_card_is_found_at_its_true_scale(card, dpi, cards, sheet):
    """A flat scan of the print has 25.4 / dpi mm a pixel; 0.02 %: 0.05 px of rounding to 8 bits over the strip's length,
    and the fit's freedom of lean and lens."""
    linear = 0.04 + 0.7 * cv2.GaussianBlur(pixels(card.name, dpi) / 255.0, (0, 0), 0.9)  # ink, paper and a lens, in light
    grey = np.round(255 * (1.055 * linear ** (1 / 2.4) - 0.055)).astype(np.uint8)  # sRGB, IEC 61966-2-1
    photo = cards.photograph(np.repeat(grey[:, :, None], 3, axis=2))
    scale = find_scale(photo, sheet(test="macro-butt", surface_height_mm=0.0, surface_height_U_mm=0.01))
    assert scale.evidence["card"] == card.name
    assert scale.evidence["mm_per_px_at_reference"] == pytest.approx(25.4 / dpi, rel=2e-4)
    for marker in scale.evidence["markers"]:
        true = (np.array(card.corners_mm(marker["id"])) + card_drawing.MARGIN_MM) * dpi / 25.4 - 0.5
        np.testing.assert_allclose(marker["corners_px"], true, atol=0.05)


def test_the_board_is_found_by_opencv_at_its_true_scale():
    """All 54 inner corners, 24 mm apart."""
    dpi = 150
    grey = cv2.GaussianBlur(pixels("board", dpi), (0, 0), 0.7)  # OpenCV's corners are of the encoded picture
    corners, ids, *_ = cv2.aruco.CharucoDetector(BOARD.charuco()).detectBoard(grey)
    assert len(np.ravel(ids)) == (BOARD.columns - 1) * (BOARD.rows - 1)
    true = (np.asarray(BOARD.charuco().getChessboardCorners()).reshape(-1, 3)[np.ravel(ids), :2] + 16.0) * dpi / 25.4 - 0.5
    np.testing.assert_allclose(np.asarray(corners).reshape(-1, 2), true, atol=0.1)


def test_a_board_is_never_taken_for_a_card(cards):
    """Its markers are of another family: none of them is a card's."""
    from specimeter.scale.choose import find_markers

    grey = pixels("board", 150)
    assert find_markers(cards.photograph(np.repeat(grey[:, :, None], 3, axis=2))) == []


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", card_drawing.NAMES)
def test_pdf_is_one_page_and_true_to_size(name, paper):
    """ISO 216 A4 and ANSI Letter; every box of the drawing stands on the page at 72 points to 25.4 mm."""
    with pikepdf.open(io.BytesIO(card_drawing.pdf(name, paper))) as pdf:
        assert len(pdf.pages) == 1
        size = np.array([float(value) for value in pdf.pages[0].mediabox[2:]]) * MM_PER_POINT
        np.testing.assert_allclose(size, {"a4": (210, 297), "letter": (215.9, 279.4)}[paper], atol=0.01)
        starts = np.array(_path_starts(pdf.pages[0])) * MM_PER_POINT
    what = card_drawing.drawing(name)
    boxes = np.array(what.boxes)[:, :2]
    found = starts[np.argsort(starts[:, 0])]
    spread = np.ptp(boxes, axis=0)
    black = found[len(found) - len(boxes) :] if len(found) < len(boxes) else starts[-len(boxes) :]
    np.testing.assert_allclose(np.ptp(black, axis=0), spread, atol=0.01)


def _path_starts(page) -> list[tuple[float, float]]:
    """Where each sub-path begins, in points on the page, through every nested form."""
    found: list[tuple[float, float]] = []

    def walk(stream, resources, matrix):
        stack = []
        for operands, operator in pikepdf.parse_content_stream(stream):
            name = str(operator)
            if name == "q":
                stack.append(matrix)
            elif name == "Q":
                matrix = stack.pop()
            elif name == "cm":
                matrix = pikepdf.Matrix(*[float(value) for value in operands]) @ matrix
            elif name == "m":
                x, y = (float(value) for value in operands)
                found.append((matrix.a * x + matrix.c * y + matrix.e, matrix.b * x + matrix.d * y + matrix.f))
            elif name == "Do":
                form = resources["/XObject"][str(operands[0])]
                if form.get("/Subtype") == "/Form":
                    own = pikepdf.Matrix(form.get("/Matrix", pikepdf.Array([1, 0, 0, 1, 0, 0])))
                    walk(form, form.get("/Resources", resources), own @ matrix)

    walk(page, page.resources, pikepdf.Matrix())
    return found


def test_svg_is_in_millimetres():
    """One user unit is one millimetre, so that every drawing program opens it at its size."""
    text = card_drawing.svg("strip")
    width, left, across = re.search(r'width="([\d.]+)mm".*viewBox="(-?[\d.]+) -?[\d.]+ ([\d.]+)', text).groups()
    assert float(width) == float(across) == STRIP.width_mm + 2 * card_drawing.MARGIN_MM
    assert float(left) == -card_drawing.MARGIN_MM


def test_png_says_its_resolution():
    """pHYs holds whole pixels a metre: 0.01 % at 300 dpi."""
    picture = Image.open(io.BytesIO(card_drawing.png("strip", 300)))
    assert picture.info["dpi"] == pytest.approx((300, 300), rel=1e-4)


@pytest.mark.parametrize("name", card_drawing.NAMES)
def test_check_lines_are_as_long_as_they_say(name):
    """Between the middles of their end marks: the card's long side, and at least 100 mm the other way."""
    what = card_drawing.drawing(name)
    lines = card_drawing._check(what.width_mm, what.height_mm + what.below_mm)
    ticks = np.array([(x + w / 2, y + h / 2) for x, y, w, h in lines])
    assert ticks[2][0] - ticks[1][0] == pytest.approx(what.width_mm)
    assert ticks[5][1] - ticks[4][1] == pytest.approx(max(100.0, what.height_mm))
    said = " ".join(words.text for words in what.words)
    assert f"{what.width_mm:g} mm as drawn" in said


@pytest.mark.parametrize("card", [STRIP, FRAME])
def test_white_round_every_black_square(card):
    """Nothing is drawn within 3.5 mm of a marker: the finder fits its edges between black and white."""
    boxes = np.array(card_drawing.drawing(card.name).boxes)
    for marker_id in card.centres_mm:
        low, high = card.corners_mm(marker_id)[0], card.corners_mm(marker_id)[2]
        inside = (boxes[:, :2] >= low - 1e-9).all(axis=1) & (boxes[:, :2] + boxes[:, 2:] <= high + 1e-9).all(axis=1)
        near = (boxes[:, :2] < high + 3.5).all(axis=1) & (boxes[:, :2] + boxes[:, 2:] > low - 3.5).all(axis=1)
        assert not (near & ~inside).any()


def test_the_command_writes_each_form_and_refuses_others(tmp_path, capsys):
    """PDF, SVG and PNG by the ending; 2 for another ending, a resolution out of bounds, a file that is there already."""
    for name, ending, starts in (("strip", "pdf", b"%PDF"), ("frame", "svg", b"<svg"), ("board", "png", b"\x89PNG")):
        path = tmp_path / f"{name}.{ending}"
        assert cli.main(["card", name, "--out", str(path), "--dpi", "150"]) == 0
        assert path.read_bytes().startswith(starts)
        assert "100 %" in capsys.readouterr().out
    for call in (["--out", "a.gif"], ["--out", "a.png", "--dpi", "20"], ["--out", "strip.pdf"], ["--out", "no/such/a.svg"]):
        call[1] = str(tmp_path / call[1])
        assert cli.main(["card", "strip", *call]) == 2
        assert capsys.readouterr().err.startswith("specimeter: ")
    assert cli.main(["card", "strip", "--out", str(tmp_path / "strip.pdf"), "--replace", "--paper", "letter"]) == 0
