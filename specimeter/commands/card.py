"""`specimeter card`: the printable card, or the board that a lens profile is made from, true to size."""

from __future__ import annotations

import argparse

from specimeter.commands import DONE
from specimeter.errors import SpecimeterError

HELP = "make the printable card that gives a photograph its scale"
DESCRIPTION = (
    "Write a card true to size: the strip (100 x 20 mm, beside the specimen), the frame (160 x 120 mm, round it), or the\n"
    "board that `specimeter camera` takes a lens profile from. The ending of FILE says the form: .pdf, .svg or .png."
)
EPILOG = (
    "Example: specimeter card strip --out strip.pdf\n\n"
    "Print at 100 %, never fitted to the page. Measure the check line along the card with a steel rule and enter what it\n"
    "measures as printed_length_mm in the sheet's table [scale]: printers shrink, and unequally in the two directions.\n"
    "Lay the card flat, at the crown's height if you can, and keep lamp glare off its squares."
)
FORMS = (".pdf", ".svg", ".png")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("name", choices=("strip", "frame", "board"), metavar="CARD", help="strip, frame or board")
    parser.add_argument("--out", required=True, metavar="FILE", help="file to write: .pdf, .svg or .png")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="page of a PDF (default: a4)")
    parser.add_argument("--dpi", type=float, default=600.0, metavar="N", help="pixels to the inch of a PNG (default: 600)")
    parser.add_argument("--replace", action="store_true", help="write over an existing file")


def run(options: argparse.Namespace) -> int:
    """Draw it, write it, say how to print it."""
    from pathlib import Path

    from specimeter import files
    from specimeter.scale import card_drawing

    path = Path(options.out)
    form = path.suffix.lower()
    if form not in FORMS:
        raise SpecimeterError(f"a card cannot be written as {form or 'a file without an ending'}", file=path,
                              expected="a file name ending in .pdf, .svg or .png")  # fmt: skip
    least, most = card_drawing.LEAST_DPI, card_drawing.MOST_DPI
    if not least <= options.dpi <= most:
        raise SpecimeterError(f"--dpi is {options.dpi:g}", expected=f"{least} to {most} pixels to the inch")
    if path.exists() and not options.replace:
        raise SpecimeterError("the file is there already", file=path, mend="give another name, or --replace")
    if form == ".pdf":
        data = card_drawing.pdf(options.name, options.paper)
    elif form == ".svg":
        data = card_drawing.svg(options.name).encode()
    else:
        data = card_drawing.png(options.name, options.dpi)
    try:
        files.write(path, data)
    except OSError as error:
        raise SpecimeterError(f"the card cannot be written: {error.strerror or error}", file=path) from error
    print(f"{path}: print at 100 % and measure both check lines before cutting")
    return DONE
