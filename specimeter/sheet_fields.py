"""The kinds of value that a sheet's fields hold: points, outlines, lines of text, days, and numbers within bounds."""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Discriminator, Field, Strict, Tag

from specimeter.toml_file import shown, wrong

if TYPE_CHECKING:
    import numpy as np

OBSERVATION = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
MAX_CORNERS = 2000  # of an outline drawn by hand
CORNERS = f"a list of 3 to {MAX_CORNERS} points [x, y] in pixels, in order around it"
MAX_NAME_BYTES = 200
RESERVED_NAMES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}


def _printable(text: str) -> str:
    if not text.strip() or not text.isprintable():
        raise wrong(f"got {shown(text)}, which is blank or holds a character that cannot be printed")
    return text


def _safe_name(text: str) -> str:
    """An id names the record's folder, so it must be a good file name everywhere."""
    bad = next((char for char in text if not (char.isalnum() or char in " ._-+()#")), None)
    if bad is not None:
        raise wrong(f"the id {text!r} holds {bad!r}, which cannot stand in a folder's name on every computer")
    if len(text.encode()) > MAX_NAME_BYTES:
        raise wrong(f"the id {text!r} is too long for a folder's name on every computer")
    if text != text.strip(" .") or text.split(".")[0].strip().lower() in RESERVED_NAMES:
        raise wrong(f"the id {text!r} cannot be a folder's name: it is reserved, or begins or ends with a space or a dot")
    return text


def _axis(value: Any) -> Any:
    if value in ("vertical", "horizontal") or (isinstance(value, list | tuple) and len(value) == 2):
        return value
    raise wrong(f"got {shown(value)}", mend='did you mean "vertical"?' if "vert" in str(value).lower() else None)


def _axis_form(value: Any) -> str:
    return "[word]" if isinstance(value, str) else "[points]"


def _seen(value: Any) -> Any:
    if isinstance(value, bool) or value == "undetermined":
        return value
    mend = f"write {'true' if value == 'yes' else 'false'} without quotation marks" if value in ("yes", "no") else None
    raise wrong(f"got {shown(value)}", expected='true, false or "undetermined"', mend=mend)


def _observation_name(name: str) -> str:
    if not OBSERVATION.fullmatch(name):
        raise wrong(
            f"the name {name!r} is not one a rule can call",
            expected="small letters, digits and hyphens, such as complete-root-fusion",
        )
    return name


def _two_places(points: Any) -> Any:
    if math.dist(*points) < 1:
        raise wrong("the two points are less than one pixel apart, which gives no direction")
    return points


def _day(value: Any) -> Any:
    """TOML gives dates, a stored record gives them as text."""
    if isinstance(value, str):
        with contextlib.suppress(ValueError):
            return date.fromisoformat(value) if len(value) == 10 else datetime.fromisoformat(value)
    if isinstance(value, date):
        return value
    raise wrong(f"got {shown(value)}")


def number(low: float, high: float, what: str, *, above: bool = False, default: Any = None) -> Any:
    """A field for a finite number within bounds; its description says so in an error."""
    bounds: dict[str, Any] = {"gt": low} if above else {"ge": low}
    words = f"above {low:g} and at most {high:g}" if above else f"from {low:g} to {high:g}"
    return Field(default, le=high, description=f"{what}: a number {words}", **bounds)


Coordinate = Annotated[float, Field(ge=-1, le=200_000)]
Point = Annotated[tuple[Coordinate, Coordinate], Strict(False)]
TwoPoints = Annotated[tuple[Point, Point], Strict(False), AfterValidator(_two_places)]
Axis = Annotated[
    Annotated[Literal["vertical", "horizontal"], Tag("[word]")] | Annotated[TwoPoints, Tag("[points]")],
    Discriminator(_axis_form),
    BeforeValidator(_axis),
]
Polygon = Annotated[tuple[Point, ...], Strict(False), Field(min_length=3, max_length=MAX_CORNERS)]
Text = Annotated[str, Field(max_length=500), AfterValidator(_printable)]
FolderName = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_safe_name)]
ObservationName = Annotated[str, AfterValidator(_observation_name)]
Observation = Annotated[bool | Literal["undetermined"], BeforeValidator(_seen)]
Day = Annotated[datetime | date, BeforeValidator(_day)]


def words(what: str) -> Any:
    """An optional field for a line of text."""
    return Field(None, description=f"{what}: a line of text")


def outline_fault(outline: Sequence[Sequence[float]] | np.ndarray) -> str | None:
    """Why a closed polygon of [x, y] points encloses no proper area (no area, or it crosses itself), or None if it does."""
    import numpy as np

    a = np.asarray(outline, float).reshape(-1, 2)
    b = np.roll(a, -1, axis=0)
    repeated = np.flatnonzero((a == b).all(axis=1))
    if repeated.size:
        number = int(repeated[0]) + 1
        return f"point {number} and the next one are the same" + (
            " (the first is not repeated at the end)" if number == len(a) else ""
        )

    def side(
        p: np.ndarray, q: np.ndarray, r: np.ndarray
    ) -> np.ndarray:  # which side of the line p-q each r lies on: shape (N, N)
        d = (q - p)[:, None]
        e = r[None] - p[:, None]
        return np.sign(d[..., 0] * e[..., 1] - d[..., 1] * e[..., 0])

    parted = side(a, b, a) * side(a, b, b) < 0  # [i, j]: the ends of side j lie on either hand of side i
    apart = parted & parted.T
    if apart.any():
        first, second = (int(i) + 1 for i in np.argwhere(apart)[0])
        return f"the outline crosses itself: its side {first} cuts its side {second}"
    if abs(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum())) / 2 < 1:
        return "the outline encloses no area (less than one square pixel)"
    return None
