"""Is this installation whole? What is missing, too old, doubled or unreadable, each with the words that mend it."""

from __future__ import annotations

import ctypes
import importlib
import os
import platform
import re
import shutil
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from specimeter import data
from specimeter.errors import SpecimeterError

if TYPE_CHECKING:
    from packaging.specifiers import SpecifierSet

PACKAGE = "specimeter"
OPENCV_WHEELS = ("opencv-python-headless", "opencv-python", "opencv-contrib-python", "opencv-contrib-python-headless")
QT_BINDINGS = ("PyQt6", "PySide6")
ESSENTIALS = "PySide6-Essentials"  # the part of PySide6 that the bench uses, a wheel by itself
MODULE_OF = {"opencv-python-headless": "cv2", "scikit-image": "skimage", "pillow": "PIL", "pillow-heif": "pillow_heif"}
# What Qt opens to draw a window on Linux under X, and the package of Debian 12 that holds it.
QT_LIBRARIES = {
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
    "libdbus-1.so.3": "libdbus-1-3",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libfontconfig.so.1": "libfontconfig1",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-shape.so.0": "libxcb-shape0",
}
AGAIN = f"install {PACKAGE} again: its files are not complete"
LEAST_FREE_MB = 500  # a record with its photograph, overlay and reports takes up to about 100


@dataclass(frozen=True)
class Check:
    """One thing looked at.

    ``state`` is ``"well"``, ``"absent"`` (a part that is optional, not installed) or ``"wrong"``; ``mend`` says what to do.
    """

    what: str
    state: str
    found: str
    mend: str = ""


def examine() -> list[Check]:
    """Every check of this installation, in the order in which one would mend them. Changes nothing."""
    checks = [python(), *libraries(), opencv(), *networks(), shipped_data(), report_printer(), temporary_folder()]
    return [*checks, window()]


def python() -> Check:
    """The interpreter against what the package asks for."""
    from packaging.specifiers import SpecifierSet

    asked = metadata.metadata(PACKAGE)["Requires-Python"] or ""
    right = platform.python_version() in SpecifierSet(asked, prereleases=True)
    mend = "" if right else f"install Python {asked} and make a new environment"
    return Check(
        "Python", "well" if right else "wrong", f"{platform.python_version()} (asked: {asked}), {sys.executable}", mend
    )


def required(extra: str = "") -> list:
    """The package's own requirements as `packaging.requirements.Requirement`, of the core or of one extra."""
    from packaging.requirements import Requirement

    wanted = map(Requirement, metadata.requires(PACKAGE) or [])
    if not extra:
        return [each for each in wanted if each.marker is None or each.marker.evaluate({"extra": ""})]
    return [each for each in wanted if each.marker and each.marker.evaluate({"extra": extra})]


def libraries() -> list[Check]:
    """Each library of the core: installed, of a version that is supported, and importable."""
    return [_library(each.name, each.specifier, each.url) for each in required()]


def _library(name: str, specifier: SpecifierSet, url: str | None) -> Check:
    asked = str(specifier) or "any"
    install = f'python -m pip install "{name}{specifier}"'
    try:
        version = metadata.version(name)
    except metadata.PackageNotFoundError:
        return Check(name, "wrong", f"not installed (asked: {asked})", install)
    if not url and not specifier.contains(version, prereleases=True):
        return Check(name, "wrong", f"{version} (asked: {asked})", install)
    try:
        importlib.import_module(MODULE_OF.get(name, name.replace("-", "_")))
    except Exception as error:  # a library may raise anything while it is imported: that is the finding
        return Check(name, "wrong", f"{version}, but cannot be imported: {_brief(error)}", f"{install} --force-reinstall")
    return Check(name, "well", version)


def opencv() -> Check:
    """One OpenCV wheel only: two write over each other's files, and which one runs is chance."""
    there = {name: version for name in OPENCV_WHEELS if (version := _version(name))}
    found = ", ".join(f"{name} {version}" for name, version in there.items()) or "none"
    if len(there) > 1:
        mend = f"python -m pip uninstall -y {' '.join(there)}, then python -m pip install {OPENCV_WHEELS[0]}"
        return Check("one OpenCV", "wrong", f"{len(there)} wheels write into one folder: {found}", mend)
    return Check(
        "one OpenCV", "well" if there else "wrong", found, "" if there else f"python -m pip install {OPENCV_WHEELS[0]}"
    )


def networks() -> list[Check]:
    """The trained networks that ship with the package: there, and readable by this OpenCV."""
    paths = sorted(path for room in ("scale", "segment") for path in (Path(__file__).parent / room).glob("*.onnx"))
    return [network(path) for path in paths] or [Check("trained networks", "wrong", "none found", AGAIN)]


def network(path: Path) -> Check:
    """One network's file, read as the segmenters read it."""
    import cv2

    try:
        cv2.dnn.readNetFromONNX(str(path))
    except cv2.error as error:
        return Check(f"network {path.stem}", "wrong", f"OpenCV {cv2.__version__} cannot read it: {_brief(error)}", AGAIN)
    return Check(f"network {path.stem}", "well", f"{path.stat().st_size / 1e6:.1f} MB")


def shipped_data() -> Check:
    """Example limits, language files and samples."""
    absent = [
        path.name for path in (data.shared() / "limits", data.shared() / "language", data.sample_images()) if not path.is_dir()
    ]
    if absent:
        return Check(
            "shipped data", "wrong", f"missing: {', '.join(absent)}", f"install {PACKAGE} again: its files are not complete"
        )
    samples = len(list(data.sample_images().glob("*.sheet.toml")))
    return Check("shipped data", "well", f"{samples} samples, limits and languages")


def report_printer() -> Check:
    """The PDF printer with its own fonts: one line becomes one page."""
    try:
        import typst

        page: object = typst.compile(b"one line", format="pdf")
    except Exception as error:  # whatever the printer raises is the finding
        return Check("PDF reports", "wrong", _brief(error), "python -m pip install --force-reinstall typst")
    right = isinstance(page, bytes) and page.startswith(b"%PDF")
    return Check("PDF reports", "well" if right else "wrong", "a page was printed" if right else "no PDF came back")


def temporary_folder() -> Check:
    """The folder for files in the making: writable, with room."""
    try:
        folder = tempfile.gettempdir()  # tries to write in it
        free_mb = shutil.disk_usage(folder).free / 1e6
    except OSError as error:
        return Check("temporary folder", "wrong", _brief(error), "set TMPDIR to a folder that can be written")
    right = free_mb >= LEAST_FREE_MB
    mend = "" if right else f"free some space, or set TMPDIR to a folder with {LEAST_FREE_MB} MB"
    return Check("temporary folder", "well" if right else "wrong", f"{folder}, {free_mb / 1000:.1f} GB free", mend)


def window() -> Check:
    """The bench: napari and exactly one Qt binding. It is optional, and nothing is opened here."""
    install = f"python -m pip install '{PACKAGE}[napari]' {QT_BINDINGS[0]}"
    wrong = [
        check for check in (_library(each.name, each.specifier, each.url) for each in _window_parts()) if check.state != "well"
    ]
    bindings = [name for name in QT_BINDINGS if _version(name)]
    if not bindings and _version(ESSENTIALS):
        bindings = [QT_BINDINGS[1]]
    if _version("napari") is None:
        return Check("the bench (optional)", "absent", "napari is not installed", install)
    if wrong:
        return Check("the bench (optional)", "wrong", f"{wrong[0].what}: {wrong[0].found}", wrong[0].mend)
    if len(bindings) != 1:
        found = " and ".join(bindings) or f"neither {' nor '.join(QT_BINDINGS)}"
        mend = f"python -m pip uninstall {bindings[1]}" if bindings else f"python -m pip install {QT_BINDINGS[0]}"
        return Check("the bench (optional)", "wrong", f"one Qt binding is needed; found {found}", mend)
    version = _version(bindings[0]) or _version(ESSENTIALS) or ""
    if unsteady := unsteady_binding(bindings[0], version):
        return Check("the bench (optional)", "wrong", unsteady, f'python -m pip install "{bindings[0]}<6.12"')
    said = f"napari {_version('napari')}, {bindings[0]} {version}"
    if lacking := lacking_libraries():
        return Check("the bench (optional)", "absent", f"{said}; Qt lacks {', '.join(lacking)}", _install(lacking))
    return Check("the bench (optional)", "well", said if has_screen() else f"{said}; no screen in this session")


def has_screen() -> bool:
    """Whether this session has a screen for a window; asked on Linux only, where one may lack."""
    return sys.platform != "linux" or any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"))


def lacking_libraries() -> dict[str, str]:
    """The system's libraries that Qt would miss under X -> the package of Debian 12 that holds each; none but on Linux."""
    lacking = {}
    for name, package in QT_LIBRARIES.items() if sys.platform == "linux" else ():
        try:
            ctypes.CDLL(name)
        except OSError:
            lacking[name] = package
    return lacking


def check_window() -> None:
    """Before a window is opened: Qt itself ends the process where it cannot, and names another library than the one it lacks.

    Raises
    ------
    SpecimeterError
        There is no screen, or libraries of the system are missing.
    """
    expected = "a screen, and the system libraries that Qt opens"
    if not has_screen():
        mend = "open it on the computer's own desktop; over a network: ssh -X, or a remote desktop"
        raise SpecimeterError("the window cannot be opened here: this session has no screen", expected=expected, mend=mend)
    if os.environ.get("DISPLAY") and (lacking := lacking_libraries()):
        problem = f"the window cannot be opened here: Qt lacks {', '.join(lacking)}"
        raise SpecimeterError(problem, expected=expected, mend=_install(lacking))


def _install(lacking: dict[str, str]) -> str:
    return f"on Debian 12, as root: apt-get install {' '.join(lacking.values())}"


def unsteady_binding(name: str, version: str) -> str | None:
    """What is wrong with a binding of Qt on this Python, if that is known.

    Each call of PySide6 6.12 that returns nothing gives back a reference to None that it never took, on Python 3.11 (seen with
    6.12.0; not with 6.10 and 6.11): the process ends after some thousand of them.
    """
    parts = [int(part) for part in re.findall(r"\d+", version)[:2]]
    if name == "PySide6" and sys.version_info < (3, 12) and parts >= [6, 12]:
        return f"{name} {version} ends the window without warning on Python 3.{sys.version_info[1]}"
    return None


def _window_parts() -> list:
    own = {each.name for each in required()}
    return [each for each in required("napari") if each.name not in own and each.name != "napari"] if _version("napari") else []


def licences() -> list[tuple[str, str, str]]:
    """(name, version, licence) of every distribution that the core pulls in, itself included; as each one states it."""
    found: dict[str, tuple[str, str, str]] = {}
    waiting = [PACKAGE]
    while waiting:
        name = waiting.pop()
        key = re.sub(r"[-_.]+", "-", name).lower()
        if key in found:
            continue
        try:
            about = metadata.metadata(name)
        except metadata.PackageNotFoundError:
            found[key] = (name, "-", "not installed")
            continue
        found[key] = (about["Name"], about["Version"], _licence(about))
        waiting += [each.name for each in _needs(name)]
    return [found[key] for key in sorted(found)]


def _needs(name: str) -> Iterable:
    from packaging.requirements import Requirement

    wanted = map(Requirement, metadata.requires(name) or [])
    return [each for each in wanted if each.marker is None or each.marker.evaluate({"extra": ""})]


def _licence(about: Any) -> str:
    """The SPDX expression, else the classifiers, else the first line of the free text (core metadata 2.4, PEP 639)."""
    if stated := about.get("License-Expression"):
        return stated
    classes = [line.split(" :: ")[-1] for line in about.get_all("Classifier") or [] if line.startswith("License ::")]
    return "; ".join(classes) or (about.get("License") or "not stated").splitlines()[0]


def _version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def _brief(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0][:160] if lines else type(error).__name__
