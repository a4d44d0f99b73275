"""The command line as a technician meets it: exit codes, messages, and nothing half-written after a refusal."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time

import cv2
import numpy as np
import pytest

from specimeter import __version__, cli
from specimeter.record import model


def run(case, out, capsys, *more, photo=None, sheet=None, limits=None):
    """`specimeter measure` in this process: (status, stdout, stderr)."""
    status = cli.main(
        [
            *("measure", str(photo or case.photo), "--sheet", str(sheet or case.sheet), "--limits", str(limits or case.limits)),
            *("--out", str(out), "--quiet", *more),
        ]
    )
    return status, *capsys.readouterr()


def test_measure_prints_the_finding_and_where_the_report_is(bend_case, tmp_path, capsys):
    """People's text on stdout: the outcome, the table, the caution, the report's place."""
    status, out, err = run(bend_case, tmp_path, capsys)
    assert status == 0
    assert "side bend" in out
    assert "EXCEEDS" in out
    assert "report.html" in out
    assert "inspector" in out
    assert err == ""


def test_json_is_one_object_on_stdout(break_case, tmp_path, capsys):
    """Design section 6: record, outcome, features, mm_per_px; people's text on stderr."""
    status, out, err = run(break_case, tmp_path, capsys, "--json")
    answer = json.loads(out)
    assert status == 0
    assert set(answer) == {"record", "outcome", "features", "mm_per_px"}
    assert answer["outcome"] == model.load(answer["record"]).outcome
    assert answer["mm_per_px"] == pytest.approx(break_case.truth["mm_per_px"], rel=0.05)
    assert answer["outcome"].upper() in err


def edited(case, folder, pattern, replacement, *, which="sheet"):
    """A copy of the sheet or limits with one regular expression replaced; the pattern must occur."""
    text = getattr(case, which).read_text(encoding="utf-8")
    changed, times = re.subn(pattern, replacement, text, count=1, flags=re.MULTILINE)
    assert times == 1, pattern
    path = folder / f"edited.{which}.toml"
    path.write_text(changed, encoding="utf-8")
    return path


OUTSIDE = "[region]\noutline_px = [[-50.0, 10.0], [90.0, 10.0], [90.0, 90.0]]\n\n[bend]"
CROSSED = "[region]\noutline_px = [[300.0, 300.0], [600.0, 600.0], [600.0, 300.0], [300.0, 600.0]]\n\n[bend]"

WIDTHS = r"^parent_thickness_mm = .*\n(.*)\nspecimen_width_mm = .*"
WIDER = r"parent_thickness_mm = 240.0\n\1\nspecimen_width_mm = 240.0"

TINY = r"""method = "length"\nfrom_px = [100.0, 100.0]\nto_px = [130.0, 100.0]\nlength_mm = 2000.0"""

BAD_SHEETS = {
    "unknown key": (r"^specimen_width_mm", "specimen_widht_mm", "specimen_width_mm"),
    "wrong type": (r"^former_diameter_mm = .*", 'former_diameter_mm = "40"', "number"),
    "negative": (r"^specimen_thickness_mm = .*", "specimen_thickness_mm = -10.0", "specimen_thickness_mm"),
    "absurd": (r"^specimen_thickness_mm = .*", "specimen_thickness_mm = 20000.0", "specimen_thickness_mm"),
    "former of 0 mm": (r"^former_diameter_mm = .*", "former_diameter_mm = 0", "former_diameter_mm"),
    "axis outside the picture": (r"^axis = .*", "axis = [[5000.0, 10.0], [5000.0, 900.0]]", "axis"),
    "specimen wider than the photo": (WIDTHS, WIDER, "wide"),
    "region outside the picture": (r"^\[bend\]", OUTSIDE, "region"),
    "self-crossing region": (r"^\[bend\]", CROSSED, "cross"),
    "a known length that makes the specimen a few pixels": (r"^method = .*", TINY, "pixels wide"),
    "not TOML": (r"^\[bend\]", "[bend", "line"),
}


@pytest.mark.parametrize("fault", BAD_SHEETS)
def test_a_wrong_sheet_is_refused(bend_case, tmp_path, capsys, fault):
    """Exit 2, one message that names file, field and cure; the out folder holds nothing."""
    pattern, replacement, said = BAD_SHEETS[fault]
    sheet = edited(bend_case, tmp_path, pattern, replacement)
    status, out, err = run(bend_case, tmp_path / "out", capsys, sheet=sheet)
    assert (status, out) == (2, "")
    assert said in err
    assert "to mend it" in err or "expected" in err
    assert not (tmp_path / "out").exists() or not list((tmp_path / "out").iterdir())


@pytest.mark.parametrize(
    ("pattern", "replacement", "said"),
    [(r"^sense", "sence", "sense"), (r"^limit = 3", 'limit = "min(3, q)"', "q"), (r'^decision = "guarded"', "", "decision")],
)
def test_wrong_limits_are_refused(bend_case, tmp_path, capsys, pattern, replacement, said):
    """A misspelt key, an unknown name in an expression, a missing decision rule."""
    limits = edited(bend_case, tmp_path, pattern, replacement, which="limits")
    status, _, err = run(bend_case, tmp_path / "out", capsys, limits=limits)
    assert status == 2
    assert said in err


def painted(case, folder, paint):
    """A copy of the photograph after `paint(pixels)`."""
    pixels = cv2.imread(str(case.photo))
    path = folder / "painted.png"
    path.write_bytes(cv2.imencode(".png", paint(pixels, case.truth))[1].tobytes())
    return path


def markers(truth):
    """Marker corner arrays (4, 2) of the card in the picture, by id."""
    return {int(k): np.array(v) for k, v in truth["card"]["marker_corners_px"].items()}


def cover(pixels, corners):
    """Lay a grey patch over one marker."""
    low, high = corners.min(0).astype(int) - 6, corners.max(0).astype(int) + 6
    pixels[max(low[1], 0) : high[1], max(low[0], 0) : high[0]] = 128
    return pixels


def no_marker(pixels, truth):
    for corners in markers(truth).values():
        cover(pixels, corners)
    return pixels


def one_marker(pixels, truth):
    """Marker 10 and the marks up to 20 mm stay: too few of them to stand in for marker 11."""
    on_card = np.float32([[x + i, 10 + j] for x in (10, 90) for i, j in ((-6, -6), (6, -6), (6, 6), (-6, 6))])
    seen = np.concatenate([markers(truth)[10], markers(truth)[11]]).astype(np.float32)
    to_picture = cv2.findHomography(on_card, seen)[0]
    hidden = np.array([[[40, -1]], [[101, -1]], [[101, 21]], [[40, 21]]], np.float32)
    return cv2.fillPoly(pixels, [np.round(cv2.perspectiveTransform(hidden, to_picture)).astype(np.int32)], (128, 128, 128))


def two_cards(pixels, truth):
    """The card's strip copied to the picture's other end."""
    corners = np.concatenate(list(markers(truth).values()))
    low, high = np.maximum(corners.min(0).astype(int) - 12, 0), corners.max(0).astype(int) + 12
    patch = pixels[low[1] : high[1], low[0] : high[0]].copy()
    top = 0 if low[1] > pixels.shape[0] / 2 else pixels.shape[0] - patch.shape[0]
    pixels[top : top + patch.shape[0], : patch.shape[1]] = patch
    return pixels


@pytest.mark.parametrize(
    ("paint", "said"),
    [(no_marker, "no marker"), (one_marker, "10"), (two_cards, "two")],
    ids=["no marker", "one marker", "two cards"],
)
def test_a_card_that_gives_no_scale_is_refused(bend_case, tmp_path, capsys, paint, said):
    """The message says what was found and what to do."""
    photo = painted(bend_case, tmp_path, paint)
    status, out, err = run(bend_case, tmp_path / "out", capsys, photo=photo)
    assert (status, out) == (2, "")
    assert said in err.lower()
    assert "to mend it" in err


def test_a_missing_a_broken_and_a_misnamed_photograph_are_refused(bend_case, tmp_path, capsys):
    """Each with its own reason."""
    whole = bend_case.photo.read_bytes()
    (tmp_path / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "picture.png").write_bytes(whole)
    said = {"gone.jpg": "no such", "cut.jpg": "cut", "empty.jpg": "empty", "picture.png": "JPEG"}
    for name, words in said.items():
        status, _, err = run(bend_case, tmp_path / "out", capsys, photo=tmp_path / name)
        assert status == 2, name
        assert words.lower() in err.lower(), err
    assert not (tmp_path / "out").exists()


def test_an_existing_record_is_kept_unless_replaced(break_case, tmp_path, capsys):
    """Without --replace it is refused; with it the old one is kept beside the new."""
    assert run(break_case, tmp_path, capsys)[0] == 0
    status, _, err = run(break_case, tmp_path, capsys)
    assert status == 2
    assert "--replace" in err
    assert run(break_case, tmp_path, capsys, "--replace")[0] == 0
    assert len([path for path in tmp_path.iterdir() if "replaced" in path.name]) == 1


def test_an_out_folder_that_is_a_file_is_refused(bend_case, tmp_path, capsys):
    """And the file is left alone."""
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    status, _, err = run(bend_case, tmp_path / "out", capsys)
    assert status == 2
    assert "out" in err
    assert (tmp_path / "out").read_text(encoding="utf-8") == "mine"


def test_a_fault_of_the_tool_shows_its_traceback(bend_case, tmp_path, capsys, monkeypatch):
    """Exit 1, and the words say that it is not the user's fault."""
    monkeypatch.setattr("specimeter.job.find_scale", lambda *_: 1 / 0)
    status, _, err = run(bend_case, tmp_path / "out", capsys)
    assert status == 1
    assert "ZeroDivisionError" in err
    assert "not of your input" in err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "where", "said"),
    [
        (["library", "demo", "weld-library"], "specimeter.library.demo.fill", "what was finished before is kept"),
        (["batch", ".", "--out", "records"], "specimeter.commands.batch.run", "what was finished is kept"),
        (["demo"], "specimeter.commands.demo.run", "nothing was written"),
    ],
)
def test_what_an_interruption_leaves_is_said_as_it_is(tmp_path, capsys, monkeypatch, arguments, where, said):
    """A library keeps the pictures that came before, a batch its records; one measurement leaves nothing."""

    def stopped(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(where, stopped)
    assert cli.main(arguments) == 130
    assert f"interrupted; {said}" in capsys.readouterr().err


@pytest.mark.parametrize("wait_s", [0.3, 1.5, 2.5])
def test_an_interruption_leaves_a_whole_record_or_none(break_case, tmp_path, wait_s):
    """Ctrl-C at several moments."""
    command = [sys.executable, "-m", "specimeter", "measure", str(break_case.photo), "--sheet", str(break_case.sheet)]
    process = subprocess.Popen(
        [*command, "--out", str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a shell's background job ignores Ctrl-C, and
    )  # whatever it starts inherits that
    time.sleep(wait_s)
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=60)
    left = list(tmp_path.iterdir())
    assert process.returncode in (0, 130, -signal.SIGINT)
    assert len(left) == 1 or (not left and process.returncode != 0)
    assert all(len(list(record.iterdir())) == 9 for record in left)  # interrupted once it stood: whole all the same


def test_help_names_every_command_and_the_cautions():
    """`specimeter --help`, in a process of its own."""
    environment = os.environ | {"COLUMNS": "100"}
    answer = subprocess.run(
        [sys.executable, "-m", "specimeter", "--help"], capture_output=True, text=True, check=True, env=environment
    )
    for word in ("measure", "demo", "validate", "authorised inspector"):
        assert word in answer.stdout


def test_version(capsys):
    """One line."""
    with pytest.raises(SystemExit, match="0"):
        cli.main(["--version"])
    assert capsys.readouterr().out == f"specimeter {__version__}\n"


def test_the_demo_lists_its_samples_and_refuses_an_unknown_one(capsys):
    """The samples are those in `sample_images/`."""
    assert cli.main(["demo", "--list"]) == 0
    names = capsys.readouterr().out.split()
    assert names
    assert cli.main(["demo", "no-such-sample"]) == 2
    assert names[0] in capsys.readouterr().err


def test_what_a_command_does_not_take_is_answered_with_what_it_takes(capsys):
    """The command's own usage, not that of the whole program."""
    with pytest.raises(SystemExit, match="2"):
        cli.main(["review", "records/HW-3-SB1", "--by", "A. Reader", "--reject", "f3", "--reason", "glare"])
    said = capsys.readouterr().err
    assert "--reason glare" in said
    assert "--why REASON" in said


def test_a_scale_without_a_sheet_is_said_to_be_that_of_the_card(bend_case, capsys):
    """Nobody entered a height, and no line of the budget says that somebody did."""
    assert cli.main(["scale", str(bend_case.photo)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "in the plane of the card or rule itself" in said
    assert "entered with its U" not in said


def test_the_demo_measures_a_sample(tmp_path, capsys):
    """What the README's first command does."""
    assert cli.main(["demo", "--out", str(tmp_path)]) == 0
    assert "Report" in capsys.readouterr().out


def test_a_full_disk_behind_stdout_does_not_hide_the_record(break_case, tmp_path):
    """The record is whole, exit 0, and stderr says where it lies."""
    out = tmp_path / "out"
    call = ["measure", str(break_case.photo), "--sheet", str(break_case.sheet), "--out", str(out), "--quiet"]
    with open("/dev/full", "w") as full:
        done = subprocess.run([sys.executable, "-m", "specimeter", *call], stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 0
    assert "could not be printed" in done.stderr
    assert "Traceback" not in done.stderr
    assert list(out.glob("*/record.json"))


def test_modules_are_loaded_without_a_search_for_what_is_free():
    """It is off while they load, and on again after, even where loading fails."""
    import gc

    from specimeter.commands import loading

    with loading():
        assert not gc.isenabled()
    assert gc.isenabled()
    with pytest.raises(ImportError), loading():
        import specimeter.no_such_module  # noqa: F401
    assert gc.isenabled()
