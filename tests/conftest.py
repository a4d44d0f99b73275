"""Pictures that many tests share, each with its sheet, truth and limits, rendered once a run: a bend and a broken face."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pytest

collect_ignore = ["benchmarks"]  # what is measured, not judged: run by hand, and some import their neighbours

LIMITS = """
[limits]
title = "One face, one opening"
basis = "invented for the tests"
decision = "guarded"

[[rule]]
id = "single"
name = "greatest dimension of one"
kinds = ["opening", "crack", "pore", "slag", "other", "lack-of-sidewall-fusion", "lack-of-fusion"]
size = "length_mm"
test = "each"
limit = 3
unit = "mm"
sense = "at most"
"""


class Case(NamedTuple):
    """The files of one rendered photograph."""

    photo: Path
    sheet: Path
    limits: Path
    truth: dict


def render_case(folder: Path, stem: str, seed: int, **choices) -> Case:
    """Render one random scene into a folder; `choices` as in `random_scene`."""
    from specimeter.scene.files import save
    from specimeter.scene.random import random_scene
    from specimeter.scene.render import render

    picture = render(random_scene(seed, **choices))
    save(picture, folder, stem)
    limits = folder / f"{stem}.limits.toml"
    limits.write_text(LIMITS, encoding="utf-8")
    return Case(folder / f"{stem}.jpg", folder / f"{stem}.sheet.toml", limits, picture.truth)


@pytest.fixture(scope="session")
def bend_case(tmp_path_factory) -> Case:
    """A side bend beside a strip card at the crown's height, 1.4 MP."""
    folder = tmp_path_factory.mktemp("bend-case")
    return render_case(
        folder,
        "side",
        11,
        width_px=1400,
        card="strip",
        height="level",
        bench="paper",
        finish="blasted",
        tilt_deg=5,
        angle_deg=180.0,
    )


@pytest.fixture(scope="session")
def break_case(tmp_path_factory) -> Case:
    """A nick-break half with some pores, one of nearly 4 mm, beside a strip card at its height, 0.3 MP: measured in a
    quarter of the time that a bend takes, for whatever does not ask how a photograph is measured.
    """
    folder = tmp_path_factory.mktemp("break-case")
    return render_case(folder, "half", 15_000_400, test="nick-break", width_px=600, card="strip", height="level", bench="paper")
