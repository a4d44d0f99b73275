"""What can be put into a library: a picture, a folder of pictures, a CSV manifest, a record; each as (picture, entry) pairs."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from specimeter.errors import LibraryError
from specimeter.library.entry import Entry, made
from specimeter.library.exchange.place import content, foreign
from specimeter.library.picture import is_picture
from specimeter.sheet import KINDS
from specimeter.toml_file import nearest

COLUMNS = (  # of a manifest, besides "file"
    "title",
    "test",
    "joint",
    "process",
    "material",
    "thickness_mm",
    "author",
    "licence",
    "permission",
    "tags",
    "notes",
    "truth",
    "quality",
    "outcome",
    "clean",
    "coupon",
    "specimen",
    "mm_per_px",
    "kinds",
)
_NUMBERS = {"thickness_mm": float, "quality": int, "mm_per_px": float}
_TRUTH_KINDS = {"void": "pore", "cavity": "pore", "tear": "opening"}


def pairs(path: str | Path, common: Mapping[str, Any], *, photos: Iterable[Path] = ()) -> Iterator[tuple[Path, Entry]]:
    """Pictures with their entries, from whatever `path` names; `common` fills the fields that it leaves open.

    Parameters
    ----------
    path : str or Path
        A picture, a folder of pictures, a ``.csv`` manifest, a record's folder or its ``record.json``.
    common : mapping
        Fields of an entry that hold for all of them.
    photos : iterable of Path
        Where else a record's photograph may lie: files or folders.

    Raises
    ------
    LibraryError
        There is nothing there that could be added, or what is said of it is wrong.
    """
    path = Path(path)
    if not path.exists():
        raise LibraryError("no such file or folder", file=path, expected="a picture, a folder, a manifest or a record")
    if path.is_dir() and (path / "record.json").exists():
        path = path / "record.json"
    if path.is_dir():
        pictures = sorted(inner for inner in path.rglob("*") if inner.is_file() and is_picture(inner))
        if not pictures:
            raise LibraryError("there is no picture in this folder", file=path, expected="JPEG, PNG, TIFF or HEIC")
        for inner in pictures:
            yield inner, plain(inner, common)
    elif path.suffix.lower() == ".csv":
        yield from manifest(path, common)
    elif path.name.endswith(".json"):
        yield from record(path, common, photos)
    else:
        yield path, plain(path, common)


def plain(path: Path, common: Mapping[str, Any]) -> Entry:
    """The entry of a picture by itself; a ``.truth.json`` beside it says what is in it."""
    beside = path.with_name(f"{path.stem}.truth.json")
    told = truth(beside) if beside.is_file() else {}
    return made({"title": path.stem.replace("_", " ").strip() or path.stem, **told, **_said(common)}, file=path)


def truth(path: Path) -> dict[str, Any]:
    """What a rendered picture's truth says, as fields of an entry."""
    try:
        return from_truth(json.loads(path.read_bytes()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise LibraryError(f"this is not a picture's truth ({error})", file=path) from error


def from_truth(data: Mapping[str, Any]) -> dict[str, Any]:
    """Fields of an entry from a scene's truth, as `specimeter.scene` writes it; what lies beside the picture is not seen."""
    seen = []
    for number, feature in enumerate(data["features"], start=1):
        kind = _TRUTH_KINDS.get(feature["kind"], feature["kind"])
        one = {"id": f"f{number}", "kind": kind if kind in KINDS else "other", "outline_px": feature["outline_px"]}
        for name in ("length_mm", "width_mm", "area_mm2"):
            if (feature.get(name) or 0) > 0:
                one[name] = feature[name]
        one |= {name: feature[name] for name in ("at_corner",) if feature.get(name) is not None}
        one |= {"cause": feature["cause"]} if feature.get("cause") in KINDS else {}
        seen.append(one)
    for number, notch in enumerate(data.get("undercuts") or (), start=1):
        told = f"{notch['depth_mm']:.2f} mm deep, root radius {notch['root_radius_mm']:.2f} mm; its length is not seen here."
        one = {"id": f"u{number}", "kind": "undercut", "outline_px": notch["outline_px"], "width_mm": notch["width_mm"]}
        seen.append({**one, "why": f"A groove in the plate at the toe: {told}"})
    for number, lip in enumerate(data.get("overlaps") or (), start=1):
        told = f"Weld metal rolled {lip['length_mm']:.1f} mm over the plate without melting into it: a dark line beneath it."
        seen.append({"id": f"o{number}", "kind": "overlap", "outline_px": lip["outline_px"], "why": told})
    seen = [one for one in seen if inside(one["outline_px"], data).any()]
    specimen = data.get("specimen") or {}
    fields = {
        "seen": seen,
        "clean": not seen,
        "truth": "rendered with exact truth",
        "mm_per_px": data.get("mm_per_px"),
        "test": specimen.get("test"),
        "area_px": data.get("area_outline_px") or (),
    }
    return _said(fields)


def inside(outline_px: Sequence[Sequence[float]], data: Mapping[str, Any]) -> np.ndarray:
    """Which points of an outline lie in the picture that a truth is of, (N,) bool; all where it does not tell its size."""
    points = np.asarray(outline_px, float).reshape(-1, 2)
    size = [data.get(name) or np.inf for name in ("width_px", "height_px")]
    return np.all((points > -0.5) & (points < np.array(size) - 0.5), axis=1)


def manifest(path: Path, common: Mapping[str, Any]) -> Iterator[tuple[Path, Entry]]:
    """The rows of a CSV manifest; ``file`` is relative to it, kinds and tags are parted by semicolons."""
    with foreign(path, "a manifest", "a CSV table in UTF-8 with a column called file"):
        reader = csv.DictReader(io.StringIO(content(path).decode("utf-8-sig")))
        names = [name or "" for name in reader.fieldnames or []]
        if "file" not in names:
            raise LibraryError("the manifest has no column called file", file=path, expected=", ".join(("file", *COLUMNS)))
        for name in names:
            if name != "file" and name not in COLUMNS:
                near = nearest(name, COLUMNS)
                mend = f'the nearest known column is "{near}"' if near else "remove it"
                raise LibraryError(f'unknown column "{name}"', file=path, expected=", ".join(COLUMNS), mend=mend)
        for number, row in enumerate(reader, start=2):
            where = f"{path}, line {number}"
            if None in row:
                raise LibraryError("the line has more values than the header has names", file=where)
            fields = {name: value.strip() for name, value in row.items() if value and value.strip()}
            if "file" not in fields:
                raise LibraryError("the line names no file", file=where)
            picture = path.parent / fields.pop("file")
            if not picture.is_file():
                raise LibraryError("the picture that the line names is not there", file=where, field=str(picture))
            yield picture, made({"title": picture.stem, **_said(common), **_typed(fields, where)}, file=where)


def _typed(fields: Mapping[str, str], where: str) -> dict[str, Any]:
    """The cells of a line as an entry's types."""
    out: dict[str, Any] = {}
    for name, text in fields.items():
        if name in ("tags", "kinds"):
            out["shows" if name == "kinds" else "tags"] = [part.strip() for part in text.split(";") if part.strip()]
        elif name in _NUMBERS:
            try:
                out[name] = _NUMBERS[name](text)
            except ValueError as error:
                raise LibraryError(f"got {text!r}", file=where, field=name, expected="a number with a decimal point") from error
        elif name == "clean":
            if text.lower() not in ("true", "false", "yes", "no"):
                raise LibraryError(f"got {text!r}", file=where, field=name, expected="true or false")
            out[name] = text.lower() in ("true", "yes")
        else:
            out[name] = text
    return out


def record(path: Path, common: Mapping[str, Any], photos: Iterable[Path] = ()) -> Iterator[tuple[Path, Entry]]:
    """Each photograph of a record with the features that were not rejected; the photograph is known by its hash."""
    from specimeter.record import model

    whole = model.load(path)
    specimen = whole.sheet.get("specimen") or {}
    fields = {
        "title": f"{whole.id}, {specimen.get('test', '').replace('-', ' ')}".rstrip(", "),
        "test": specimen.get("test"),
        "specimen": whole.id,
        "coupon": specimen.get("coupon"),
        "thickness_mm": specimen.get("parent_thickness_mm"),
        "process": (whole.sheet.get("weld") or {}).get("process"),
        "outcome": whole.outcome,
        "truth": None if whole.review.state == "unreviewed" else "measured, and reviewed by a named person",
        **_said(common),
    }
    for photo in whole.photos:
        features = [feature for feature in whole.features if feature.photo == photo.id and feature.status != "rejected"]
        scale = next((scale for scale in whole.scales if scale.photo == photo.id), None)
        area = next((area for area in whole.examined if area.photo == photo.id), None)
        yield (
            _by_hash(path.parent, photo, photos),
            made(
                {
                    **_said(fields),
                    "seen": [_seen(feature) for feature in features],
                    "clean": True if not features and whole.review.state != "unreviewed" else None if not features else False,
                    "mm_per_px": scale and scale.mm_per_px,
                    "area_px": area.outline_px if area else (),
                },
                file=path,
            ),
        )


def _seen(feature: Any) -> dict[str, Any]:
    names = ("length_mm", "U_length_mm", "width_mm", "U_width_mm", "area_mm2", "at_corner")
    values = {name: getattr(feature, name) for name in names}
    kind = feature.kind if feature.kind in KINDS else "other"
    cause = feature.cause if feature.cause in KINDS else None
    return _said({"id": feature.id, "kind": kind, "outline_px": feature.outline_px, "cause": cause, **values})


def _by_hash(folder: Path, photo: Any, photos: Iterable[Path]) -> Path:
    """The photograph of a record: the file whose SHA-256 is the one recorded."""
    places = [*photos, folder, folder.parent, folder.parent.parent]
    for place in places:
        found = (
            [place] if place.is_file() else sorted(inner for inner in place.glob("*") if inner.is_file() and is_picture(inner))
        )
        for candidate in sorted(found, key=lambda inner: inner.name != photo.file):
            try:
                if hashlib.sha256(candidate.read_bytes()).hexdigest() == photo.sha256:
                    return candidate
            except OSError as error:
                raise LibraryError(f"the picture cannot be read ({error.strerror})", file=candidate) from error
    raise LibraryError(
        f"the record's photograph {photo.file} is not beside it",
        file=folder,
        expected=f"a picture with SHA-256 {photo.sha256}",
        mend="name the photograph, or the folder that it lies in, with --photos",
    )


def _said(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value is not None and value != "" and value != ()}
