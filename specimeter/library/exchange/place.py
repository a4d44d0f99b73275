"""What foreign files may do: name pictures within their own folder and nowhere else, and be wrong without a crash."""

from __future__ import annotations

import contextlib
import csv
from collections.abc import Iterator
from pathlib import Path

import cv2

from specimeter import files
from specimeter.errors import LibraryError

MOST_BYTES = 500_000_000  # of a list of pictures and outlines

#: What reading data of another shape than expected raises, deep nesting and names that no file can have among it.
FAULTS = (
    OSError, ValueError, KeyError, IndexError, TypeError, AttributeError, OverflowError, RecursionError, csv.Error, cv2.error,
)  # fmt: skip


@contextlib.contextmanager
def foreign(path: Path, what: str, expected: str | None = None) -> Iterator[None]:
    """Inside, whatever is wrong with the file's content becomes a LibraryError that says what the file is not."""
    try:
        yield
    except FAULTS as error:
        if isinstance(error, LibraryError):
            raise
        reason = str(error) or type(error).__name__
        raise LibraryError(f"this is not {what} ({type(error).__name__}: {reason})", file=path, expected=expected) from error


def content(path: Path) -> bytes:
    """What a data set's list holds; OSError if it is larger than any list that this machine should take into its memory."""
    return files.read(path, most=MOST_BYTES)


def inside(path: Path, name: str) -> Path:
    """The file called `name` beside `path`; LibraryError if it would lie outside of that folder."""
    folder = path.parent.resolve()
    picture = (folder / name).resolve()
    if not picture.is_relative_to(folder):
        raise LibraryError("a picture lies outside the data set's folder", file=path, field=name)
    return picture
