"""The main job, start to end: photographs of one specimen, its sheet and the user's limits become a folder of evidence."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.errors import PhotoError, SpecimeterError
from specimeter.judge import limits as judge_limits
from specimeter.judge.decide import decide
from specimeter.judge.model import Judgement
from specimeter.measure.feature import Feature
from specimeter.measure.section import Section, apart, hidden, section_of, toe_outlines
from specimeter.measure.section_kinds import named
from specimeter.measure.sizes import measure as measure_sizes
from specimeter.photo import Photo
from specimeter.record import build, edit, further, recompute, seal, store
from specimeter.record import folder as folder_of
from specimeter.record.model import Record
from specimeter.report import house as houses
from specimeter.report import html, overlay, pdf, slide, table
from specimeter.report.content import content
from specimeter.report.house import PLAIN, House
from specimeter.scale import camera_profile, equipment
from specimeter.scale.crown import by_its_own_size
from specimeter.scale.find import find_scale
from specimeter.scale.model import Scale
from specimeter.scale.place import place_surface, settled
from specimeter.scale.surface import Surface
from specimeter.segment.area import by_its_edges, examined_area, with_its_edges
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.no_metal import doubt_metal
from specimeter.segment.registry import for_test, segmenter
from specimeter.segment.sharpness import resolving
from specimeter.segment.unseen import mark_unseen
from specimeter.sheet import BEND_TESTS, MACRO_TESTS, Sheet

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """One photograph with its scale, surface and examined area, before anything was looked for."""

    scale: Scale
    surface: Surface
    area: ExaminedArea
    smallest_resolvable_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sized:
    """One photograph with its features measured, before anything was judged."""

    photo: Photo
    scale: Scale
    surface: Surface
    area: ExaminedArea
    smallest_resolvable_mm: float | None
    features: tuple[Feature, ...]
    section: Section | None = None  # of a macro section


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finding(Sized):
    """Everything that one photograph gave, before it is written down."""

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
    return judged(search(photo, sheet, method=method, progress=progress, register_file=register_file), sheet, limits)


def search(
    photo: Photo,
    sheet: Sheet,
    *,
    method: str,
    progress: Progress,
    register_file: str | Path | None = None,
    placed_is: Callable[[Placed], None] = lambda placed: None,
) -> Sized:
    """The same without the verdicts; the sheet as it holds for that photograph. `placed_is` is told scale, surface and area
    as soon as they are known. Raises SpecimeterError.
    """
    find_outlines = segmenter(for_test(method, sheet.specimen.test))  # a name that nothing has is refused before the long work
    placed = place(photo, sheet, progress=progress, register_file=register_file)
    placed_is(placed)
    progress("features: searching and outlining")
    outlines = find_outlines(photo, placed.surface, placed.area)
    if sheet.specimen.test not in MACRO_TESTS:
        return sized(photo, placed, outlines, progress=progress)
    progress("section: weld, toes and sizes")
    section = section_of(
        photo,
        sheet,
        placed.area,
        surface=placed.surface,
        scale=placed.scale,
    )
    cuts = toe_outlines(section)
    lines = named(apart(outlines, cuts), section, placed.surface, placed.area)
    return replace(sized(photo, placed, [*lines, *cuts], progress=progress), section=section)


def search_all(
    photographs: Iterable[Photo],
    own_sheets: Sequence[Sheet],
    *,
    method: str,
    progress: Progress,
    register_file: str | Path | None = None,
    placed_is: Callable[[Placed], None] = lambda placed: None,
) -> list[Sized]:
    """`search` in every photograph of one specimen, each with the sheet as it holds for it; features are numbered through.

    `placed_is` is told of the first photograph. Raises SpecimeterError, also where one photograph is given twice.
    """
    seen: list[Sized] = []
    for photo, own in zip(photographs, own_sheets, strict=True):
        further.check_new(photo, [one.photo.sha256 for one in seen])
        sheets.check_against_photo(own, photo.width_px, photo.height_px)
        told = (lambda placed: None) if seen else placed_is
        one = search(photo, own, method=method, progress=progress, register_file=register_file, placed_is=told)
        seen.append(further.named(one, len(seen) + 1, already=sum(len(before.features) for before in seen)))
    return seen


def recorded(seen: Sequence[Sized], sheet: Sheet, limits: judge_limits.Limits | None, *, method: str) -> Record:
    """What all photographs of a specimen showed, judged and as a record; nothing is written."""
    run = for_test(method, sheet.specimen.test)
    asked = {"segmenter": method} | ({} if run == method else {"segmenter_run": run})
    finding = judged(seen[0], sheet, limits, seen[1:])
    return build.build(finding, sheet=sheet, limits=limits, settings=asked, when=datetime.now(UTC), others=seen[1:])


def place(photo: Photo, sheet: Sheet, *, progress: Progress, register_file: str | Path | None = None) -> Placed:
    """Scale, surface and examined area: all that is known before anything is looked for. Raises SpecimeterError."""
    register = equipment.of_sheet(sheet, register_file)
    progress("scale: looking for the marker")
    scale = find_scale(photo, equipment.filled(sheet, register), camera_profile.of_sheet(sheet))
    progress("surface: placing the specimen")
    surface = place_surface(photo, sheet, scale)
    scale = settled(scale, surface)
    progress("examined area: following the specimen's edges")
    scale, surface = by_its_own_size(sheet, scale, surface)
    area = examined_area(photo, sheet, scale, surface)
    scale, surface, area = by_its_edges(sheet, scale, surface, area)
    surface = with_its_edges(sheet, surface, area)
    if sheet.specimen.test in BEND_TESTS:
        area = doubt_metal(photo, surface, area)
    if area.not_to_scale:
        doubts = [*scale.evidence.get("doubts", ()), area.not_to_scale]
        scale = replace(scale, evidence={**scale.evidence, "doubts": doubts})
    scale = equipment.stated(scale, sheet, register=register, on=equipment.used_on(photo))
    smallest_mm, area = resolving(photo, surface, area)
    return Placed(
        scale=scale.at(area.outline_px.mean(axis=0)),
        surface=surface,
        area=area,
        smallest_resolvable_mm=smallest_mm,
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
    return judged(sized(photo, placed, outlines, progress=progress), sheet, limits)


def sized(photo: Photo, placed: Placed, outlines: Sequence[Outline], *, progress: Progress) -> Sized:
    """Sizes of outlines on a placed surface, named as the only photograph's. Raises SpecimeterError."""
    area = mark_unseen(photo, placed.surface, placed.area, outlines)
    progress(f"sizes: measuring {len(outlines)}")
    return Sized(
        photo=photo,
        scale=placed.scale,
        surface=placed.surface,
        area=area,
        smallest_resolvable_mm=placed.smallest_resolvable_mm,
        features=measure_sizes(outlines, photo_id="p1", surface=placed.surface, scale=placed.scale, area=area),
    )


def judged(first: Sized, sheet: Sheet, limits: judge_limits.Limits | None, others: Sequence[Sized] = ()) -> Finding:
    """The first photograph's finding with the judgement over it and the others."""
    one, *more = (build.face(seen, sheet, number) for number, seen in enumerate((first, *others), start=1))
    judgement = decide(
        sheet,
        limits,
        [feature for seen in (first, *others) for feature in seen.features],
        area=one.area,
        smallest_resolvable_mm=one.smallest_resolvable_mm,
        scale=one.scale,
        surface=one.surface,
        area_mm2=one.area_mm2,
        U_area_mm2=one.U_area_mm2,
        others=more,
        section=None if first.section is None else first.section.sizes,
        hidden=() if first.section is None else hidden(first.section.cautions),
    )
    return Finding(**{name: getattr(first, name) for name in Sized.__dataclass_fields__}, judgement=judgement)


def measure(
    photo_files: str | Path | Sequence[str | Path],
    sheet_file: str | Path,
    limits_file: str | Path | None = None,
    *,
    out: str | Path,
    replace: bool = False,
    method: str = "learned",
    settings_file: str | Path | None = None,
    register_file: str | Path | None = None,
    progress: Progress = lambda stage: None,
    read: Callable[[str | Path], Photo] = photos.read,
) -> tuple[Record, Path]:
    """Run the main job and write the record folder; it is either whole or absent.

    Parameters
    ----------
    photo_files : path or paths
        The photograph, or several of the same specimen: each has its own scale, surface and examined area.
    sheet_file, limits_file : path
        The specimen sheet (TOML) and, if conformity is asked for, the acceptance limits (TOML).
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
    read : callable
        From a path to its `Photo`: for one that was read beside other work.

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
    seal.check_unsealed(Path(out) / store.folder_name(sheet.specimen.id))
    files = [photo_files] if isinstance(photo_files, str | Path) else list(photo_files)
    own_sheets = sheets.for_photos(sheet, len(files), file=sheet_file)
    for file in files[1:]:  # before minutes go by with the first
        photos.check_there(file)

    def opened() -> Iterator[Photo]:
        for number, file in enumerate(files, start=1):
            progress("photograph: reading" if len(files) == 1 else f"photograph {number} of {len(files)}: reading")
            yield read(file)

    try:
        seen = search_all(opened(), own_sheets, method=method, progress=progress, register_file=register_file)
    except SpecimeterError as error:
        if error.field and error.file is None:  # the stages know the sheet's fields, not its file
            error.file = sheet_file
        raise
    record = recorded(seen, sheet, limits, method=method)
    progress("report: drawing and writing")
    folder = store.commit(
        build.to_json(record),
        folder_files([one.photo for one in seen], record, house),
        out=out,
        id=sheet.specimen.id,
        replace=replace,
    )
    return record, folder


def with_photo(
    record: Record,
    photo_file: str | Path,
    *,
    by: str,
    when: datetime,
    why: str | None = None,
    sheet: Sheet | None = None,
    register_file: str | Path | None = None,
    progress: Progress = lambda stage: None,
) -> Record:
    """A stored record with a further photograph of the specimen, measured as the first one was; nothing is written.

    Another `sheet` than the record's may hold what is that photograph's own, in its table ``[[other_photo]]``.

    Raises
    ------
    SpecimeterError
        If the photograph is refused, the sheet holds entries in pixels of the first one only, or the record is issued.
    """
    edit.check_open(record)
    photo = photos.read(photo_file)
    further.check_new(photo, [one.sha256 for one in record.photos])
    own = (sheet or recompute.sheet_of(record)).for_photo(len(record.photos) + 1)
    sheets.check_against_photo(own, photo.width_px, photo.height_px)
    method = str(record.tool.settings.get("segmenter", "learned"))
    seen = search(photo, own, method=method, progress=progress, register_file=register_file)
    return further.joined(record, seen, sheet=sheet, by=by, when=when, why=why)


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
    names = ["overlay.png" if number == 1 else f"overlay-{number}.png" for number in range(1, len(pictures) + 1)]
    with ThreadPoolExecutor(2) as beside:  # compressing and typesetting leave Python alone
        compressed = [beside.submit(_png, picture) for picture in pictures]
        compressed.append(beside.submit(lambda: _png(slide.draw(pictures[0], record, house))))
        from specimeter.report import workbook  # its library loads beside the compressing

        files = {"section.csv": table.section_csv(record)} if record.cut is not None else {}
        said = content(record, house)
        files |= {
            "features.csv": table.features_csv(record),
            "features.xlsx": workbook.features_xlsx(record),
            "report.html": html.render(record, pictures, house, said),
            "report.pdf": pdf.render(record, pictures, house, said),
        }
        return dict(zip([*names, "slide.png"], (one.result() for one in compressed), strict=True)) | files


def _png(picture: Image.Image) -> bytes:
    """Compressed by runs, and by one filter for every row: a third of the time of a search for repeats, of which a photograph
    has few, and for the best filter of each row, and hardly more bytes."""
    runs = (cv2.IMWRITE_PNG_COMPRESSION, 1, cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_RLE)
    how = (*runs, cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_PAETH)
    return cv2.imencode(".png", cv2.cvtColor(np.asarray(picture), cv2.COLOR_RGB2BGR), how)[1].tobytes()


def _own_bytes(photo: Photo) -> bytes:
    """The photograph's file as it was read: a record keeps what its numbers came from."""
    data = photo.path.read_bytes()
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        raise PhotoError("the photograph was changed while it was measured", file=photo.path, mend="measure it again")
    return data
