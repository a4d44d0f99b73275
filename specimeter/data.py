"""Where the data that ship with specimeter lie: limit examples and sample photographs, in a checkout or installed."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def shared() -> Path:
    """Folder of the data that core, plugins and tests read."""
    return _folder("_shared", "shared")


def sample_images() -> Path:
    """Folder of the sample photographs with their sheets, limits and truth."""
    return _folder("_sample_images", "sample_images")


def _folder(installed: str, checkout: str) -> Path:
    inside = _PACKAGE / installed
    return inside if inside.is_dir() else _PACKAGE.parent / checkout
