"""Every sub-command of `library`, `exercise` and `agreement` does its work from the command line and refuses what is wrong."""

from __future__ import annotations

import json

import pytest
from PIL import Image

from specimeter.cli import main
from specimeter.record import model


@pytest.fixture
def place(tmp_path, pictures):
    """A library of four pictures made by the commands themselves."""
    library = tmp_path / "library"
    assert main(["library", "init", str(library)]) == 0
    for number in range(4):
        Image.fromarray(pictures[0](number)).save(tmp_path / f"{number}.png")
        call = ["library", "add", str(library), str(tmp_path / f"{number}.png"), "--test", "side-bend", "--licence", "CC0"]
        call += ["--permission", "drawn", "--truth", "drawn", "--quality", str(50 + number)]
        assert main([*call, "--clean"] if number < 2 else [*call, "--kind", "pore", "--tag", "round"]) == 0
    return library


def test_a_trainer_s_words_at_the_terminal(place, tmp_path, capsys):
    """Find, show, edit, check, explain, which test, publish, export and import, one after the other."""
    capsys.readouterr()
    assert main(["library", "find", str(place), "--kind", "pore", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert ([hit["id"] for hit in found["hits"]], found["total"]) == ([4, 3], 2)
    assert main(["library", "edit", str(place), "3", "--quality", "90", "--drop", "tags", "--who", "Trainer"]) == 0
    assert main(["library", "show", str(place), "3"]) == 0
    told = capsys.readouterr().out
    assert "Trainer changed quality: 52 -> 90" in told
    assert "changed tags" in told
    assert main(["library", "find", str(place), "--like", "3", "--limit", "2"]) == 0
    assert main(["library", "explain", "pore", "--library", str(place)]) == 0
    assert "ISO 6520-1: 2011" in capsys.readouterr().out
    assert main(["library", "explain", str(place), "pore"]) == 0
    assert main(["library", "which-test", str(place), "pore", "--thickness-mm", "20"]) == 0
    assert main(["library", "which-test", "pore", "--thickness-mm", "20"]) == 0
    assert main(["library", "which-test", "--of", "side-bend"]) == 0
    assert "lack-of-sidewall-fusion" in capsys.readouterr().out
    assert main(["library", "export", str(place), str(tmp_path / "bag"), "--form", "bag"]) == 0
    assert main(["library", "init", str(tmp_path / "other")]) == 0
    assert main(["library", "import", str(tmp_path / "other"), str(tmp_path / "bag")]) == 0
    assert "4 new entries" in capsys.readouterr().out
    assert (
        main(["exercise", "make", str(place), str(tmp_path / "week-1"), "--number", "2", "--clean-share", "1", "--quiz", "1"])
        == 0
    )
    assert main(["library", "publish", str(place), str(tmp_path / "site"), "--exercise", str(tmp_path / "week-1")]) == 0
    assert (tmp_path / "site" / "exercises" / "week-1" / "index.html").is_file()
    assert main(["library", "check", str(place)]) == 0
    next((place / "pictures").glob("*/*.png")).unlink()
    assert main(["library", "check", str(place)]) == 3


def test_results_are_collected_and_studied(place, tmp_path, capsys):
    """Formulas in a trainee's name stay text in the tables."""
    assert (
        main(["exercise", "make", str(place), str(tmp_path / "e"), "--number", "2", "--clean-share", "1", "--single-mm", "3"])
        == 0
    )
    key = json.loads(next((place / "exercises").glob("*.json")).read_bytes())
    files = []
    for name in ("=cmd()", "Bo"):
        tasks = [{"task": task["id"], "marks": [], "verdict": "accept"} for task in key["tasks"]]
        head = {"format": "specimeter-result", "version": 1, "exercise": key["id"], "trainee": name}
        files.append(tmp_path / f"{len(files)}.json")
        files[-1].write_text(
            json.dumps({**head, "started": "2026-03-02T09:00:00Z", "finished": "2026-03-02T09:30:00Z", "tasks": tasks}),
            encoding="utf-8",
        )
    paths = [str(path) for path in files]
    assert main(["exercise", "collect", str(place), *paths, *paths, "--out", str(tmp_path / "progress")]) == 0
    assert "finding 100 %" in capsys.readouterr().out
    table = (tmp_path / "progress" / "tasks.csv").read_text(encoding="utf-8")
    assert "'=cmd()" in table
    assert table.count("\n") == 5
    assert main(["exercise", "reference", str(place), *paths]) == 0
    assert "4 readings" in capsys.readouterr().out
    assert main(["agreement", "study", "--library", str(place), "--out", str(tmp_path / "study"), *paths]) == 0
    told = capsys.readouterr().out
    assert "one and the same category" in told, "kappa is undefined where both accept everything"
    assert (tmp_path / "study" / "study.pdf").read_bytes().startswith(b"%PDF")


def test_records_of_several_people_are_studied(tmp_path, a_record, capsys):
    """The same photograph measured by two people, twice each: verdicts by outcome, the greatest length as size."""
    paths = []
    for number, (who, outcome, length) in enumerate(
        [("Ada", "within", 2.0), ("Bo", "within", 2.2), ("Ada", "within", 2.1), ("Bo", "exceeds", 3.1)] * 2
    ):
        folder = tmp_path / f"r{number}"
        folder.mkdir()
        sha256 = str(number // 4) * 64
        record = a_record(sha256, who, outcome, length + number // 4, f"2026-03-2{number}T09:30:00+00:00")
        (folder / "record.json").write_bytes(model.dump(record))
        paths.append(str(folder))
    assert main(["agreement", "study", "--out", str(tmp_path / "study"), *paths]) == 0
    told = capsys.readouterr().out
    assert "2 people, 2 things, 8 calls, 8 sizes" in told
    assert "2 parts, 2 people, 2 trials each." in told


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (["library", "find", "LIB", "--kind", "pores"], 'did you mean "pore"'),
        (["library", "show", "LIB", "99"], "no entry 99"),
        (["library", "edit", "LIB", "1", "--test", "side"], "test"),
        (["library", "add", "LIB", "nowhere.png"], "no such file"),
        (["library", "find", "nowhere"], "there is no library"),
        (["library", "explain", "poor"], 'did you mean "pore"'),
        (["library", "export", "LIB", "OUT", "--form", "xml"], "coco, masks, geojson, bag"),
        (["exercise", "make", "LIB", "OUT", "--number", "50"], "to choose from"),
        (["exercise", "collect", "LIB", "nowhere.json", "--out", "OUT"], "cannot be read"),
        (["agreement", "study", "--out", "OUT", "nowhere.csv"], "cannot be read"),
    ],
)
def test_what_is_wrong_is_refused_and_nothing_is_written(place, tmp_path, capsys, call, says):
    names = {"LIB": str(place), "OUT": str(tmp_path / "out")}
    assert main([names.get(word, word) for word in call]) == 2
    assert says in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
