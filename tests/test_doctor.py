"""The doctor: each fault planted in an installation is named with its cure, and a whole one is called whole."""

from __future__ import annotations

import sys

import pytest

from specimeter import cli, doctor


def planted(monkeypatch, folder, name, version):
    """A distribution's metadata as a second wheel would leave it, on the import path."""
    info = folder / f"{name.replace('-', '_')}-{version}.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n", encoding="utf-8")
    monkeypatch.syspath_prepend(str(folder))


def test_this_installation_is_whole(capsys):
    """The tests run in an installation made as the README says: nothing in it is wrong."""
    assert cli.main(["doctor"]) == 0
    said = capsys.readouterr().out
    assert "The installation is whole." in said
    for name in ("numpy", "scikit-image", "network learned", "one OpenCV", "PDF reports"):
        assert name in said


def test_two_opencv_wheels_are_named_with_the_cure(monkeypatch, tmp_path, capsys):
    """Two wheels of OpenCV share one folder `cv2`: both must go before one is installed again (OpenCV's own advice on PyPI)."""
    planted(monkeypatch, tmp_path, "opencv-contrib-python", "4.10.0.84")
    assert cli.main(["doctor"]) == 3
    said = capsys.readouterr().out
    assert "2 wheels write into one folder" in said
    assert "uninstall -y opencv-python-headless opencv-contrib-python" in said
    assert "1 to be mended" in said


def test_a_library_that_is_too_old_is_wrong(monkeypatch, tmp_path):
    """The version is held against the package's own requirement."""
    planted(monkeypatch, tmp_path, "typst", "0.1.0")
    (check,) = [each for each in doctor.libraries() if each.what == "typst"]
    assert check.state == "wrong"
    assert "0.1.0 (asked: " in check.found
    assert "pip install" in check.mend


def test_a_library_that_is_not_there_is_wrong(monkeypatch):
    """Asked of a requirement that no index has."""
    from packaging.requirements import Requirement

    monkeypatch.setattr(doctor, "required", lambda extra="": [Requirement("no-such-library-anywhere>=1")])
    (check,) = doctor.libraries()
    assert (check.state, "not installed" in check.found) == ("wrong", True)


def test_a_library_that_cannot_be_imported_is_wrong(monkeypatch):
    """Installed is not enough: a broken shared object shows only when it is loaded."""
    monkeypatch.setitem(sys.modules, "xlsxwriter", None)  # Python's own way to make an import fail
    (check,) = [each for each in doctor.libraries() if each.what == "xlsxwriter"]
    assert check.state == "wrong"
    assert "cannot be imported" in check.found


def test_a_damaged_network_is_wrong(tmp_path):
    """A file cut short, as a full disk leaves it."""
    whole = (doctor.Path(doctor.__file__).parent / "segment" / "area_fracture.onnx").read_bytes()
    (tmp_path / "cut.onnx").write_bytes(whole[: len(whole) // 2])
    assert doctor.network(tmp_path / "cut.onnx").state == "wrong"


def test_a_temporary_folder_that_cannot_be_written_is_wrong(monkeypatch, tmp_path):
    """TMPDIR set to a folder that is not there."""
    monkeypatch.setattr(doctor.tempfile, "gettempdir", lambda: str(tmp_path / "absent"))
    check = doctor.temporary_folder()
    assert (check.state, "TMPDIR" in check.mend) == ("wrong", True)


@pytest.mark.parametrize(("there", "state"), [((), "wrong"), (("PyQt6",), "well"), (("PyQt6", "PySide6"), "wrong")])
def test_the_bench_wants_one_binding_of_qt(monkeypatch, there, state):
    """None: it cannot start. Two: which one runs is chance."""
    known = {"napari": "0.9.2", **dict.fromkeys(there, "6.7")}
    monkeypatch.setattr(doctor, "_version", known.get)
    monkeypatch.setattr(doctor, "_window_parts", lambda: [])
    monkeypatch.setattr(doctor, "QT_LIBRARIES", {})
    assert doctor.window().state == state


@pytest.mark.parametrize(
    ("python", "there", "state"),
    [
        ((3, 11), {"PySide6": "6.12.0"}, "wrong"),
        ((3, 11), {"PySide6-Essentials": "6.12.1"}, "wrong"),
        ((3, 11), {"PySide6-Essentials": "6.11.3"}, "well"),
        ((3, 12), {"PySide6": "6.12.0"}, "well"),
        ((3, 11), {"PyQt6": "6.12.0"}, "well"),
    ],
)
def test_a_binding_that_ends_the_window(monkeypatch, python, there, state):
    """PySide6 6.12 on Python 3.11, whole or its essentials alone, is told before anybody loses a window to it."""
    known = {"napari": "0.9.2", **there}
    monkeypatch.setattr(doctor, "_version", known.get)
    monkeypatch.setattr(doctor, "_window_parts", lambda: [])
    monkeypatch.setattr(doctor, "QT_LIBRARIES", {})
    monkeypatch.setattr(doctor.sys, "version_info", python)
    check = doctor.window()
    assert (check.state, "<6.12" in check.mend) == (state, state == "wrong")


def test_a_library_of_the_system_that_qt_opens_is_named_with_its_package(monkeypatch):
    """Qt itself ends the process and names another one, whatever is missing; a library that is there is not named."""
    there = "libc.so.6"  # of every Linux with glibc
    monkeypatch.setattr(doctor.sys, "platform", "linux")
    monkeypatch.setattr(doctor, "QT_LIBRARIES", {there: "libc6", "libno-such-thing.so.9": "libno-such-thing9"})
    monkeypatch.setattr(doctor, "_version", {"napari": "0.9.2", "PyQt6": "6.7"}.get)
    monkeypatch.setattr(doctor, "_window_parts", lambda: [])
    assert doctor.lacking_libraries() == {"libno-such-thing.so.9": "libno-such-thing9"}
    check = doctor.window()
    assert (check.state, "libno-such-thing.so.9" in check.found) == ("absent", True)
    assert check.mend.endswith("apt-get install libno-such-thing9")


@pytest.mark.parametrize(("display", "said"), [("", "this session has no screen"), (":99", "Qt lacks libno-such-thing.so.9")])
def test_a_window_that_cannot_open_is_refused_and_ends_no_process(monkeypatch, capsys, display, said):
    """Exit 2 with a message, as for any refused input, before Qt is loaded."""
    for name in ("WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("DISPLAY", display)
    monkeypatch.setattr(doctor.sys, "platform", "linux")
    monkeypatch.setattr(doctor, "QT_LIBRARIES", {"libno-such-thing.so.9": "libno-such-thing9"})
    assert cli.main(["open"]) == 2
    assert said in capsys.readouterr().err


def test_every_licence_is_stated(capsys):
    """All libraries that come along say under which licence; none of them is copyleft (this project is MIT)."""
    assert cli.main(["doctor", "--licences"]) == 0
    rows = doctor.licences()
    assert {"numpy", "specimeter", "typst"} <= {name for name, _, _ in rows}
    for name, version, licence in rows:
        assert licence != "not stated", name
        assert version != "-", name
        assert "GPL" not in licence.replace("LGPL", ""), name
