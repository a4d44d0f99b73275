"""The options of the validation: read before anything heavy is loaded."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

BENDS = "bends"


def parser() -> argparse.ArgumentParser:
    """All options of the validation."""
    own = argparse.ArgumentParser(
        prog="specimeter validate",
        description="Render random scenes whose truth is known exactly, run the main job and a plain scikit-image pipeline on "
        "each, and print how they did. The scenes' seeds are reserved for this and used for nothing else.",
    )
    own.add_argument("--scenes", type=int, default=40, metavar="N", help="how many of each test (default: 40)")
    own.add_argument(
        "--seed", type=int, metavar="S", help="which scenes: the first one's number (default: drawn, and written down)"
    )
    own.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="J", help="processes (default: one a core)")
    own.add_argument("--width", type=int, default=2000, metavar="PX", help="long side of the photographs (default: 2000)")
    own.add_argument("--cache", type=Path, metavar="DIR", help="keep the rendered scenes here, and use those that are there")
    own.add_argument("--render-only", action="store_true", help="only fill the cache")
    own.add_argument("--out", type=Path, metavar="DIR", help="write validation.pdf, .md and .json here")
    own.add_argument("--stage", choices=("all", "segment"), default="all", help="segment: given true scale, surface and area")
    own.add_argument("--method", default="learned", metavar="NAME", help="which segmenter (default: learned)")
    own.add_argument(
        "--test",
        metavar="TEST",
        default=BENDS,
        type=_test,
        help="scenes of this test; bends: of any kind of bend (default); all: bends, then each other test in turn",
    )
    own.add_argument("--large", action="store_true", help="also time one photograph of 24 megapixels in a process of its own")
    return own


def _test(name: str) -> str:
    if name not in ("all", BENDS):
        from specimeter.sheet import BEND_TESTS, BROKEN_TESTS, MACRO_TESTS

        known = (*BEND_TESTS, *BROKEN_TESTS, *MACRO_TESTS)
        if name not in known:
            raise argparse.ArgumentTypeError(f"invalid choice: {name!r} (choose from all, {BENDS}, {', '.join(known)})")
    return name
