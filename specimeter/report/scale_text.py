"""A scale alone, as the terminal prints it: what it is, its budget, what it rests on, what to mind."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from specimeter.report import budget, found, words
from specimeter.report.text import plain, wrapped
from specimeter.rounding import figures, plus_minus
from specimeter.scale.model import Scale
from specimeter.scale.surface import Flat, Surface

_SHOWN = ("source", "value", "u", "unit", "sensitivity", "of a length", "degrees of freedom")


def summary(
    photo_file: str, scale: Scale, surface: Surface | None, middle_px: Sequence[float] | np.ndarray, doubts: Sequence[str] = ()
) -> str:
    """A few dozen lines, ending without a newline.

    Parameters
    ----------
    surface : Surface or None
        Where the specimen lies; None: the marker's own plane at the height used.
    middle_px : [x, y]
        Where the scale is stated.
    doubts : sequence of str
        More to mind.
    """
    where = "on the specimen's crown" if surface is not None and surface.shape == "bend" else "on the measured surface"
    size = mm_per_px(scale, surface, middle_px)
    facts = [
        ["method", scale.method],
        [f"scale {where}", f"{plus_minus(size, 2 * scale.u_rel * size)} mm per px (k = 2)"],
        ["that is", f"{figures(1 / size, 4)} px per mm, at pixel [{middle_px[0]:.0f}, {middle_px[1]:.0f}]"],
        ["height over the marker", f"{plus_minus(scale.surface_height_mm, 2 * scale.surface_height_u_mm)} mm (k = 2)"],
        ["tilt of the camera", f"{figures(scale.tilt_deg, 2)} deg"],
        *budget.sums(scale.budget, scale.u_rel),
    ]
    lines = [*wrapped(f"{photo_file}: scale", ""), *_facts(facts), "", *_table(scale.budget), ""]
    lines += ["What was found", *_facts(found.rows(scale.evidence, found.SCALE))]
    cautions = [*scale.cautions, *(surface.cautions if surface is not None else ()), *doubts]
    if cautions:
        lines += ["", "Cautions", *(line for caution in cautions for line in wrapped(words.sentence(caution), "  "))]
    return "\n".join(lines)


def mm_per_px(scale: Scale, surface: Surface | None, middle_px: Sequence[float] | np.ndarray) -> float:
    """Square root of the area in mm2 that one pixel covers there."""
    return (surface or Flat(view=scale.view, height_mm=scale.surface_height_mm)).mm_per_px_at(np.asarray(middle_px, float))


def _facts(rows: Sequence[Sequence[str]]) -> list[str]:
    wide = max((len(name) for name, _ in rows), default=0)
    return [line for name, value in rows for line in wrapped(f"{name.ljust(wide)}  {value}", "  ")]


def _table(terms: Sequence) -> list[str]:
    """The budget's lines in columns, each line's basis beneath it."""
    rows = [list(_SHOWN), *([plain(cell) for cell in row] for row in budget.rows(terms))]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_SHOWN))]
    lines = ["Budget (standard uncertainties, k = 1)"]
    for number, row in enumerate(rows):
        cells = [
            text.rjust(width) if column in budget.NUMBERS else text.ljust(width)
            for column, (text, width) in enumerate(zip(row, widths, strict=False))
        ]
        lines.append(("  " + "  ".join(cells)).rstrip())
        if number:
            lines += wrapped(row[budget.BASIS], "      ")
    return lines
