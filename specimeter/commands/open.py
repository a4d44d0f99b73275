"""`specimeter open`: the bench, a napari window in which a photograph becomes a reviewed record."""

from __future__ import annotations

import argparse
import importlib
from pathlib import Path

from specimeter.commands import DONE
from specimeter.errors import SpecimeterError

HELP = "open photographs of a specimen, a record or a folder in a window"
DESCRIPTION = (
    "Open the bench: a window that leads from a photograph to a reviewed record, step by step. Several photographs are taken "
    "for pictures of one specimen: both halves of a fracture, etched and not; they lie side by side. A sheet and limits that "
    "lie beside the first (NAME.sheet.toml, NAME.limits.toml) are taken unless others are given."
)
EPILOG = (
    'Needs the window\'s packages: pip install "specimeter[napari]" and PyQt6 or PySide6.\n\n'
    "Examples: specimeter open bend.jpg --limits limits.toml --out records\n"
    "          specimeter open half-a.jpg half-b.jpg --sheet nick.sheet.toml"
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument(
        "path",
        nargs="*",
        metavar="PHOTO|RECORD|FOLDER",
        help="what to open, several of one specimen; without it the window asks",
    )
    parser.add_argument("--sheet", metavar="S.toml", help="what the specimen is and how it was tested")
    parser.add_argument("--limits", metavar="L.toml", help="the acceptance limits that you enter from your code")
    parser.add_argument("--out", metavar="DIR", help="folder for records (default: records beside the photograph)")


def run(options: argparse.Namespace) -> int:
    """Open the window and stay until it is closed."""
    from specimeter import doctor

    doctor.check_window()
    try:
        window = importlib.import_module("specimeter_napari.window")
    except ImportError as error:
        raise SpecimeterError(
            f"the window cannot be opened here: {error}",
            expected="napari, with PyQt6 or PySide6 and the system libraries that Qt needs",
            mend='pip install "specimeter[napari]" pyqt6',
        ) from error
    sheet, limits, out = (value and Path(value) for value in (options.sheet, options.limits, options.out))
    window.run([Path(path) for path in options.path], sheet=sheet, limits=limits, out=out)
    return DONE
