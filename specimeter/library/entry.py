"""One entry of the library: a picture, what it shows, how well that is known, and by whose leave it is kept."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from specimeter.errors import LibraryError
from specimeter.measure import MOST_FEATURES
from specimeter.sheet import KINDS, Kind, Test
from specimeter.toml_file import nearest

TESTS: tuple[str, ...] = get_args(Test)
Outcome = Literal["within", "exceeds", "undecided", "not-measured", "replace", "void", "no-limits"]
OUTCOMES: tuple[str, ...] = get_args(Outcome)

Text = Annotated[str, Field(max_length=4000)]
Short = Annotated[str, Field(min_length=1, max_length=200)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Point = tuple[float, float]


class Part(BaseModel):
    """Frozen, unknown keys refused, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, hide_input_in_errors=True)


class Seen(Part):
    """One imperfection in the picture: `outline_px` in [x, y] pixels of the upright picture; sizes in mm, U with k = 2."""

    id: Short
    kind: Kind
    outline_px: tuple[Point, ...] = ()
    length_mm: Positive | None = None
    U_length_mm: NotNegative | None = None
    width_mm: Positive | None = None
    U_width_mm: NotNegative | None = None
    area_mm2: Positive | None = None
    at_corner: bool | None = None
    cause: Kind | None = None
    why: Text | None = None  # the trainer's own words: how to know it


class Reading(Part):
    """What one person saw in the picture, without knowing what others saw."""

    reader: Short
    seen: tuple[Seen, ...] = ()
    verdict: Literal["accept", "reject"] | None = None


class Entry(Part):
    """What the library knows of one picture. What is not known is absent.

    `permission` says who allowed the picture to be reused and how that can be shown: without it and a licence nothing is
    published. `quality` says how good an example it is, 0 to 100. `clean` is True only where somebody looked and found nothing.
    """

    title: Annotated[str, Field(min_length=1, max_length=200)]
    test: Test | None = None
    joint: Short | None = None
    process: Short | None = None
    material: Short | None = None
    thickness_mm: Positive | None = None
    author: Short | None = None
    licence: Short | None = None
    permission: Text | None = None
    tags: tuple[Short, ...] = ()
    notes: Text | None = None
    truth: Text | None = None  # how the truth is known: "rendered, exact", "cut open and measured"
    quality: Annotated[int, Field(ge=0, le=100)] = 50
    outcome: Outcome | None = None
    clean: bool | None = None
    coupon: Short | None = None
    specimen: Short | None = None
    mm_per_px: Positive | None = None
    area_px: tuple[Point, ...] = ()
    shows: tuple[Kind, ...] = ()  # kinds named without an outline
    seen: Annotated[tuple[Seen, ...], Field(max_length=MOST_FEATURES)] = ()
    readings: tuple[Reading, ...] = ()

    @property
    def kinds(self) -> tuple[str, ...]:
        """Every kind that the picture shows, by outline, by cause or by name, in the order of `KINDS`."""
        named = {*self.shows, *(feature.kind for feature in self.seen), *(feature.cause for feature in self.seen)}
        return tuple(kind for kind in KINDS if kind in named)

    @property
    def publishable(self) -> bool:
        """Whether it has both a licence and a permission."""
        return bool((self.licence or "").strip()) and bool((self.permission or "").strip())


def made(data: Mapping[str, Any], *, file: str | Path | None = None) -> Entry:
    """An entry from foreign data; LibraryError names the field that is wrong, what was expected and the nearest known name."""
    try:
        return Entry.model_validate(dict(data))
    except ValidationError as cause:
        first = cause.errors(include_url=False)[0]
        field = ".".join(str(part) for part in first["loc"])
        known = ", ".join(Entry.model_fields)
        mend = None
        if first["type"] == "extra_forbidden":
            near = nearest(field, Entry.model_fields)
            mend = f'the nearest known field is "{near}"' if near else "remove it"
            raise LibraryError(f'unknown field "{field}"', file=file, field=field, expected=known, mend=mend) from cause
        given = data.get(field) if "." not in field else None
        if first["type"] == "literal_error" and isinstance(given, str):
            near = nearest(given, KINDS + TESTS + OUTCOMES)
            mend = f'did you mean "{near}"?' if near else None
        raise LibraryError(
            f"got {given!r}" if given is not None else first["msg"], file=file, field=field, expected=first["msg"], mend=mend
        ) from cause
