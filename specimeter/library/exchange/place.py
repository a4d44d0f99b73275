"""Where a picture that a foreign file names may lie: within the folder of that file, and nowhere else."""

from __future__ import annotations

from pathlib import Path

from specimeter.errors import LibraryError


def inside(path: Path, name: str) -> Path:
    """The file called `name` beside `path`; LibraryError if it would lie outside of that folder."""
    folder = path.parent.resolve()
    picture = (folder / name).resolve()
    if not picture.is_relative_to(folder):
        raise LibraryError("a picture lies outside the data set's folder", file=path, field=name)
    return picture
