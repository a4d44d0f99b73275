"""The laboratory's own part of every report: its name, address, logo and language, from a file ``settings.toml``.

language = "de"                       # of the report: "en" (default), "de", or a catalogue beside this file, "fr.toml"
logo = "logo.png"                     # PNG or JPEG, beside this file
[laboratory]
name = "Example workshop"
address = "1 Quay Street, 20000 Harbour"
contact = "office@example.invalid"
"""

from __future__ import annotations

import io
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image, UnidentifiedImageError
from pydantic import Field

from specimeter.errors import SheetError
from specimeter.report import language as languages
from specimeter.report.language import ENGLISH, SHIPPED, Language
from specimeter.sheet_fields import Text, words
from specimeter.toml_file import Table, validated

if TYPE_CHECKING:
    import numpy as np
from specimeter.toml_file import read as read_toml

FILE, LOGO, CATALOGUE = "settings.toml", "logo.png", "language.toml"
MOST_LOGO_BYTES, LOGO_PX = 20_000_000, 800


class Laboratory(Table):
    """Who answers for the report."""

    name: Text = Field(description="the laboratory's name: a line of text")
    address: Text | None = words("its address")
    contact: Text | None = words("how to reach it")


class Settings(Table):
    """The whole file."""

    language: Text = Field("en", description='language of the report: "en", "de", or a catalogue\'s file beside this one')
    logo: Text | None = words("file of the logo, PNG or JPEG, beside this one")
    laboratory: Laboratory | None = Field(None, description="the table [laboratory]: name, address, contact")


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """The settings with the logo's own bytes (PNG, no metadata), so that nothing else needs to be read."""

    settings: Settings = field(default_factory=Settings)
    logo: bytes | None = None
    language: Language = ENGLISH

    def files(self) -> dict[str, bytes]:
        """The files that a record's folder keeps of it, which `read` reads back as the same house; none for the plain one."""
        if self == PLAIN:
            return {}
        lines = [f"language = {json.dumps(self.settings.language)}"]
        lines += [f"logo = {json.dumps(LOGO)}"] if self.logo is not None else []
        if (laboratory := self.settings.laboratory) is not None:
            entries = laboratory.model_dump(exclude_none=True)
            lines += ["[laboratory]", *(f"{name} = {json.dumps(value, ensure_ascii=False)}" for name, value in entries.items())]
        files = {FILE: "\n".join([*lines, ""]).encode()}
        if self.logo is not None:
            files[LOGO] = self.logo
        if self.settings.language not in SHIPPED:
            files[CATALOGUE] = self.language.source or b""
        return files


PLAIN = House()


def read(path: str | Path) -> House:
    """Read and check a settings file and its logo.

    Raises
    ------
    SheetError
        The file cannot be read or a value in it is wrong, or the logo is no picture.
    """
    path = Path(path)
    settings = validated(Settings, read_toml(path, what="the settings", error=SheetError), file=path, error=SheetError)
    language = languages.read(settings.language, path.parent)
    if settings.language not in SHIPPED:
        settings = settings.model_copy(update={"language": CATALOGUE})
    if settings.logo is None:
        return House(settings=settings, language=language)
    logo = _picture(path.parent / settings.logo, path)
    return House(settings=settings.model_copy(update={"logo": LOGO}), logo=logo, language=language)


def beside(folder: str | Path) -> House:
    """The house of a ``settings.toml`` in this folder; the plain one where there is none. Raises as `read`."""
    file = Path(folder) / FILE
    return read(file) if file.is_file() else PLAIN


def _picture(file: Path, settings: Path) -> bytes:
    try:
        if file.stat().st_size > MOST_LOGO_BYTES:
            raise ValueError("it is larger than 20 MB")
        with Image.open(file, formats=("PNG", "JPEG")) as picture:
            if picture.format == "PNG" and max(picture.size) <= LOGO_PX and not picture.info:
                return file.read_bytes()  # as `files` wrote it: read back it is the same
            clean = picture.convert("RGBA")
            clean.thumbnail((LOGO_PX, LOGO_PX))
    except (OSError, ValueError, UnidentifiedImageError, Image.DecompressionBombError) as error:
        raise SheetError(
            f"the logo {file.name!r} cannot be read ({error})", file=settings, field="logo", expected="a PNG or JPEG beside it"
        ) from error
    png = io.BytesIO()
    Image.fromarray(_flat(clean)).save(png, format="PNG", optimize=True)
    return png.getvalue()


def _flat(picture: Image.Image) -> np.ndarray:
    """Pixels (H, W, 3) over white: PDF/A-2b and print have no use for transparency."""
    import numpy as np

    white = Image.new("RGBA", picture.size, "white")
    return np.asarray(Image.alpha_composite(white, picture).convert("RGB"))
