"""`specimeter scale`: find and show the scale of one photograph, and nothing else."""

from __future__ import annotations

import argparse
import io
import json

from specimeter.commands import DONE
from specimeter.errors import AreaError, SpecimeterError, SurfaceError

HELP = "find and show the scale of a photograph alone"
DESCRIPTION = (
    "Find the scale of one photograph and print its budget of uncertainty: each source, its value and standard\n"
    "uncertainty, and what it adds to the uncertainty of a length. --out draws what was found, to look at."
)
EPILOG = (
    "Example: specimeter scale bend.jpg --sheet bend.sheet.toml --out scale.png\n\n"
    "Without a sheet the scale is that of the plane which the printed card lies on.\n"
    "Exit: 0 a scale was found; 2 it was refused: the message says why."
)
NO_SHEET = (
    "No sheet was given, so this is the scale in the plane of the card or rule itself. A surface nearer to the lens has fewer "
    "millimetres a pixel: for the specimen's own scale give --sheet."
)
_ON_THE_CARD = {
    "specimen": {"id": "scale-alone", "test": "macro-butt"},
    "scale": {"surface_height_mm": 0.0, "surface_height_U_mm": 0.001},
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("photo", metavar="PHOTO", help="photograph: JPEG, PNG, TIFF or HEIC")
    parser.add_argument("--sheet", metavar="S.toml", help="what the specimen is: heights, printed length, method")
    parser.add_argument("--out", metavar="FILE.png", help="picture of what was found")
    parser.add_argument(
        "--equipment", metavar="E.toml", help="the equipment register (default: equipment.toml beside the sheet)"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout instead of the table")


def run(options: argparse.Namespace) -> int:
    """Find, print, draw."""
    from dataclasses import replace
    from pathlib import Path

    import numpy as np

    from specimeter import files
    from specimeter import photo as photos
    from specimeter import sheet as sheets
    from specimeter.record.build import plain
    from specimeter.report import scale_picture, scale_text
    from specimeter.scale import camera_profile, equipment
    from specimeter.scale.crown import by_its_own_size
    from specimeter.scale.find import find_scale
    from specimeter.scale.height import lies_beside
    from specimeter.scale.place import place_surface, settled
    from specimeter.segment.area import by_its_edges, examined_area

    picture = None if options.out is None else Path(options.out)
    if picture is not None and picture.suffix.lower() != ".png":
        raise SpecimeterError("the picture is written as PNG", file=picture, expected="a file name ending in .png")
    sheet = sheets.Sheet.model_validate(_ON_THE_CARD) if options.sheet is None else sheets.read(options.sheet)
    photo = photos.read(options.photo)
    surface = None
    unplaced: tuple[str, ...] = ()
    try:
        sheets.check_against_photo(sheet, photo.width_px, photo.height_px, file=options.sheet)
        register = equipment.of_sheet(sheet, options.equipment)
        scale = find_scale(photo, equipment.filled(sheet, register), camera_profile.of_sheet(sheet))
        if sheet.bend is not None:
            try:
                surface = place_surface(photo, sheet, scale)
                scale, surface = by_its_own_size(sheet, settled(scale, surface), surface)
                if "height_from" in scale.evidence:  # as measuring does: told anew by the edges followed to their feet
                    scale, surface, _ = by_its_edges(sheet, scale, surface, examined_area(photo, sheet, scale, surface))
            except SurfaceError as error:
                unplaced = (f"The bend was not found, so the scale is stated for the picture's middle: {error.problem}.",)
            except AreaError as error:
                unplaced = (f"The specimen's edges were not followed, so the scale is a rough one: {error.problem}.",)
        elif sheet.specimen.test not in sheets.BEND_TESTS and lies_beside(sheet):  # as measuring does: told by its own size
            try:
                surface = place_surface(photo, sheet, scale)
                scale, surface, _ = by_its_edges(sheet, scale, surface, examined_area(photo, sheet, scale, surface))
            except AreaError as error:
                unplaced = (f"The face was not found, so that nothing tells its height: {error.problem}.",)
    except SpecimeterError as error:
        if error.field and error.file is None:
            error.file = options.sheet
        raise
    if options.sheet is None:
        own = "nobody entered one: this is the marker's own plane"
        scale = replace(
            scale, budget=tuple(t._replace(basis=own) if t.source.startswith("height") else t for t in scale.budget)
        )
        unplaced = (NO_SHEET,)
    middle = np.array(scale.reference_px)
    if surface is not None and surface.shape == "bend":
        middle = surface.project(np.zeros((1, 2)))[0]
        scale = scale.at(middle)
    scale = equipment.stated(scale, sheet, register=register, on=equipment.used_on(photo))
    if options.json:
        answer = {
            "method": scale.method,
            "u_rel": scale.u_rel,
            "surface_height_mm": scale.surface_height_mm,
            "surface_height_u_mm": scale.surface_height_u_mm,
            "tilt_deg": scale.tilt_deg,
            "at_px": list(middle),
            "mm_per_px": scale_text.mm_per_px(scale, surface, middle),
            "budget": [term._asdict() for term in scale.budget],
            "evidence": scale.evidence,
            "cautions": [*scale.cautions, *unplaced],
        }
        print(json.dumps(plain(answer), ensure_ascii=False, allow_nan=False))
    else:
        print(scale_text.summary(photo.file, scale, surface, middle, unplaced))
    if picture is not None:
        png = io.BytesIO()
        scale_picture.draw(photo, scale).save(png, format="PNG", compress_level=3)
        try:
            files.write(picture, png.getvalue())
        except OSError as error:
            raise SpecimeterError(f"the picture cannot be written: {error.strerror or error}", file=picture) from error
        if not options.json:
            print(f"\nPicture  {picture}")
    return DONE
