"""What can go wrong that a person can mend: every message says what, where, what was expected and how to mend it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any


class SpecimeterError(Exception):
    """Base class: the command line and the plugin catch this and nothing wider.

    Parameters
    ----------
    problem : str
        What was wrong, one plain clause, with the offending value.
    file : str or Path, optional
        The file it was found in.
    field : str, optional
        The field in that file, dotted: ``bend.former_diameter_mm``.
    expected : str, optional
        What would have been right.
    mend : str, optional
        What the person can do about it.
    """

    def __init__(
        self,
        problem: str,
        *,
        file: str | Path | None = None,
        field: str | None = None,
        expected: str | None = None,
        mend: str | None = None,
    ) -> None:
        super().__init__(problem)
        self.problem, self.file, self.field, self.expected, self.mend = problem, file, field, expected, mend

    def __reduce__(
        self,
    ) -> tuple[
        Callable[..., SpecimeterError], tuple[Any, ...]
    ]:  # keeps the keywords, so the error survives pickling between processes
        return _rebuild, (type(self), self.problem, self.file, self.field, self.expected, self.mend)

    def __str__(self) -> str:
        where = ", ".join(str(part).replace("\n", "\\n") for part in (self.file, self.field) if part)
        text = f"{where}: {self.problem}" if where else self.problem
        if self.expected:
            text += f"\n  expected: {self.expected}"
        if self.mend:
            text += f"\n  to mend it: {self.mend}"
        return "".join(char if char.isprintable() or char == "\n" else repr(char)[1:-1] for char in text)


def _rebuild(
    cls: type[SpecimeterError], problem: str, file: str | None, field: str | None, expected: str | None, mend: str | None
) -> SpecimeterError:
    return cls(problem, file=file, field=field, expected=expected, mend=mend)


class PhotoError(SpecimeterError, ValueError):
    """A photograph is missing, unreadable, not a photograph, or too large."""


class SheetError(SpecimeterError, ValueError):
    """The specimen sheet has an unknown key, a wrong type, an absurd value or an impossible combination."""


class LimitsError(SpecimeterError, ValueError):
    """The acceptance limits cannot be read, or an expression in them cannot be parsed."""


class ScaleError(SpecimeterError, ValueError):
    """Millimetres cannot be had from this photograph: no marker, too few, too many, or points that make no scale."""


class SurfaceError(SpecimeterError, ValueError):
    """The shape that the pixels lie on cannot be placed in the photograph."""


class AreaError(SpecimeterError, ValueError):
    """The examined area is missing, outside the picture, empty, or its outline crosses itself."""


class RecordError(SpecimeterError, OSError):
    """A record cannot be written or read: folder not writable, already there, disk full, or damaged."""


class OutlineError(SpecimeterError, ValueError):
    """An outline is not one: fewer than three points, a wrong shape, or a coordinate that is not a number."""


class LibraryError(SpecimeterError, ValueError):
    """The library of reference pictures is missing, damaged, or was given something that it cannot keep."""
