"""How long a library of many pictures takes to search, to add to and to open: `bench_library.py 1000 10000`.

Entries are synthetic: no picture files, random words, kinds, sizes and descriptions. Prints one table; judges nothing.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from specimeter.library import catalogue, look, picture, store
from specimeter.library.alike import Looks
from specimeter.library.entry import OUTCOMES, TESTS, Seen, made
from specimeter.library.find import Query, find
from specimeter.sheet import KINDS

WORDS = (  # noqa: SIM905
    "clean bright dull torn straight along wall root cap toe crater start stop weave narrow wide deep shallow oxide scale "
    "grinding linished blasted etched nital bevel gap run pass bead slag flux draught damp primer rust plate pipe flange "
    "branch saddle bracket beam bridge tank vessel crane hook rail pole gate lock weir barge hull deck"
).split()
SEARCHES = {
    "one common word": Query(words="torn"),
    "beginning of a word": Query(words="st"),
    "three words": Query(words="torn straight root"),
    "a rare word": Query(words="serial77"),
    "a word that is nowhere": Query(words="zebra"),
    "kind": Query(kind="pore"),
    "kind, test and process": Query(kind="slag", test="side-bend", process="136"),
    "kind that is at no such test": Query(kind="fisheye", words="weir hull", test="macro-butt"),
    "length from 2 to 3 mm": Query(least_mm=2, most_mm=3),
    "length of at least 0.1 mm": Query(least_mm=0.1),
    "crack of 11.9 to 12 mm": Query(kind="crack", least_mm=11.9, most_mm=12.0),
    "outcome": Query(outcome="exceeds"),
    "clean faces": Query(clean=True),
    "everything": Query(),
    "like this one": Query(like=7),
    "like this one, cracks": Query(like=7, kind="crack"),
    "like this one, all that may be published": Query(like=7, publishable=True),
    "like this one, a rare word": Query(like=7, words="serial77"),
}


def fill(library: store.Store, number: int) -> float:
    """Put synthetic entries in, straight into the database; returns seconds."""
    rng = np.random.default_rng(20)
    start = time.perf_counter()
    for base in range(0, number, 5000):
        with library.writing() as sql:
            for id_ in range(base, min(base + 5000, number)):
                seen = []
                for feature in range(int(rng.integers(0, 5))):
                    length = float(np.exp(rng.uniform(np.log(0.3), np.log(12))))
                    seen.append(Seen(id=f"f{feature}", kind=KINDS[int(rng.integers(14))], length_mm=length, U_length_mm=0.1))
                entry = made(
                    {
                        "title": " ".join(rng.choice(WORDS, 5)),
                        "notes": " ".join(rng.choice(WORDS, 25)) + f" serial{id_}",
                        "test": TESTS[int(rng.integers(8))],
                        "process": str(rng.choice(["111", "135", "136", "141"])),
                        "outcome": OUTCOMES[int(rng.integers(7))],
                        "quality": int(rng.integers(101)),
                        "clean": not seen,
                        "seen": seen,
                        "licence": "CC0",
                        "permission": "synthetic",
                    }
                )
                looks = rng.normal(size=look.DIMENSIONS).astype(np.float32)
                looks /= np.linalg.norm(looks)
                digest = f"{id_:064x}"
                row = (digest, digest, ".png", 1, 640, 480)
                catalogue.insert(sql, row, rng.bytes(16), looks.tobytes(), entry, "2026-01-01T00:00:00+00:00")
    return time.perf_counter() - start


def milliseconds(work, repeats: int = 7) -> tuple[float, float, float]:
    """Of some repeats: median, greatest, and the median of the processor's time alone (what others do with it left out)."""
    taken, worked = [], []
    for _ in range(repeats):
        start, began = time.perf_counter(), time.process_time()
        work()
        taken.append(1000 * (time.perf_counter() - start))
        worked.append(1000 * (time.process_time() - began))
    return float(np.median(taken)), max(taken), float(np.median(worked))


def measure(folder: Path, number: int) -> None:
    """Print the figures of one library."""
    store.create(folder).close()
    with store.open_store(folder) as library:
        filled = fill(library, number)
        Looks(library)
    start = time.perf_counter()
    with store.open_store(folder) as library:
        find(library, Query(words="torn"))
        opened = 1000 * (time.perf_counter() - start)
        first, _, _ = milliseconds(lambda: Looks(library), 1)
        looks = Looks(library)
        print(f"\n{number} entries; filled in {filled:.1f} s; open and first search {opened:.1f} ms; looks in {first:.1f} ms")
        worst = 0.0
        for name, query in SEARCHES.items():
            median, most, own = milliseconds(lambda query=query: find(library, query, looks=looks))
            worst = max(worst, median)
            print(f"  {name:40s} {median:8.2f} ms   (greatest of 7: {most:.2f}; processor: {own:.2f})")
        rng = np.random.default_rng(1)
        copies = []
        for turn in range(5):
            rgb = rng.integers(0, 255, (480, 640, 3), dtype=np.uint8)
            data = picture._as_png(rgb)
            copies.append(
                picture.Copy(
                    data=data, sha256=f"{turn:032x}{number:032x}", source_sha256="x" * 60 + str(turn), suffix=".png", rgb=rgb
                )
            )
        adding, _, _ = milliseconds(lambda: catalogue.add(library, copies.pop(), made({"title": "new"})), 5)
        print(f"  {'add one picture (0.9 MB)':40s} {adding:8.2f} ms")
    size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"  slowest search {worst:.1f} ms; {size / 1e6:.0f} MB on disk without pictures; peak memory {memory:.0f} MB")


if __name__ == "__main__":
    for wanted in [int(text) for text in sys.argv[1:]] or [1000, 10_000, 100_000]:
        with tempfile.TemporaryDirectory() as place:
            measure(Path(place) / "library", wanted)
