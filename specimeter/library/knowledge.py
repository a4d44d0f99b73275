"""What the library knows of kinds, tests and causes: read from tables that the trainer may edit."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from specimeter.data import shared
from specimeter.errors import LibraryError
from specimeter.sheet import KINDS, Kind

Capability = Literal["yes", "partial", "no"]
Text = Annotated[str, Field(max_length=2000)]


class Part(BaseModel):
    """Frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Alike(Part):
    """A kind that this one is mistaken for, and how to tell them apart."""

    kind: Kind
    tell: Text


class Term(Part):
    """One kind, in our own words."""

    id: Kind
    name: Text
    iso_6520_1: Text = ""
    definition: Text
    looks: Text
    formed: Text
    usually_asked: Text
    schematic: Text
    alike: tuple[Alike, ...] = ()


class Imperfection(Part):
    """Something that the table of tests knows and that is finer than a kind."""

    id: Text
    name: Text
    kinds: tuple[Kind, ...] = ()


class Test(Part):
    """One destructive test: what it is for, and for which joints and thicknesses in mm."""

    __test__ = False  # not one of pytest's

    id: Text
    name: Text
    nature: Literal["qualitative", "quantitative"]
    joints: tuple[Literal["butt", "fillet", "lap", "tee"], ...]
    least_thickness_mm: float | None = None
    most_thickness_mm: float | None = None
    one_plane: bool = False  # it looks at one cut, and says nothing of the length
    strains: Text
    says: Text
    note: Text = ""


class Terms(Part):
    """The whole of ``terms.toml``."""

    kind: tuple[Term, ...]
    imperfection: tuple[Imperfection, ...] = ()
    test: tuple[Test, ...]


class Cause(Part):
    """One cause of a kind, why it makes it, and what helps."""

    kind: Text
    iso_6520_1: Text = ""
    cause: Text
    why: Text = ""
    remedy: Text = ""
    source: Text


class Cover(Part):
    """How well a test shows an imperfection, and why."""

    test: Text
    imperfection: Text
    capability: Capability
    note: Text = ""
    source: Text


@dataclass(frozen=True, kw_only=True)
class Knowledge:
    """Terms by kind, tests by id, names of imperfections, the table of coverage and the causes."""

    terms: Mapping[str, Term]
    tests: Mapping[str, Test]
    imperfections: Mapping[str, str]
    kinds_of: Mapping[str, tuple[str, ...]]
    coverage: tuple[Cover, ...]
    causes: tuple[Cause, ...]

    def causes_of(self, kind: str) -> tuple[Cause, ...]:
        """The causes of one kind, in the table's order."""
        return tuple(cause for cause in self.causes if cause.kind == kind)

    def covers(self, kind: str) -> tuple[Cover, ...]:
        """The lines of the table that speak of a kind, or of an imperfection that is one of it."""
        return tuple(line for line in self.coverage if line.imperfection == kind or kind in self.kinds_of[line.imperfection])


def read(library: str | Path | None = None) -> Knowledge:
    """The tables of a library, or where it is None (or has none of its own) those that ship with specimeter.

    Raises
    ------
    LibraryError
        A table is missing, cannot be read, or says something that is not known; names the file, the line and the field.
    """
    own = Path(library) / "knowledge" if library else None

    def place(name: str) -> Path:
        return own / name if own and (own / name).is_file() else shared() / name

    path = place("terms.toml")
    try:
        terms = Terms.model_validate(tomllib.loads(path.read_bytes().decode("utf-8")))
    except ValidationError as error:
        raise _at(path, error) from error
    except (OSError, ValueError) as error:  # TOML and UTF-8 both
        raise LibraryError(f"it cannot be read: {error}", file=path) from error
    tests = {test.id: test for test in terms.test}
    names = {term.id: term.name for term in terms.kind} | {one.id: one.name for one in terms.imperfection}
    kinds_of = {name: (name,) if name in KINDS else () for name in names} | {one.id: one.kinds for one in terms.imperfection}
    coverage = _table(place("test_coverage.csv"), Cover)
    for number, line in enumerate(coverage, start=2):
        for field, value, known in (("test", line.test, tests), ("imperfection", line.imperfection, names)):
            if value not in known:
                where = f"{place('test_coverage.csv')}, line {number}"
                raise LibraryError(f'unknown {field} "{value}"', file=where, field=field, expected=", ".join(known))
    return Knowledge(
        terms={term.id: term for term in terms.kind},
        tests=tests,
        imperfections=names,
        kinds_of=kinds_of,
        coverage=coverage,
        causes=_table(place("causes.csv"), Cause),
    )


def _table(path: Path, model: type[Part]) -> tuple:
    try:
        lines = list(csv.DictReader(io.StringIO(path.read_bytes().decode("utf-8-sig"))))
    except (OSError, ValueError, csv.Error) as error:
        raise LibraryError(f"it cannot be read: {error}", file=path, expected="a CSV table in UTF-8") from error
    out = []
    for number, line in enumerate(lines, start=2):
        try:
            out.append(model.model_validate({key: value or "" for key, value in line.items()}))
        except (ValidationError, TypeError) as error:
            raise _at(f"{path}, line {number}", error) from error
    return tuple(out)


def _at(where: str | Path, error: ValidationError | TypeError) -> LibraryError:
    if isinstance(error, TypeError):
        return LibraryError("the line has more values than the header has names", file=where)
    first = error.errors(include_url=False)[0]
    return LibraryError(first["msg"], file=where, field=".".join(str(part) for part in first["loc"]))
