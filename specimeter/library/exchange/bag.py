"""A folder with checksums for handing over: BagIt 1.0 (RFC 8493), SHA-256 manifests, files under ``data/``."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path

from specimeter import __version__, files
from specimeter.errors import LibraryError
from specimeter.library.exchange.place import foreign

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def write(out: Path, payload: Iterable[tuple[str, bytes]], info: Mapping[str, str]) -> None:
    """Write a bag; `payload` gives files by their path under ``data/``, `info` lines of ``bag-info.txt``.

    The declaration is written last: a folder without it is not a bag yet.
    """
    sums, size = {}, 0
    for name, data in payload:
        files.put(out / "data" / name, data)
        sums[f"data/{name}"] = hashlib.sha256(data).hexdigest()
        size += len(data)
    oxum = f"{size}.{len(sums)}"
    today = datetime.datetime.now(datetime.UTC).date().isoformat()
    lines = {"Bagging-Date": today, "Payload-Oxum": oxum, "Bag-Software-Agent": f"specimeter {__version__}", **info}
    tags = {
        "manifest-sha256.txt": _manifest(sums),
        "bag-info.txt": "".join(f"{name}: {_one_line(value)}\n" for name, value in lines.items()).encode(),
    }
    for name, data in tags.items():
        files.write(out / name, data)
    known = {name: hashlib.sha256(data).hexdigest() for name, data in {**tags, "bagit.txt": DECLARATION}.items()}
    files.write(out / "tagmanifest-sha256.txt", _manifest(known))
    files.write(out / "bagit.txt", DECLARATION)


def check(folder: Path) -> None:
    """LibraryError if a bag's payload is not what its manifest says: a file missing, changed, or too many."""
    manifest = folder / "manifest-sha256.txt"
    if not (folder / "bagit.txt").is_file() or not manifest.is_file():
        raise LibraryError("this is not a bag", file=folder, expected="bagit.txt and manifest-sha256.txt")
    told = {}
    with foreign(manifest, "a bag's manifest"):
        for line in manifest.read_text(encoding="utf-8").splitlines():
            digest, _, name = line.partition(" ")
            told[name.strip().replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")] = digest
        for name, digest in told.items():
            path = (folder / name).resolve()
            if not path.is_relative_to((folder / "data").resolve()):
                raise LibraryError("the manifest names a file outside the bag", file=manifest, field=name)
            if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() != digest:
                raise LibraryError("a file is missing or changed", file=folder, field=name, mend="ask for the bag again")
    there = {path.relative_to(folder).as_posix() for path in (folder / "data").rglob("*") if path.is_file()}
    if extra := sorted(there - set(told)):
        raise LibraryError("there is a file that the manifest does not name", file=folder, field=extra[0])


def _manifest(sums: Mapping[str, str]) -> bytes:
    def name_of(name: str) -> str:
        return name.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")

    return "".join(f"{digest}  {name_of(name)}\n" for name, digest in sums.items()).encode()


def _one_line(text: str) -> str:
    return " ".join(text.split())
