"""From what the stages found to a record that holds all that its numbers can be recomputed from."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import math
import os
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed
from pathlib import Path, PurePath
from typing import Any, Protocol

import numpy as np

from specimeter import __version__
from specimeter.judge.face import Face
from specimeter.judge.limits import Limits
from specimeter.judge.model import Judgement, Verdict
from specimeter.measure.feature import Feature
from specimeter.measure.section import Section
from specimeter.measure.sizes import area_mm2
from specimeter.photo import Photo
from specimeter.record import model
from specimeter.record.model import Record
from specimeter.record.rebuild import crown_line_mm
from specimeter.scale.budget import Term
from specimeter.scale.model import Scale
from specimeter.scale.surface import Bend, Surface
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import Sheet

LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "scikit-image", "pillow", "pandas", "pydantic", "typst")

_SHAPE = ("radius_mm", "angle_deg", "direction_deg", "u_radius_mm", "u_direction_deg", "u_crown_mm")
_EDGES = ("edge_radius_mm", "u_edge_radius_mm")
TERM = tuple(model.BudgetTerm.model_fields)
_CONVERTED = {"outline_px", "tips_px", "budget", "may_be"}
FEATURE = tuple(name for name in Feature.__dataclass_fields__ if name in model.Feature.model_fields and name not in _CONVERTED)


class Seen(Protocol):
    """Everything that one photograph gave."""

    @property
    def photo(self) -> Photo: ...

    @property
    def scale(self) -> Scale: ...

    @property
    def surface(self) -> Surface: ...

    @property
    def area(self) -> ExaminedArea: ...

    @property
    def smallest_resolvable_mm(self) -> float | None: ...

    @property
    def features(self) -> tuple[Feature, ...]: ...

    @property
    def section(self) -> Section | None: ...


class Found(Seen, Protocol):
    """The first photograph's, and the judgement over all."""

    @property
    def judgement(self) -> Judgement: ...


def build(
    finding: Found,
    *,
    sheet: Sheet,
    limits: Limits | None,
    settings: Mapping[str, Any],
    when: datetime,
    others: Sequence[Seen] = (),
) -> Record:
    """The record of what the photographs of one specimen gave.

    Parameters
    ----------
    finding : Found
        Photograph, scale, surface, area, features and judgement.
    others : sequence of Seen
        The same of the photographs after the first, in their order; they are named p2, p3, ... and so are their features'.
    sheet, limits
        As the user entered them.
    settings : mapping
        What the program was told beyond the sheet; JSON-ready.
    when : datetime
        The moment of recording, with its time zone.
    """
    judgement = finding.judgement
    parts = [photo_parts(seen, photo_id(number)) for number, seen in enumerate((finding, *others), start=1)]
    joined = {name: tuple(part for own in parts for part in own[name]) for name in parts[0]}
    fields = joined | dict(
        sheet=plain(sheet.model_dump(mode="json", exclude_none=True)),
        limits=None if limits is None else plain(limits.model_dump(mode="json", exclude_none=True)),
        verdicts=tuple(verdict_part(verdict) for verdict in judgement.verdicts),
        outcome=judgement.outcome,
        reasons=judgement.because,
        cautions=cautions_of(joined, judgement),
        tool=_tool(settings),
    )
    if finding.section is not None:
        cut = cut_part(finding.section, finding.features, photo_id(1))
        fields |= {"section": dict(finding.section.sizes), "cut": cut}
        fields["cautions"] = tuple(dict.fromkeys([*cut.cautions, *fields["cautions"]]))
    return model.logged(fields, {"when": utc(when), "who": f"specimeter {__version__}", "what": "measured and recorded"})


def photo_id(number: int) -> str:
    """What the record calls the photograph of that number, counted from 1."""
    return f"p{number}"


def photo_parts(seen: Seen, photo: str) -> dict[str, tuple[Any, ...]]:
    """What the record keeps of one photograph under that id, by the names of its fields."""
    return {
        "photos": (_photo(seen.photo, photo),),
        "scales": (_scale(seen.scale, seen.surface, seen.area, photo),),
        "surfaces": (_surface(seen.surface, seen.area, photo),),
        "examined": (_examined(seen, photo),),
        "features": tuple(feature_part(feature) for feature in seen.features),
    }


def cut_part(section: Section, features: Sequence[Feature] | Sequence[model.Feature], photo: str) -> model.Cut:
    """A section's evidence as it is stored; its undercuts are the photograph's features that have a depth, in their order."""
    deep = [feature.id for feature in features if feature.photo == photo and feature.depth_mm is not None]
    undercuts = []
    for one, id_ in zip(section.undercuts, deep, strict=True):
        cut, u_radius, told = one.undercut, one.undercut.u_root_radius_mm, "opening_angle_deg" not in one.missing
        undercuts.append(
            model.Undercut(
                feature=id_,
                toe=1 if one.toe == 1 else 2,
                width_mm=cut.width_mm,
                U_width_mm=2 * cut.u_width_mm,
                opening_angle_deg=cut.opening_angle_deg if told else None,
                U_opening_angle_deg=2 * cut.u_opening_angle_deg if told else None,
                root_radius_mm=cut.root_radius_mm,
                U_root_radius_mm=None if cut.root_radius_mm is None or u_radius is None else 2 * u_radius,
                root_radius_at_most_mm=cut.root_radius_at_most_mm,
                stress_concentration=cut.stress_concentration,
                fitted_px=points(one.fitted_px),
                missing=dict(one.missing),
            )
        )
    return model.Cut(
        photo=photo,
        missing=dict(section.missing),
        weld_px=None if section.weld_px is None else points(section.weld_px),
        weld_drawn_px=None if section.weld_drawn_px is None else points(section.weld_drawn_px),
        zone_drawn_px=None if section.zone_drawn_px is None else points(section.zone_drawn_px),
        drawn=tuple(
            model.Drawn(size=name, lines_px=tuple(points(line) for line in lines)) for name, lines in section.drawn.items()
        ),
        undercuts=tuple(undercuts),
        cautions=tuple(section.cautions),
    )


def face(seen: Seen, sheet: Sheet, number: int) -> Face:
    """What the judge must know of the photograph of that number."""
    size, U_size = area_mm2(seen.surface, seen.scale, seen.area)
    return Face(
        photo=photo_id(number),
        sheet=sheet.for_photo(number),
        area=seen.area,
        smallest_resolvable_mm=seen.smallest_resolvable_mm,
        scale=seen.scale,
        surface=seen.surface,
        area_mm2=size,
        U_area_mm2=U_size,
    )


def cautions_of(parts: Mapping[str, Sequence[Any]], judgement: Judgement) -> tuple[str, ...]:
    """Cautions of all stages in the order of the work, none twice; of several photographs each one's under its id."""
    several = len(parts["photos"]) > 1
    told = []
    for name in ("photos", "scales", "surfaces", "examined"):
        for part in parts[name]:
            id_ = part.id if name == "photos" else part.photo
            told += [f"Photograph {id_}: {caution}" if several else caution for caution in part.cautions]
    return tuple(dict.fromkeys([*told, *judgement.cautions]))


def to_json(record: Record) -> bytes:
    """The content of ``record.json``."""
    return model.dump(record)


def plain(value: Any) -> Any:
    """JSON-ready copy: arrays to lists, dates to ISO text, paths to names; what is None or not finite is left out of tables."""
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, Mapping):
        cleaned = {str(key): plain(item) for key, item in value.items()}
        return {key: item for key, item in cleaned.items() if item is not None}
    if isinstance(value, list | tuple | set | frozenset):
        return ["missing" if (item := plain(entry)) is None else item for entry in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, PurePath):
        return value.name
    return _text(str(value))


def _photo(photo: Photo, id_: str) -> model.Photo:
    return model.Photo(
        id=id_,
        file=_text(PurePath(photo.file).name),
        sha256=photo.sha256,
        width_px=int(photo.width_px),
        height_px=int(photo.height_px),
        focal_35mm_mm=None if photo.focal_35mm_mm is None else float(photo.focal_35mm_mm),
        taken=photo.taken,
        cautions=tuple(_text(caution) for caution in photo.cautions),
    )


def _scale(scale: Scale, surface: Surface, area: ExaminedArea, photo: str) -> model.Scale:
    view = surface.view  # what the sizes were measured with: a bend may have told the lens's distance
    mm_per_px = mm_per_px_of(surface, area)
    known = mm_per_px is not None
    return model.Scale(
        photo=photo,
        method=scale.method,
        mm_per_px=mm_per_px,
        u_rel=float(scale.u_rel),
        surface_height_mm=float(scale.surface_height_mm),
        surface_height_u_mm=float(scale.surface_height_u_mm),
        tilt_deg=float(view.tilt_deg),
        view=model.CameraView(
            focal_px=float(view.focal_px),
            centre_px=_point(view.centre_px),
            k1=float(view.k1),
            k2=float(view.k2),
            rotation=(_three(view.rotation[0]), _three(view.rotation[1]), _three(view.rotation[2])),
            translation_mm=_three(view.translation_mm),
        ),
        budget=_budget(scale.budget),
        evidence=plain(scale.evidence),
        missing={} if known else {"mm_per_px": "the sight line through the centre of the examined area misses the surface"},
        cautions=tuple(scale.cautions),
    )


def mm_per_px_of(surface: Surface, area: ExaminedArea) -> float | None:
    """The scale at the middle of the examined area, on the surface (a bend: at its crown); None where it is not seen."""
    centre_px = surface.project(crown_line_mm(surface, area).mean(axis=0, keepdims=True))[0]
    mm_per_px = float(surface.mm_per_px_at(centre_px))
    return mm_per_px if math.isfinite(mm_per_px) and mm_per_px > 0 else None


def axis_px_of(surface: Surface, area: ExaminedArea) -> tuple[tuple[float, float], ...] | None:
    """The crown line of a bend across the examined area, for a reader's eye."""
    return points(surface.project(crown_line_mm(surface, area))) if surface.shape == "bend" else None


def _surface(surface: Surface, area: ExaminedArea, photo: str) -> model.SurfaceShape:
    bent: dict[str, Any] = {}
    if isinstance(surface, Bend):
        bent = {name: float(getattr(surface, name)) for name in _SHAPE}
        bent |= {"crown_mm": _point(surface.crown_mm), "basis": dict(surface.basis)}
        bent |= {"axis_px": axis_px_of(surface, area)}
        bent |= {name: float(getattr(surface, name)) for name in _EDGES if surface.edges_px}
    return model.SurfaceShape(
        photo=photo,
        shape=surface.shape,
        height_mm=float(surface.height_mm),
        evidence=plain(surface.evidence),
        cautions=tuple(surface.cautions),
        **bent,
    )


def _examined(finding: Seen, photo: str) -> model.Examined:
    area = finding.area
    size, U_size = area_mm2(finding.surface, finding.scale, area)
    numbers = {
        "area_mm2": size,
        "U_area_mm2": U_size,
        "width_mm": area.width_mm,
        "u_width_mm": area.u_width_mm,
        "smallest_resolvable_mm": finding.smallest_resolvable_mm,
    }
    reasons = {
        "area_mm2": "the outline does not lie wholly on the surface",
        "width_mm": "not both edges of the specimen are seen",
        "smallest_resolvable_mm": "no edge in the picture is sharp enough to tell",
    }
    known = {name: float(value) for name, value in numbers.items() if value is not None and math.isfinite(value)}
    return model.Examined(
        photo=photo,
        outline_px=points(area.outline_px),
        exclude_px=tuple(points(hole) for hole in area.exclude_px),
        edges_px=tuple(points(edge) for edge in area.edges_px),
        found_by=area.found_by,
        confidence=float(area.confidence),
        unseen=tuple(
            model.Unseen(outline_px=points(part.outline_px), why=part.why, length_mm=float(part.length_mm))
            for part in area.unseen
        ),
        missing={name: why for name, why in reasons.items() if name not in known},
        cautions=tuple(area.cautions),
        **known,
    )


def feature_part(feature: Feature, **said: Any) -> model.Feature:
    """A measured feature as it is stored; `said`: what people said of it and no measurement knows."""
    stored = plain({name: getattr(feature, name) for name in FEATURE})
    return model.Feature(
        **stored | said,
        may_be=feature.may_be or None,
        outline_px=points(feature.outline_px),
        tips_px=None if feature.tips_px is None else (_point(feature.tips_px[0]), _point(feature.tips_px[1])),
        budget=_budget(feature.budget),
    )


def verdict_part(verdict: Verdict) -> model.Verdict:
    """A verdict as it is stored."""
    return model.Verdict(**{**plain(asdict(verdict)), "features": tuple(verdict.features)})


@functools.cache
def _libraries() -> dict[str, str]:
    """Versions by name of what the numbers hang on; read once, as it takes longer than most acts of a review."""
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        with contextlib.suppress(PackageNotFoundError):  # the same library can be installed under another name
            found[name] = installed(name)
    return found


def _tool(settings: Mapping[str, Any]) -> model.Tool:
    return model.Tool(
        version=__version__,
        settings=plain(settings),
        libraries=dict(_libraries()),
        code_sha256=code_sha256(),
        measuring_code_sha256=code_sha256(),
    )


@functools.cache
def code_sha256() -> str:
    """SHA-256 over the names and contents of the package's modules, in the order of their names."""
    package, total = Path(__file__).resolve().parents[1], hashlib.sha256()
    names = [
        f"{Path(folder).relative_to(package).as_posix()}/{file}".removeprefix("./")
        for folder, _, files in os.walk(package)
        for file in files
        if file.endswith(".py")
    ]
    for name in sorted(names):
        total.update(f"{name}\0".encode() + hashlib.sha256((package / name).read_bytes()).digest())
    return total.hexdigest()


def judged_by_this_program(tool: model.Tool) -> model.Tool:
    """The tool of a record whose numbers were recomputed here: this program, with the settings that found the outlines."""
    kept = {"model_sha256": tool.model_sha256, "measuring_code_sha256": tool.measuring_code_sha256 or tool.code_sha256}
    return _tool(tool.settings).model_copy(update=kept)


def measuring_code(record: Record) -> str | None:
    """SHA-256 of the program that measured the photographs; None where a record does not tell."""
    tool = record.tool
    return tool.measuring_code_sha256 or (tool.code_sha256 if len(record.log) == 1 else None)


def _budget(terms: Iterable[Term]) -> tuple[model.BudgetTerm, ...]:
    rows = ({name: plain(getattr(term, name)) for name in TERM} for term in terms)
    return tuple(model.BudgetTerm(**{name: value for name, value in row.items() if value is not None}) for row in rows)


def utc(when: datetime) -> str:
    """The moment in UTC, to the second, as it is stored."""
    return when.astimezone(UTC).isoformat(timespec="seconds")


def _text(text: str) -> str:
    """Text that UTF-8 can carry: file names may hold bytes that are none."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _point(point: np.ndarray) -> tuple[float, float]:
    x, y = np.ravel(np.asarray(point, float))
    return float(x), float(y)


def _three(numbers: np.ndarray) -> tuple[float, float, float]:
    a, b, c = np.ravel(np.asarray(numbers, float))
    return float(a), float(b), float(c)


def points(points: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in np.asarray(points, float).reshape(-1, 2))
