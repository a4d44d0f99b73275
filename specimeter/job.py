"""The main job, start to end: one photograph, its sheet and the user's limits become a folder of evidence."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from PIL import Image

from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.errors import PhotoError, SpecimeterError
from specimeter.judge import limits as judge_limits
from specimeter.judge.decide import decide
from specimeter.judge.model import Judgement
from specimeter.measure.feature import Feature
from specimeter.measure.sizes import area_mm2
from specimeter.measure.sizes import measure as measure_sizes
from specimeter.photo import Photo
from specimeter.record import build, store
from specimeter.record import folder as folder_of
from specimeter.record.model import Record
from specimeter.report import house as houses
from specimeter.report import html, overlay, pdf, slide, table, workbook
from specimeter.report.house import PLAIN, House
from specimeter.scale import camera_profile, equipment
from specimeter.scale.crown import by_its_own_size
from specimeter.scale.find import find_scale
from specimeter.scale.model import Scale
from specimeter.scale.place import place_surface, settled
from specimeter.scale.surface import Surface
from specimeter.segment.area import by_its_edges, examined_area
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.registry import for_test, segmenter
from specimeter.segment.sharpness import smallest_resolvable_mm
from specimeter.segment.unseen import mark_unseen
from specimeter.sheet import Sheet

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """One photograph with its scale, surface and examined area, before anything was looked for."""

    scale: Scale
    surface: Surface
    area: ExaminedArea
    smallest_resolvable_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finding:
    """Everything that one photograph gave, before it is written down."""

    photo: Photo
    scale: Scale
    surface: Surface
    area: ExaminedArea
    smallest_resolvable_mm: float | None
    features: tuple[Feature, ...]
    judgement: Judgement


def find(
    photo: Photo,
    sheet: Sheet,
    limits: judge_limits.Limits | None,
    *,
    method: str,
    progress: Progress,
    register_file: str | Path | None = None,
) -> Finding:
    """Scale, surface, examined area, openings, sizes and verdicts of one photograph; nothing is written.

    Raises
    ------
    SpecimeterError
        The named subclass of the stage that could not go on.
    """
    placed = place(photo, sheet, progress=progress, register_file=register_file)
    progress("features: searching and outlining")
    outlines = segmenter(for_test(method, sheet.specimen.test))(photo, placed.surface, placed.area)
    return conclude(photo, sheet, limits, placed, outlines, progress=progress)


def place(photo: Photo, sheet: Sheet, *, progress: Progress, register_file: str | Path | None = None) -> Placed:
    """Scale, surface and examined area: all that is known before anything is looked for. Raises SpecimeterError."""
    register = equipment.of_sheet(sheet, register_file)
    progress("scale: looking for the marker")
    scale = find_scale(photo, sheet, camera_profile.of_sheet(sheet))
    progress("surface: placing the specimen")
    surface = place_surface(photo, sheet, scale)
    scale = settled(scale, surface)
    progress("examined area: following the specimen's edges")
    scale, surface = by_its_own_size(sheet, scale, surface)
    area = examined_area(photo, sheet, scale, surface)
    scale, surface, area = by_its_edges(sheet, scale, surface, area)
    scale = equipment.stated(scale, sheet, register=register, on=equipment.used_on(photo))
    return Placed(
        scale=scale.at(area.outline_px.mean(axis=0)),
        surface=surface,
        area=area,
        smallest_resolvable_mm=smallest_resolvable_mm(photo, surface, area),
    )


def conclude(
    photo: Photo,
    sheet: Sheet,
    limits: judge_limits.Limits | None,
    placed: Placed,
    outlines: Sequence[Outline],
    *,
    progress: Progress,
) -> Finding:
    """Sizes and verdicts of outlines on a placed surface, however they were had. Raises SpecimeterError."""
    area = mark_unseen(photo, placed.surface, placed.area, outlines)
    progress(f"sizes: measuring {len(outlines)}")
    features = measure_sizes(outlines, photo_id="p1", surface=placed.surface, scale=placed.scale, area=area)
    examined_mm2, U_examined_mm2 = area_mm2(placed.surface, placed.scale, area)
    judgement = decide(
        sheet,
        limits,
        features,
        area=area,
        smallest_resolvable_mm=placed.smallest_resolvable_mm,
        scale=placed.scale,
        surface=placed.surface,
        area_mm2=examined_mm2,
        U_area_mm2=U_examined_mm2,
    )
    return Finding(
        photo=photo,
        scale=placed.scale,
        surface=placed.surface,
        area=area,
        smallest_resolvable_mm=placed.smallest_resolvable_mm,
        features=features,
        judgement=judgement,
    )


def measure(
    photo_file: str | Path,
    sheet_file: str | Path,
    limits_file: str | Path | None = None,
    *,
    out: str | Path,
    replace: bool = False,
    method: str = "learned",
    settings_file: str | Path | None = None,
    register_file: str | Path | None = None,
    progress: Progress = lambda stage: None,
) -> tuple[Record, Path]:
    """Run the main job and write the record folder; it is either whole or absent.

    Parameters
    ----------
    photo_file, sheet_file, limits_file : path
        The photograph, the specimen sheet (TOML) and, if conformity is asked for, the acceptance limits (TOML).
    out : path
        Folder that receives ``<specimen id>/``.
    replace : bool
        Put the new record in the place of an existing one, which is kept beside it.
    method : str
        Name of the segmenter (entry-point group ``specimeter.segmenters``).
    settings_file : path, optional
        The laboratory's name, logo and language; by default ``settings.toml`` beside the sheet, if there is one.
    register_file : path, optional
        The equipment register; by default ``equipment.toml`` beside the sheet, if the sheet names equipment.
    progress : callable
        Told each stage as it begins.

    Returns
    -------
    (Record, Path)
        The record and the folder it lies in.

    Raises
    ------
    SpecimeterError
        If an input is refused; nothing is written then.
    """
    sheet = sheets.read(sheet_file)
    limits = None if limits_file is None else judge_limits.read(limits_file)
    house = houses.beside(Path(sheet_file).parent) if settings_file is None else houses.read(settings_file)
    store.check_writable(out, sheet.specimen.id, replace)
    progress("photograph: reading")
    photo = photos.read(photo_file)
    sheets.check_against_photo(sheet, photo.width_px, photo.height_px, file=sheet_file)
    try:
        finding = find(photo, sheet, limits, method=method, progress=progress, register_file=register_file)
    except SpecimeterError as error:
        if error.field and error.file is None:  # the stages know the sheet's fields, not its file
            error.file = sheet_file
        raise
    run = for_test(method, sheet.specimen.test)
    asked = {"segmenter": method} | ({} if run == method else {"segmenter_run": run})
    record = build.build(finding, sheet=sheet, limits=limits, settings=asked, when=datetime.now(UTC))
    progress("report: drawing and writing")
    folder = store.commit(
        build.to_json(record), folder_files([photo], record, house), out=out, id=sheet.specimen.id, replace=replace
    )
    return record, folder


def folder_files(photographs: Sequence[Photo], record: Record, house: House = PLAIN) -> dict[str, bytes]:
    """Everything that stands beside ``record.json``: the report, the photographs themselves, the laboratory's settings."""
    kept = {folder_of.photo_name(stored): _own_bytes(photo) for stored, photo in zip(record.photos, photographs, strict=True)}
    return {**kept, **house.files(), **report_files(photographs, record, house)}


def report_files(photographs: Sequence[Photo], record: Record, house: House = PLAIN) -> dict[str, bytes]:
    """The report's files: name -> content. The photographs are those of the record, in its order."""
    pictures = [
        overlay.draw(photo, record, stored.id, house.language.say)
        for stored, photo in zip(record.photos, photographs, strict=True)
    ]
    files = {"overlay.png" if number == 1 else f"overlay-{number}.png": _png(one) for number, one in enumerate(pictures, 1)}
    return files | {
        "features.csv": table.features_csv(record),
        "features.xlsx": workbook.features_xlsx(record),
        "slide.png": _png(slide.draw(pictures[0], record, house)),
        "report.html": html.render(record, pictures, house),
        "report.pdf": pdf.render(record, pictures, house),
    }


def _png(picture: Image.Image) -> bytes:
    png = io.BytesIO()
    picture.save(png, format="PNG", compress_level=3)
    return png.getvalue()


def _own_bytes(photo: Photo) -> bytes:
    """The photograph's file as it was read: a record keeps what its numbers came from."""
    data = photo.path.read_bytes()
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        raise PhotoError("the photograph was changed while it was measured", file=photo.path, mend="measure it again")
    return data
