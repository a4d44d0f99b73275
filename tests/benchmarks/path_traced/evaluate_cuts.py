"""What the whole job makes of path-traced cuts: outlined or not, every size beside its truth, and the validation's table.

``python tests/benchmarks/path_traced/evaluate_cuts.py FOLDER [--json FILE]`` on what `cut.py` wrote.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2

from specimeter import files
from specimeter.validate import sections


def said(one: dict) -> str:
    """A line a photograph: how it went, and the sizes that are off by more than their U."""
    if one["error"] is not None:
        return f"{one['seed']} ({one['groups']['look']}, {one['groups']['ground']}): {one['error']['message']}"
    got = {name: value - one["true"][name] for name, value in one["sizes"].items() if name in one["true"]}
    off = [f"{name} {error:+.2f} (U {one['sizes'][f'U_{name}']:.2f})" for name, error in got.items()]
    wrong = [text for text, (name, error) in zip(off, got.items(), strict=True) if abs(error) > one["sizes"][f"U_{name}"]]
    return (
        f"{one['seed']} ({one['groups']['look']}, {one['groups']['ground']}): overlap {one['overlap']:.3f}, confidence "
        f"{one['confidence']:.2f}, {len(got)} of {len(one['true'])} sizes"
        + (f"; beyond U: {', '.join(wrong)}" if wrong else "")
    )


def main() -> None:
    """Print a line a photograph, then the rows of the validation's table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    results = []
    for path in sorted(options.folder.glob("cut-*.jpg")):
        results.append(sections.examined(path))
        print(said(results[-1]), flush=True)
    if options.json:
        files.write(options.json, json.dumps(results, default=float).encode())
    for row in sections.rows(results):
        print(f"{row.what}: {row.specimeter}" + (f" (by hand {row.plain})" if row.plain else ""))


if __name__ == "__main__":
    main()
