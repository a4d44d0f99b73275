"""The sheet: what the specimen is, how it was bent, photographed and tested, checked as a person would check it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import Field, PrivateAttr, Strict, model_validator

from specimeter import sheet_sizes
from specimeter.errors import AreaError, SheetError
from specimeter.sheet_fields import (
    CORNERS,
    Axis,
    Day,
    FolderName,
    Observation,
    ObservationName,
    Point,
    Polygon,
    Text,
    TwoPoints,
    number,
    outline_fault,
    words,
)
from specimeter.toml_file import Table, validated, wrong
from specimeter.toml_file import read as read_toml

Test = Literal[
    "face-bend", "root-bend", "side-bend", "longitudinal-bend", "nick-break", "fillet-break", "macro-butt", "macro-fillet"
]
BEND_TESTS = ("face-bend", "root-bend", "side-bend", "longitudinal-bend")
BROKEN_TESTS = ("nick-break", "fillet-break")
MACRO_TESTS = ("macro-butt", "macro-fillet")

# What is seen; the numbers of ISO 6520-1 stand in the design's table of kinds.
Kind = Literal[
    "opening",
    "crack",
    "pore",
    "elongated-cavity",
    "slag",
    "lack-of-sidewall-fusion",
    "lack-of-inter-run-fusion",
    "lack-of-root-fusion",
    "lack-of-fusion",
    "lack-of-penetration",
    "undercut",
    "overlap",
    "fisheye",
    "other",
]
KINDS: tuple[str, ...] = get_args(Kind)

LEAST_WIDTH_PX = 20  # of a specimen: below it nothing on it can be measured
MIN_PHOTO_PX = 200  # a smaller picture cannot hold a marker and a specimen


class Specimen(Table):
    """The piece itself; `specimen_width_mm` is the free check of the scale."""

    id: FolderName = Field(description="the stamp, which names the record: 1 to 64 letters, digits, spaces or . _ - + ( ) #")
    test: Test = Field(description="the test: one of " + ", ".join(get_args(Test)))
    parent_thickness_mm: float | None = number(0.3, 500, "thickness of the parent plate or pipe wall in mm")
    specimen_thickness_mm: float | None = number(0.3, 300, "thickness of the specimen as it was tested in mm")
    specimen_width_mm: float | None = number(1, 500, "width of the specimen by calliper, across the bend's crown, in mm")
    weld_width_mm: float | None = number(0.3, 300, "width of the weld on the examined face in mm")
    position: Text | None = words("where in the test piece it was cut from")
    sought: Annotated[tuple[Kind, ...], Strict(False)] = Field(
        (), description="imperfections the test is meant to show: a list of " + ", ".join(KINDS)
    )


class Bend(Table):
    """How it was bent; `axis_px` is accepted for an axis given by two points."""

    former_diameter_mm: float = number(1, 1000, "diameter of the former (mandrel) in mm", default=...)
    roller_gap_mm: float | None = number(1, 2000, "clear distance between the rollers in mm")
    edge_radius_mm: float | None = number(0, 10, "radius to which the tension face's long edges were rounded in mm")
    angle_deg: float = number(10, 181, "angle through which the specimen was bent, in degrees", default=...)
    axis: Axis = Field(
        description='the bend axis in the photo: "vertical", "horizontal", or two points on it in pixels, [[x, y], [x, y]]'
    )

    @model_validator(mode="before")
    @classmethod
    def _axis_px(cls, data: Any) -> Any:
        if isinstance(data, dict) and "axis_px" in data:
            if "axis" in data:
                raise wrong("axis and axis_px are both given", field="axis_px", mend="keep one of them")
            data = {("axis" if key == "axis_px" else key): value for key, value in data.items()}
        return data


class Scale(Table):
    """How pixels are to become millimetres; `surface_height_mm` absent is not 0."""

    method: Literal["auto", "card", "graduations", "length", "file"] = Field(
        "auto", description='where the scale comes from: "auto", "card", "graduations", "length" or "file"'
    )
    graduation_mm: float | None = number(0.01, 100, "smallest division of the rule in view in mm")
    from_px: Point | None = Field(None, description="where the known length begins: a point [x, y] in pixels")
    to_px: Point | None = Field(None, description="where the known length ends: a point [x, y] in pixels")
    length_mm: float | None = number(0.05, 2000, "true distance between from_px and to_px in mm")
    card_px: Polygon | None = Field(None, description=f"an outline around the printed card, none outside it counts: {CORNERS}")
    length_U_mm: float | None = number(0, 50, "expanded uncertainty (k = 2) of the marker's own length in mm", above=True)
    printed_length_mm: float | None = number(20, 400, "long side of the printed card as measured after printing in mm")
    surface_height_mm: float | None = number(
        -300, 500, "how far the measured surface (a bend's crown) stands nearer to the camera than the marker, in mm"
    )
    surface_height_U_mm: float | None = number(0, 100, "expanded uncertainty (k = 2) of that height in mm", above=True)
    camera_distance_mm: float | None = number(10, 20_000, "distance from the lens to the surface in mm")
    equipment: Text | None = words("the rule's or card's entry in the equipment register")

    @model_validator(mode="after")
    def _complete(self) -> Scale:
        three = {"from_px": self.from_px, "to_px": self.to_px, "length_mm": self.length_mm}
        lacking = [key for key, value in three.items() if value is None]
        if lacking and (self.method == "length" or self.from_px or self.to_px):
            raise wrong(
                f"{' and '.join(lacking)} {'is' if len(lacking) == 1 else 'are'} missing",
                field=lacking[0],
                expected="a known length needs from_px, to_px and length_mm together",
                mend=f"add {' and '.join(lacking)}" + ("" if self.method == "length" else ", or remove the others"),
            )
        if self.from_px and self.to_px and math.dist(self.from_px, self.to_px) < 20:
            raise wrong(
                f"from_px and to_px are {math.dist(self.from_px, self.to_px):.1f} pixels apart",
                field="to_px",
                expected="two different points, as far apart as the marker allows (at least 20 pixels)",
                mend="mark the two ends of the known length",
            )
        if self.length_U_mm and self.length_mm and self.length_U_mm > self.length_mm / 4:
            raise wrong(
                f"{self.length_U_mm:g} mm is more than a quarter of length_mm, so it gives no scale", field="length_U_mm"
            )
        if self.card_px is not None and self.method not in ("auto", "card"):
            raise wrong("it outlines a card, and the scale is not had from one", field="card_px", mend="remove card_px")
        if self.card_px is not None and (fault := outline_fault(self.card_px)):
            raise wrong(fault, field="card_px", mend="give its corners once each, in order around the card")
        if self.surface_height_U_mm is not None and self.surface_height_mm is None:
            raise wrong(
                "an uncertainty is given for a height that is not given",
                field="surface_height_U_mm",
                expected="surface_height_mm beside it",
                mend="add surface_height_mm, or remove surface_height_U_mm",
            )
        return self


class Region(Table):
    """The examined area and its holes, where they are drawn by hand."""

    outline_px: Polygon = Field(description=f"the examined area: {CORNERS}")
    exclude_px: Annotated[tuple[Polygon, ...], Strict(False)] = Field(
        (), description="parts left out: a list of outlines, each a list of at least 3 points [x, y] in pixels"
    )

    @model_validator(mode="after")
    def _simple(self) -> Region:
        for name, outline in [("outline_px", self.outline_px), *(("exclude_px", hole) for hole in self.exclude_px)]:
            if fault := outline_fault(outline):
                raise wrong(fault, field=name, mend="give its corners once each, in order around it")
        return self


class Validity(Table):
    """What the procedure asked and what was done."""

    tension_face: Literal["face", "root", "side"] | None = Field(
        None, description='the face that was in tension: "face", "root" or "side"'
    )
    former_required_mm: float | None = number(1, 1000, "former diameter that the procedure asks for in mm")
    angle_required_deg: float | None = number(10, 181, "bend angle that the procedure asks for in degrees")
    weld_inside_bend: bool | None = Field(
        None, description="weld and heat-affected zone lie within the bent part: true or false"
    )
    broken_through: bool | None = Field(None, description="the specimen broke through: true or false")
    valid: bool | None = Field(None, description="the test was valid: true or false")
    reason: Text | None = words("why the test was not valid")

    @model_validator(mode="after")
    def _reasoned(self) -> Validity:
        if self.valid is False and self.reason is None:
            raise wrong(
                "the test is called not valid, but not why", field="reason", mend='add reason = "..." to the table [validity]'
            )
        return self


class Weld(Table):
    """How it was welded, where known; causes are looked for beside these figures."""

    process: Text | None = words("welding process")
    position: Text | None = words("welding position")
    filler: Text | None = words("filler metal")
    shielding_gas: Text | None = words("shielding gas or flux")
    current_A: float | None = number(0, 5000, "welding current in A", above=True)
    voltage_V: float | None = number(0, 500, "arc voltage in V", above=True)
    travel_speed_mm_s: float | None = number(0, 1000, "travel speed in mm/s", above=True)
    heat_input_kJ_mm: float | None = number(0, 100, "heat input in kJ/mm", above=True)
    preheat_C: float | None = number(-60, 1000, "preheat temperature in degrees C")
    interpass_C: float | None = number(-60, 1000, "interpass temperature in degrees C")
    bevel_deg: float | None = number(0, 90, "bevel angle of one side in degrees")
    root_gap_mm: float | None = number(0, 50, "root gap in mm")
    root_face_mm: float | None = number(0, 100, "root face in mm")
    nominal_throat_mm: float | None = number(0.1, 200, "nominal throat of a fillet weld in mm: a in limits")
    nominal_thickness_mm: float | None = number(0.1, 500, "nominal thickness of a butt weld in mm: s in limits")
    nominal_leg_mm: float | None = number(0.1, 300, "nominal leg of a fillet weld in mm: z in limits")
    weld_axis_px: TwoPoints | None = Field(
        None, description="the weld's axis in the photo: two points in pixels, [[x, y], [x, y]]"
    )


class PhotoNotes(Table):
    """About the photograph: the camera's lens profile."""

    camera_file: Text | None = words("file with the camera's lens profile")


class OtherPhoto(Table):
    """What holds for one photograph after the first; what is absent is found in it, or holds as the sheet gives it."""

    axis: Axis | None = Field(None, description='the bend axis in that photo: "vertical", "horizontal", or [[x, y], [x, y]]')
    scale: Scale | None = Field(None, description="takes the place of the whole table [scale] for that photo")
    region: Region | None = Field(None, description="the examined area in that photo")
    weld_axis_px: TwoPoints | None = Field(None, description="the weld's axis in that photo: two points in pixels")
    camera_file: Text | None = words("file with the lens profile of that photo's camera")


class Section(Table):
    """How a macro section was prepared."""

    grit: int | None = Field(None, ge=10, le=10_000, description="last grinding grit: a whole number from 10 to 10000")
    etchant: Text | None = words("etchant")
    concentration: Text | None = words("the etchant's concentration, with its unit")
    time_s: float | None = number(0, 86_400, "etching time in s", above=True)
    direction_viewed: Text | None = words("direction viewed")


class People(Table):
    """Who examined and measured, when and how."""

    measured_by: Text | None = words("name of the person who measured")
    measured_on: Day | None = Field(None, description="when it was measured: a date such as 2026-03-21")
    examined_directly: bool | None = Field(None, description="a person looked at the specimen itself: true or false")
    magnifier: float | None = number(1, 100, "magnification of the loupe used")
    light: Text | None = words("light in which it was examined")


class Order(Table):
    """For whom, by which method and edition, and what departs from it."""

    client: Text | None = words("client")
    contact: Text | None = words("how to reach the client")
    laboratory: Text | None = words("name of the laboratory that answers for the report")
    address: Text | None = words("the laboratory's address")
    place: Text | None = words("where the work was done, if not at that address")
    item: Text | None = words("description of the item tested")
    condition: Text | None = words("condition of the item when it came")
    received: Day | None = Field(None, description="when the item was received: a date such as 2026-03-21")
    sampling: Text | None = words("sampling plan and method, or who took the sample")
    external_providers: Text | None = words("results that came from others, and from whom")
    method: Text | None = words("test method")
    edition: Text | None = words("edition of the method")
    deviations: Annotated[tuple[Text, ...], Strict(False)] = Field(
        (), description="deviations from the method: a list of texts"
    )


class Sheet(Table):
    """The whole sheet; a table that was not given is None, except `scale`, which has defaults."""

    specimen: Specimen = Field(description="the table [specimen]: what the specimen is")
    bend: Bend | None = Field(None, description="the table [bend]: how it was bent")
    scale: Scale = Field(Scale(), description="the table [scale]: how pixels become millimetres")
    region: Region | None = Field(None, description="the table [region]: the examined area")
    validity: Validity | None = Field(None, description="the table [validity]: whether the test was valid")
    observations: dict[ObservationName, Observation] | None = Field(
        None, description='what a person saw: names in small letters and hyphens, each true, false or "undetermined"'
    )
    weld: Weld | None = Field(None, description="the table [weld]: how it was welded")
    photo: PhotoNotes | None = Field(None, description="the table [photo]: about the photograph")
    other_photo: Annotated[tuple[OtherPhoto, ...], Strict(False)] | None = Field(
        None, description="the tables [[other_photo]]: one for each photograph after the first, in their order"
    )
    section: Section | None = Field(None, description="the table [section]: how a macro section was prepared")
    people: People | None = Field(None, description="the table [people]: who measured")
    order: Order | None = Field(None, description="the table [order]: for whom and by which method")
    _folder: Path | None = PrivateAttr(None)

    @property
    def folder(self) -> Path | None:
        """Where the files that the sheet names are looked for: the folder it was read from; None if it was not read."""
        return self._folder

    def for_photo(self, number: int) -> Sheet:
        """The sheet as it holds for the photograph of that number, counted from 1.

        What stands in pixels holds for the first photograph only. A later one has its own in its table ``[[other_photo]]``;
        region and weld's axis may be absent there.

        Raises
        ------
        SheetError
            If an entry in pixels has no counterpart for that photograph.
        """
        if number == 1:
            return self
        tables, at = self.other_photo or (), number - 2
        own = tables[at] if at < len(tables) else None
        held = {
            "bend.axis": self.bend is not None and not isinstance(self.bend.axis, str),
            "scale.from_px": self.scale.from_px is not None,
            "region": self.region is not None,
            "weld.weld_axis_px": self.weld is not None and self.weld.weld_axis_px is not None,
        }
        given = {"bend.axis": own and own.axis, "scale.from_px": own and own.scale}
        for field in (name for name, there in held.items() if there):
            if own is None or (field in given and not given[field]):
                key = {"bend.axis": "axis", "scale.from_px": "scale", "weld.weld_axis_px": "weld_axis_px"}.get(field, field)
                raise SheetError(
                    f"it is in pixels of the first photograph, and photograph {number} has none of its own",
                    field=field,
                    expected=f"{key} in a table [[other_photo]], one table for each photograph after the first, in their order",
                    mend=f"add a table [[other_photo]] with {key}"
                    + ("" if field in given else " (without it, it is found in that photograph, or not known there)"),
                )
        own = own or OtherPhoto()
        scale = own.scale or self.scale.model_copy(update={"card_px": None})
        changes: dict[str, Any] = {"region": own.region, "scale": scale, "other_photo": None}
        if own.axis is not None and self.bend is not None:
            changes["bend"] = self.bend.model_copy(update={"axis": own.axis})
        if self.weld is not None or own.weld_axis_px is not None:
            changes["weld"] = (self.weld or Weld()).model_copy(update={"weld_axis_px": own.weld_axis_px})
        if own.camera_file is not None:
            changes["photo"] = PhotoNotes(camera_file=own.camera_file)
        return self.model_copy(update=changes)

    @model_validator(mode="after")
    def _consistent(self) -> Sheet:
        specimen, test = self.specimen, self.specimen.test
        if test not in MACRO_TESTS and self.section is not None:
            raise wrong(
                f"a {test} has no section", field="section", mend="remove the table [section], or correct specimen.test"
            )
        if test not in BEND_TESTS:
            if any(own.axis is not None for own in self.other_photo or ()):
                raise wrong(f"a {test} is not bent", field="other_photo.axis", mend="remove it, or correct specimen.test")
            if self.bend is not None:
                raise wrong(f"a {test} is not bent", field="bend", mend="remove the table [bend], or correct specimen.test")
            return self
        if self.bend is None:
            raise wrong(
                f"the table [bend] is missing, and the test is a {test}",
                field="bend",
                expected="former_diameter_mm, angle_deg and axis in a table [bend]",
                mend="add the table [bend]",
            )
        if specimen.specimen_thickness_mm is None:
            raise wrong(
                "the specimen's thickness is missing: without it the bent surface has no radius",
                field="specimen.specimen_thickness_mm",
                expected="thickness of the specimen as it was tested in mm",
                mend="add specimen_thickness_mm",
            )
        sheet_sizes.check_fit(specimen, self.bend)
        return self


def read(path: str | Path) -> Sheet:
    """Read and check a specimen sheet.

    Raises
    ------
    SheetError
        The file cannot be read, is not TOML, or a key, a type, a value or a combination in it is wrong: it names the
        file, the dotted field, what was found, what was expected and how to mend it.
    """
    sheet = validated(Sheet, read_toml(path, what="the specimen sheet", error=SheetError), file=path, error=SheetError)
    sheet._folder = Path(path).absolute().parent
    return sheet


def for_photos(sheet: Sheet, photos: int, *, file: str | Path | None = None) -> list[Sheet]:
    """The sheet as it holds for each of so many photographs. Raises SheetError: as `for_photo`, or for a table too many."""
    tables = len(sheet.other_photo or ())
    if tables > photos - 1:
        raise SheetError(
            f"{tables} table{'' if tables == 1 else 's'} [[other_photo]] and {photos} photograph{'' if photos == 1 else 's'}",
            file=file,
            field="other_photo",
            expected="at most one table for each photograph after the first",
            mend="give all photographs in their order: specimeter measure PHOTO PHOTO... --sheet S.toml; or remove the tables",
        )
    try:
        return [sheet.for_photo(number) for number in range(1, photos + 1)]
    except SheetError as error:
        error.file = file
        raise


def check_against_photo(sheet: Sheet, width_px: int, height_px: int, *, file: str | Path | None = None) -> None:
    """Refuse places in the sheet that do not lie in the photograph, or sizes that do not fit into it.

    Parameters
    ----------
    width_px, height_px : int
        Of the photograph after its EXIF orientation is applied.
    file : str or Path, optional
        The sheet's file, named in the error.

    Raises
    ------
    SheetError
        A point of the axis or the scale lies outside, the specimen is wider than the photo, or the photo too small.
    AreaError
        A point of the region lies outside.
    """
    picture = f"the photo, which is {width_px} x {height_px} pixels: x from 0 to {width_px - 1}, y from 0 to {height_px - 1}"
    if min(width_px, height_px) < MIN_PHOTO_PX:
        raise SheetError(
            f"the photo of this sheet is too small: {width_px} x {height_px} pixels",
            file=file,
            expected=f"at least {MIN_PHOTO_PX} pixels each way; a few thousand serve well",
            mend="use the camera's original photo, not a thumbnail",
        )
    places = [(f"scale.{name}", point) for name in ("from_px", "to_px") if (point := getattr(sheet.scale, name)) is not None]
    places += [("scale.card_px", point) for point in sheet.scale.card_px or ()]
    if sheet.bend is not None and not isinstance(sheet.bend.axis, str):
        places += [("bend.axis", point) for point in sheet.bend.axis]
    if sheet.weld is not None:
        places += [("weld.weld_axis_px", point) for point in sheet.weld.weld_axis_px or ()]
    faulty: list[tuple[str, tuple[float, float], type[SheetError] | type[AreaError]]] = [
        (name, point, SheetError) for name, point in places
    ]
    if sheet.region is not None:
        faulty += [("region.outline_px", point, AreaError) for point in sheet.region.outline_px]
        faulty += [("region.exclude_px", point, AreaError) for hole in sheet.region.exclude_px for point in hole]
    for name, (x, y), error in faulty:
        if not (-0.5 <= x <= width_px - 0.5 and -0.5 <= y <= height_px - 0.5):
            raise error(
                f"the point [{x:g}, {y:g}] lies outside the photo",
                file=file,
                field=name,
                expected=f"a point [x, y] within {picture}",
                mend="read the coordinates off the photo upright, as its EXIF orientation shows it",
            )
    scale, width_mm = sheet.scale, sheet.specimen.specimen_width_mm
    if scale.method == "length" and width_mm is not None:
        assert scale.length_mm is not None  # the method asks for these three
        assert scale.from_px is not None
        assert scale.to_px is not None
        mm_per_px = scale.length_mm / math.dist(scale.from_px, scale.to_px)
        field_mm = mm_per_px * math.hypot(width_px, height_px)
        if width_mm < LEAST_WIDTH_PX * mm_per_px:
            raise SheetError(
                f"a specimen {width_mm:g} mm wide is only {width_mm / mm_per_px:.2g} pixels wide by the known length",
                file=file,
                field="scale.length_mm",
                expected=f"a specimen at least {LEAST_WIDTH_PX} pixels wide; a thousand serve well",
                mend="check scale.length_mm (in mm: 1 in is 25.4), scale.from_px and scale.to_px (in pixels), and the width",
            )
        if width_mm > 1.2 * field_mm:
            raise SheetError(
                f"a specimen {width_mm:g} mm wide is not in this photo, {field_mm:.3g} mm corner to corner by the known length",
                file=file,
                field="specimen.specimen_width_mm",
                expected="the specimen's whole width in the photo",
                mend="check scale.length_mm (in mm: 1 in is 25.4), scale.from_px and scale.to_px (in pixels), and the width",
            )
