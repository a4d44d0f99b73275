"""An auditor's walk: measured, reviewed, issued, checked; whatever is changed afterwards is told by name, never a traceback."""

from __future__ import annotations

import io
import json
import shutil
import zipfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pikepdf
import pytest
from PIL import Image

from specimeter import job
from specimeter import photo as photos
from specimeter.audit import _same_where_both_have_it, audit
from specimeter.cli import main
from specimeter.record import folder, log, model
from specimeter.rounding import plus_minus

MILLER, SMITH = "A. Miller", "B. Smith"
UNSEEN = [{"outline_px": [[600.0, 400.0], [640.0, 400.0], [640.0, 440.0]], "why": "black", "length_mm": 2.0}]


def quietly(*arguments: str) -> int:
    return main([str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def issued(bend_record, tmp_path_factory) -> SimpleNamespace:
    """The case's record, reviewed and issued by the commands; `ids` of its features, `reviewed`: before the issue."""
    base = tmp_path_factory.mktemp("issued")
    path = shutil.copytree(bend_record, base / "records" / bend_record.name)
    ids = [feature.id for feature in model.load(path).features]
    assert quietly("review", path, "--by", MILLER, "--all-confirm", "--looked-over", "--enter", "order.client=Example") == 0
    reviewed = shutil.copytree(path, base / "reviewed" / path.name)
    assert quietly("issue", path, "--by", MILLER, "--authorised-by", SMITH, "--number", "R-7") == 0
    return SimpleNamespace(path=path, ids=ids, reviewed=reviewed)


@pytest.fixture
def copy(issued, tmp_path) -> Path:
    """The issued record where it may be damaged."""
    return shutil.copytree(issued.path, tmp_path / "out" / issued.path.name)


def told(path: Path) -> str:
    """What the audit finds wrong; empty where nothing is."""
    return "\n".join(line for step in audit(path) if step.holds is False for line in (step.name, *step.told))


def forged(path: Path, change) -> None:
    """The record changed by somebody who then makes log and sums fit: only what follows from something else can tell."""
    data = json.loads((path / "record.json").read_bytes())
    change(data)
    kept = data["log"][:-1]
    last = {key: value for key, value in data["log"][-1].items() if key not in ("hash", "body")}
    data["log"] = kept + log.chained(kept, [last], log.body_sha256(data))
    (path / "record.json").write_bytes(model.dump(model.load(json.dumps(data).encode())))
    resum(path)


def resum(path: Path) -> None:
    (path / folder.SUMS).write_bytes(folder.sums({p.name: p.read_bytes() for p in path.iterdir() if p.name != folder.SUMS}))


def test_a_record_that_nobody_touched_holds(issued, capsys):
    """Every check, through the command; exit 0."""
    assert quietly("check", issued.path) == 0
    said = capsys.readouterr().out
    assert "nothing was found changed" in said
    assert "the same to the last bit" in said
    assert said.count("  ok ") == 7
    assert told(issued.reviewed) == ""


def test_the_walk_from_a_number_to_its_evidence(issued):
    """The report's number, its outline, the photo's hash, the scale's budget, the rule, the persons: all in the record."""
    record = model.load(issued.path)
    page = (issued.path / "report.html").read_text(encoding="utf-8")
    assert record.issue.number == "R-7"
    for said in (record.photos[0].sha256, record.log[-1].hash, MILLER, SMITH, "report R-7, revision 1", "Example"):
        assert said in page
    assert model.sha256(record) in page
    assert "unreviewed" not in page
    assert {entry.who for entry in record.log[1:]} == {MILLER, SMITH}


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("a length", lambda data: data["features"][0].update(length_mm=data["features"][0]["length_mm"] * (1 + 1e-6))),
        ("an uncertainty", lambda data: data["features"][0].update(U_length_mm=0.001)),
        ("an outline", lambda data: data["features"][0]["outline_px"].__setitem__(0, [1.0, 1.0])),
        ("the scale", lambda data: data["scales"][0].update(mm_per_px=data["scales"][0]["mm_per_px"] * 1.001)),
        ("the camera", lambda data: data["scales"][0]["view"].update(focal_px=data["scales"][0]["view"]["focal_px"] * 1.001)),
        ("the outcome", lambda data: data.update(outcome="within" if data["outcome"] != "within" else "exceeds")),
        ("a verdict", lambda data: data["verdicts"][0].update(because="All is well.")),
        ("a limit", lambda data: data["limits"]["rule"][0].update(limit=0.001)),
        ("the sheet", lambda data: data["sheet"]["specimen"].update(specimen_width_mm=5.0)),
        ("a status", lambda data: data["features"][0].update(status="proposed")),
        ("what is resolved", lambda data: data["examined"][0].update(smallest_resolvable_mm=0.001)),
        ("the width", lambda data: data["examined"][0].update(width_mm=data["examined"][0]["width_mm"] * 1.01)),
        ("parts that show nothing", lambda data: data["examined"][0].update(unseen=UNSEEN)),
        ("the cautions", lambda data: data.update(cautions=["Nothing to be said."])),
    ],
)
def test_a_forged_record_betrays_itself(issued, tmp_path, name, change):
    """Hashes, log and sums made to fit (before the issue): the recomputation finds it, or the photograph does."""
    path = shutil.copytree(issued.reviewed, tmp_path / "out" / issued.reviewed.name)
    forged(path, change)
    assert "numbers" in told(path).splitlines(), name


def test_every_file_is_guarded(copy, capsys):
    """A byte of each file of the folder: exit 3, the file named."""
    for file in sorted(copy.iterdir()):
        content = file.read_bytes()
        changed = bytearray(content)
        changed[len(changed) // 3] ^= 4
        file.write_bytes(changed)
        assert quietly("check", copy) in (2, 3)
        assert file.name in capsys.readouterr().out or file.name == "SHA256SUMS"
        file.write_bytes(content)
    assert told(copy) == ""


def test_damage_of_any_kind_is_told_and_never_raised(copy):
    """Bits, cuts and empty files at random places of every file."""
    rng = np.random.default_rng(5)
    for file in sorted(copy.iterdir()):
        content = file.read_bytes()
        for damage in range(3):
            changed = bytearray(content)
            if damage:
                changed[int(rng.integers(len(changed)))] ^= 1 << int(rng.integers(8))
            file.write_bytes(changed if damage else content[: int(rng.integers(len(content)))])
            assert told(copy), file.name
        file.write_bytes(content)


def test_a_file_that_the_disk_does_not_give_is_told(copy, capsys):
    """A real input/output error: Linux gives one to who reads another process's memory, or its own, from address 0."""
    for file in sorted(copy.iterdir()):
        aside = file.rename(copy.parent / "aside")
        file.symlink_to("/proc/self/mem")
        assert "Input/output error" in told(copy), file.name
        assert quietly("review", copy, "--by", MILLER, "--confirm", "f1") == 2
        assert "Input/output error" in capsys.readouterr().err, file.name
        file.unlink()
        aside.rename(file)
    assert told(copy) == ""


def test_a_damaged_record_is_not_worked_on(copy, capsys):
    """Review, issue and report refuse it and say why; nothing is changed."""
    (copy / "features.csv").write_bytes(b"id\n")
    before = {p.name: p.read_bytes() for p in copy.iterdir()}
    for arguments in (
        ("review", copy, "--by", MILLER, "--confirm", "f1"),
        ("issue", copy, "--amend", "--by", MILLER, "--why", "x"),
        ("report", copy, "--out", copy.parent / "r"),
    ):
        assert quietly(*arguments) == 2
        assert "features.csv" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in copy.iterdir()} == before


def test_an_issued_record_is_frozen_and_amended_by_a_new_revision(copy, capsys):
    """The old one is kept beside, named by its hash; the new one has the next revision and says what was changed."""
    old = folder.read(copy)
    assert quietly("review", copy, "--by", MILLER, "--enter", "order.client=Another") == 2
    assert "frozen" in capsys.readouterr().err
    assert quietly("report", copy) == 2
    assert quietly("issue", copy, "--amend", "--by", MILLER) == 2  # without a reason
    assert quietly("issue", copy, "--amend", "--by", MILLER, "--why", "client corrected") == 0
    assert quietly("review", copy, "--by", MILLER, "--enter", "order.client=Another") == 0
    assert quietly("issue", copy, "--by", MILLER, "--authorised-by", SMITH) == 0
    assert told(copy) == ""
    record = model.load(copy)
    assert (record.issue.number, record.issue.revision, record.amends.sha256) == ("R-7", 2, old.sha256)
    page = (copy / "report.html").read_text(encoding="utf-8")
    for said in ("report R-7, revision 2", "report R-7, revision 1", old.sha256, "client corrected", "Example → Another"):
        assert said in page
    (kept,) = (p for p in copy.parent.iterdir() if ".replaced-" in p.name)
    assert told(kept) == ""
    assert (kept / "record.json").read_bytes() == (copy.parent / kept.name / "record.json").read_bytes()
    assert any(step.name == "amends" and step.holds for step in audit(copy))
    assert (kept / "issue.json").exists()


def test_the_reviewer_is_asked_on_a_terminal(issued, tmp_path, monkeypatch, capsys):
    """Feature by feature: confirm, reject with a reason, another kind, leave; at the end whether all was looked over."""
    path = shutil.copytree(issued.reviewed, tmp_path / "out" / issued.reviewed.name)
    ids = issued.ids
    assert quietly("review", path, "--by", MILLER, "--reopen", *ids, "--why", "once more") == 0
    answers = iter(["r", "a scratch", *["c"] * (len(ids) - 1)])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("builtins.input", lambda question: next(answers))
    assert quietly("review", path, "--by", MILLER) == 0
    record = model.load(path)
    assert (record.features[0].status, record.features[0].reason) == ("rejected", "a scratch")
    assert all(feature.status == "confirmed" for feature in record.features[1:])
    assert "nothing is left to do" in capsys.readouterr().out
    assert not [p for p in path.parent.iterdir() if ".replaced" in p.name]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--confirm", "f1"), "no person"),
        (("--by", MILLER, "--confirm", "f99"), "f99"),
        (("--by", MILLER, "--reject", "f1"), "why"),
        (("--by", MILLER, "--kind", "f1", "crak"), "crack"),
        (("--by", MILLER, "--add", "absent.json"), "absent.json"),
        (("--by", MILLER, "--observe", "nonsense"), "nonsense"),
        (("--by", MILLER, "--corner", "f1", "perhaps"), "perhaps"),
    ],
)
def test_a_wrong_review_is_refused_and_changes_nothing(issued, arguments, said, capsys):
    """Exit 2 with the place named."""
    before = (issued.reviewed / "record.json").read_bytes()
    assert quietly("review", issued.reviewed, *arguments) == 2
    assert said in capsys.readouterr().err
    assert (issued.reviewed / "record.json").read_bytes() == before


def test_a_report_in_another_language_and_without_private_files(issued, tmp_path):
    """German words, decimal commas, the laboratory's name; no photograph and no record leave the folder."""
    (tmp_path / "settings.toml").write_text('language = "de"\n[laboratory]\nname = "Example workshop"\n', encoding="utf-8")
    assert quietly("report", issued.path, "--settings", tmp_path / "settings.toml", "--out", tmp_path / "out") == 0
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert names == {"features.csv", "features.xlsx", "overlay.png", "report.html", "report.pdf", "slide.png"}
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    first = model.load(issued.path).features[0]
    assert 'lang="de"' in page
    assert "Example workshop" in page
    assert "Untersuchte Fläche" in page
    assert plus_minus(first.length_mm, first.U_length_mm).replace(".", ",") in page


def test_nothing_private_leaves_the_folder(issued, bend_case, tmp_path):
    """A photograph with a place, a name and a serial number beside the picture: none of it is in a file of the report."""
    plain = bend_case.photo.read_bytes()
    secrets = b"".join(
        marker + (len(text) + 2).to_bytes(2, "big") + text
        for marker, text in (
            (b"\xff\xfe", b"SECRET owner"),
            (b"\xff\xe1", b"http://ns.adobe.com/xap/1.0/\x00<x>SECRET serial, GPS 1.234</x>"),
            (b"\xff\xed", b"Photoshop 3.0\x00SECRET thumbnail"),
        )
    )
    (tmp_path / "private.jpg").write_bytes(plain[:2] + secrets + plain[2:])
    photo = photos.read(tmp_path / "private.jpg")
    files = job.report_files([photo], model.load(issued.path))
    assert len(files) == 6
    for name, data in files.items():
        if name.endswith(".pdf"):
            with pikepdf.open(io.BytesIO(data)) as document:
                streams = [one for one in document.objects if isinstance(one, pikepdf.Stream)]
                parts = [one.read_raw_bytes() if one.get("/Filter") == "/DCTDecode" else one.read_bytes() for one in streams]
            data += b"".join(parts)
        if name.endswith(".xlsx"):
            book = zipfile.ZipFile(io.BytesIO(data))
            data = b"".join(book.read(part) for part in book.namelist())
        assert b"SECRET" not in data, name
        assert str(tmp_path).encode() not in data, name


def test_there_must_be_a_record(tmp_path, capsys):
    """Exit 2 where there is nothing to check."""
    assert quietly("check", tmp_path / "absent") == 2
    assert "no such record" in capsys.readouterr().err


SEALED = Path(__file__).parent / "record" / "sealed"


def step(path: Path, name: str, *given: Path):
    """One step of the audit, with photographs that were given."""
    return next(one for one in audit(path, photo_files=given) if one.name == name)


def test_a_photograph_that_is_not_at_hand_leaves_it_open(tmp_path):
    """Told with what to do; given beside, it is checked by its hash, and a file that is none is told."""
    path = shutil.copytree(SEALED, tmp_path / "R-1")
    (path / "p1.png").rename(tmp_path / "face.png")
    (tmp_path / "x.png").write_bytes(b"no picture")
    absent = step(path, "photographs")
    assert absent.holds is None
    assert "--photo" in absent.told[-1]
    assert step(path, "photographs", tmp_path / "face.png").holds is True
    wrong = step(path, "photographs", tmp_path / "x.png")
    assert wrong.holds is False
    assert "x.png" in wrong.told[0]


def test_another_picture_or_none_in_the_photograph_s_place(tmp_path):
    """By its hash; by what the reader says."""
    path = shutil.copytree(SEALED, tmp_path / "R-1")
    Image.new("RGB", (1600, 1200)).save(path / "p1.png")
    assert "is not the photograph that was measured" in step(path, "photographs").told[0]
    (path / "p1.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    assert step(path, "photographs").holds is False


TABLE = b"id,length_mm,kind\nf1,3.10,pore\n"


@pytest.mark.parametrize(
    ("other", "same"),
    [
        (b"id,length_mm,area_mm2\nf1,3.10,0.5\n", True),
        (b"id,length_mm\nf1,3.20\n", False),
        (b"id,length_mm\nf1,3.10\nf2,1.00\n", False),
        (b"id,kind\nf1,pore\n", False),
        (b"\xff\xfe", False),
        (b"", False),
    ],
    ids=["another column", "another length", "another row", "no length", "no text", "empty"],
)
def test_a_table_by_another_program_is_compared_where_both_have_it(other, same):
    """Ids and lengths must be among what both have."""
    assert _same_where_both_have_it(TABLE, other) is same


def test_of_many_faults_some_are_told_and_the_rest_counted(tmp_path):
    """Thirty files that were added afterwards."""
    path = shutil.copytree(SEALED, tmp_path / "R-1")
    for number in range(30):
        (path / f"{number}.txt").touch()
    told = step(path, "files").told
    assert len(told) < 30
    assert told[-1] == f"and {30 - len(told) + 1} more"
