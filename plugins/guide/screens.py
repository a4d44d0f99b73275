"""Makes the pictures of the guide to the bench: the whole job on a sample, one picture a step, from a real window.

    python plugins/guide/screens.py [--width 1366 --height 768] [--out plugins/guide] [--format jpg]

On Linux without a screen run it under `xvfb-run -a -s "-screen 0 2600x1500x24"`.
"""

from __future__ import annotations

import argparse
import io
import os
import tempfile
import time
from pathlib import Path

os.environ["XDG_CONFIG_HOME"] = tempfile.mkdtemp()  # the person's own settings stay out of the pictures

import numpy as np
from PIL import Image
from qtpy.QtWidgets import QApplication
from specimeter_napari import tools
from specimeter_napari.window import bench_window

from specimeter import files
from specimeter.data import sample_images, shared
from specimeter.record import edit
from specimeter.segment.trace import even


def main() -> None:
    options = _options()
    viewer, bench = bench_window(out=Path(tempfile.mkdtemp()))
    window = viewer.window._qt_window
    window.resize(options.width, options.height)
    window.activateWindow()
    bench.name_person("Ada Harrow")

    def settle(seconds: float = 0.3) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end or bench.work is not None:
            QApplication.processEvents()
            time.sleep(0.005)

    def picture(name: str) -> None:
        settle()
        shot = window.grab().toImage()
        shot.save(f"{options.out}/{name}.png")
        if options.format == "jpg":
            Image.open(f"{options.out}/{name}.png").convert("RGB").save(f"{options.out}/{name}.jpg", quality=82, optimize=True)
            os.unlink(f"{options.out}/{name}.png")

    def arrived(test: str) -> None:
        """Wait until the record of a specimen of that test is on the bench."""
        while (
            bench.session is None or bench.session.record is None or test not in bench.session.record.sheet["specimen"]["test"]
        ):
            settle()
        settle(0.5)

    picture("0-start")
    bench.open(sample_images() / "side-bend-exceeds.jpg")
    arrived("side-bend")
    picture("4-features")
    record = bench.session.record
    bench.act("f1 accepted", edit.confirm, [record.features[0].id])
    bench.select((record.features[0].id,))
    settle()
    rim = even(np.array(record.features[0].outline_px))
    tool = tools.TraceTool(bench, lambda outline: None)
    tool.called = "trace"
    bench.take(tool)
    for place in (0, len(rim) // 5, 2 * len(rim) // 5):
        tool.click(rim[place])
    tool.move(rim[3 * len(rim) // 5])
    picture("4-trace")
    bench.take(None)
    viewer.reset_view()
    for number, step in enumerate(("specimen", "scale", "area"), start=1):
        bench.go(step)
        if step == "area":
            bench.show_unrolled()
        picture(f"{number}-{step}")
    bench.show_unrolled()
    bench.go("limits")
    bench.pages["limits"].read(shared() / "limits" / "bend-single-total-corner-mm.toml")
    picture("5-limits")
    bench.act("accepted", edit.confirm, [feature.id for feature in record.features])
    bench.act("the whole face looked over", edit.looked_over)
    bench.write()
    settle(0.5)
    bench.go("finding")
    picture("6-finding")
    bench.open(sample_images() / "macro-fillet-exceeds.jpg")
    arrived("macro-fillet")
    bench.pages["features"].section.selectRow(2)
    picture("4-section")
    with tempfile.TemporaryDirectory() as folder:
        bench.open(sample_images() / "nick-break-exceeds.jpg")
        arrived("nick-break")
        turned = Path(folder) / "other-half.jpg"
        with Image.open(bench.session.photo.path) as half:
            data = io.BytesIO()
            half.transpose(Image.Transpose.ROTATE_180).save(data, "JPEG", quality=95, exif=half.info.get("exif", b""))
        files.write(turned, data.getvalue())
        bench.add_photo(turned)
        settle()
        features, size = bench.session.record.features, np.array(bench.session.photo.rgb.shape[1::-1]) - 1
        middle = lambda one: np.array(one.outline_px).mean(axis=0)
        one = features[0]
        apart = {
            f.id: np.linalg.norm(middle(f) - (size - middle(one))) for f in features if (f.photo, f.kind) == ("p2", one.kind)
        }
        bench.act("linked", edit.same, min(apart, key=apart.get), one.id)
        bench.select((one.id,))
        viewer.reset_view()
        picture("4-two-photographs")
    bench.leave()
    viewer.close()


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--width", type=int, default=1366)
    parser.add_argument("--height", type=int, default=768)
    parser.add_argument("--out", default=Path(__file__).parent)
    parser.add_argument("--format", choices=("jpg", "png"), default="jpg")
    return parser.parse_args()


if __name__ == "__main__":
    main()
