"""From a library to a trainee's marked result: made, done in a browser by mouse, finger and keys, collected, studied."""

from __future__ import annotations

import io
import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from specimeter.errors import LibraryError
from specimeter.library import calls, catalogue, collect, exercise, marking, page, study, study_report
from specimeter.library.find import Query


@pytest.fixture
def made(filled, tmp_path):
    """An exercise of six pictures, one of them clean, with one question and a limit of 3 mm."""
    wish = exercise.Wish(title="Week <1>", number=6, clean_share=1 / 6, single_mm=3.0, quiz=1, seed=4)
    return exercise.make(filled, tmp_path / "exercise", wish)


def result_of(key: dict, trainee: str, answer, started: str = "2026-03-02T09:00:00.000Z") -> dict:
    """A result file as the page writes it; `answer` gives marks and verdict of a task."""
    tasks = []
    for task in key["tasks"]:
        if task["type"] == "which":
            tasks.append({"task": task["id"], "choice": task["key"]["right"][0], "seconds": 3})
        else:
            marks, verdict = answer(task)
            tasks.append({"task": task["id"], "marks": marks, "verdict": verdict, "seconds": 9})
    head = {"format": "specimeter-result", "version": 1, "exercise": key["id"], "title": key["title"], "trainee": trainee}
    return {**head, "started": started, "finished": started, "tasks": tasks}


def perfect(task: dict) -> tuple[list[dict], str]:
    """Marks that follow the reference."""
    marks = []
    for item in task["key"]["items"]:
        shape = "line" if item["long"] else "oval"
        low, high = np.min(item["outline_px"], 0).tolist(), np.max(item["outline_px"], 0).tolist()
        points = item["path_px"][::4] if item["long"] else [low, high]
        marks.append({"shape": shape, "points_px": points, "kind": item["kinds"][0], "length_mm": item["length_mm"]})
    return marks, task["key"]["verdict"] or "accept"


def careless(task: dict) -> tuple[list[dict], str]:
    """Nothing is ever seen, everything is accepted."""
    return [], "accept"


def read(tmp_path: Path, data: dict, name: str = "r.json") -> collect.Result:
    (tmp_path / name).write_text(json.dumps(data), encoding="utf-8")
    return collect.read(tmp_path / name)


def test_an_exercise_is_what_was_asked_for(made, filled, tmp_path):
    tasks = [task for task in made["tasks"] if task["type"] == "mark"]
    assert (len(tasks), len(made["tasks"])) == (6, 7)
    assert sum(not task["key"]["items"] for task in tasks) == 1
    lengths = {task["entry"]: [item["length_mm"] for item in task["key"]["items"]] for task in tasks}
    for task in tasks:  # U is 0.1 mm everywhere: a length between 2.9 and 3.1 leaves the verdict open
        longest = max(lengths[task["entry"]], default=0.0)
        expected = "reject" if longest - 0.1 > 3 else "accept" if longest + 0.1 <= 3 else None
        assert task["key"]["verdict"] == expected
    kinds = [set(catalogue.get(filled, task["entry"]).entry.kinds) for task in tasks]
    assert not any(one & other for one, other in itertools.pairwise(kinds)), "look-alikes are mixed, not in blocks"
    with pytest.raises(LibraryError, match="something there already"):
        exercise.make(filled, tmp_path / "exercise", exercise.Wish())
    with pytest.raises(LibraryError, match="clean faces"):
        exercise.make(filled, tmp_path / "other", exercise.Wish(number=20))


def test_the_same_seed_makes_the_same_exercise(filled, tmp_path):
    wish = exercise.Wish(number=4, clean_share=0.25, seed=7, query=Query())
    one, other = (exercise.make(filled, tmp_path / name, wish) for name in "ab")
    assert one == other


def test_pictures_that_come_twice_tell_how_far_a_person_agrees_with_himself(filled, tmp_path):
    """The same picture under another number, later on; a study of one result then has a first and a second call."""
    wish = exercise.Wish(number=6, clean_share=1 / 6, single_mm=3.0, repeats=2, seed=4)
    key = exercise.make(filled, tmp_path / "twice", wish)
    entries = [task["entry"] for task in key["tasks"]]
    assert len(entries) == 8
    assert len({task["picture"] for task in key["tasks"]}) == 8
    again = [place for place, entry in enumerate(entries) if entry in entries[:place]]
    assert len(again) == 2
    assert all(place - entries.index(entries[place]) >= 2 for place in again)
    said, _ = calls.from_results(filled, [read(tmp_path, result_of(key, "Ada", perfect))])
    assert (said["repeat"] == 2).sum() == 2
    with pytest.raises(LibraryError, match="come twice"):
        exercise.make(filled, tmp_path / "more", exercise.Wish(number=6, clean_share=1 / 6, repeats=4))
    assert not (tmp_path / "more").exists()


def test_answers_are_not_to_be_read_at_a_glance_and_an_examination_has_none(made, filled, tmp_path):
    """The page's files hold no kind, no length and no verdict of a picture in plain sight; an examination's none at all."""
    data = (tmp_path / "exercise" / "assets" / "data.js").read_text(encoding="utf-8")
    whole = json.loads(data.removeprefix("window.specimeterExercise = ").rstrip(";\n"))
    assert "outline_px" not in data
    assert '"verdict"' not in data
    assert whole["answers"]
    assert all("key" not in task and "entry" not in task for task in whole["tasks"])
    wish = exercise.Wish(number=5, clean_share=0.2, examination=True)
    exercise.make(filled, tmp_path / "examination", wish)
    data = (tmp_path / "examination" / "assets" / "data.js").read_text(encoding="utf-8")
    assert json.loads(data.removeprefix("window.specimeterExercise = ").rstrip(";\n"))["answers"] == ""


def test_results_are_marked_by_the_kept_key_whatever_they_claim(made, filled, tmp_path):
    """Full marks for who follows the reference, serious misses for who sees nothing; a forged score changes nothing."""
    good = read(tmp_path, result_of(made, "Ada", perfect))
    bad = result_of(made, "Bo", careless)
    for done in bad["tasks"]:
        done["result"] = {"finding": 1.0}
    tasks, items = collect.marked(filled, [good, read(tmp_path, bad)])
    ada, bo = (collect.shares(tasks[tasks["trainee"] == name]) for name in ("Ada", "Bo"))
    assert ada.to_dict() == {"finding": 1.0, "naming": 1.0, "size": 1.0, "verdict": 1.0, "which test": 1.0}
    assert bo["finding"] == pytest.approx(1 / 6)
    rejectable = sum(any(item["rejectable"] for item in task["key"].get("items", [])) for task in made["tasks"])
    assert tasks[(tasks["trainee"] == "Bo") & (tasks["type"] == "mark")]["serious"].sum() == rejectable > 0
    assert items["found"].sum() == len(items) / 2
    html = page.html(collect.report(tasks, items))
    assert b"Ada" in html
    assert html.count(b"<svg") == 2


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"format": "other"}, "format"),
        ({"trainee": ""}, "trainee"),
        ({"started": "yesterday"}, "date"),
        ({"exercise": "../../../etc/x"}, "exercise"),
        ({"tasks": [{"task": "t001", "marks": [{"shape": "line", "points_px": [[0, 0]], "kind": "crack"}]}]}, "points_px"),
        (
            {"tasks": [{"task": "t001", "marks": [{"shape": "line", "points_px": [[0, 0], [1e300, 0]], "kind": "crack"}]}]},
            "points",
        ),
        ({"exercise": "0" * 16}, "made no exercise"),
        ({"tasks": [{"task": "nowhere"}]}, "no task nowhere"),
    ],
)
def test_a_wrong_result_is_refused(made, filled, tmp_path, change, says):
    with pytest.raises(LibraryError, match=says):
        collect.marked(filled, [read(tmp_path, {**result_of(made, "Ada", perfect), **change})])


def test_three_readers_make_a_reference(made, filled, tmp_path):
    """Results of trusted readers become readings, one for each person and picture, and carry an exercise of their own."""
    results = [read(tmp_path, result_of(made, name, perfect), f"{name}.json") for name in ("a", "b", "c", "c")]
    assert collect.as_readings(filled, results) == 24
    entry = catalogue.get(filled, made["tasks"][0].get("entry") or made["tasks"][1]["entry"]).entry
    assert sorted(reading.reader for reading in entry.readings) == ["a", "b", "c"]
    for one in list(catalogue.every(filled)):  # what the readers say is all that is known
        catalogue.edit(filled, one.id, {"truth": None})
    again = exercise.make(filled, tmp_path / "again", exercise.Wish(number=5, clean_share=0.2))
    flawed = [task for task in again["tasks"] if task["key"]["items"]]
    assert len(flawed) == 4
    assert {task["key"]["basis"] for task in flawed} == {"3 readers, by majority"}


def test_a_study_of_results_as_page_and_as_print(made, filled, tmp_path):
    """Two people, one of them twice: kappa, missed rejects, bias; the print is PDF/A and opens."""
    import pikepdf

    later = "2026-03-09T09:00:00.000Z"
    results = [result_of(made, "Ada", perfect), result_of(made, "Bo", careless), result_of(made, "Ada", perfect, later)]
    said, sizes = calls.from_results(filled, [read(tmp_path, one) for one in results])
    assert sorted(said[said["rater"] == "Ada"]["repeat"].unique()) == [1, 2]
    sections = study.study(said, sizes)
    told = {section.heading: section for section in sections}
    against = {row[0]: row for row in told["Against the reference"].blocks[0][3]}
    bad = sum(task["key"].get("verdict") == "reject" for task in made["tasks"])
    assert against["Ada"][1].startswith(f"0 of {2 * bad}")
    assert against["Bo"][1].startswith(f"{bad} of {bad}")
    assert told["The same person again"].blocks[0][3][0][:2] == ["Ada", "1.00"]
    html, pdf = study_report.as_html(sections, "<Study>"), study_report.as_pdf(sections, "<Study>")
    assert b"&lt;Study&gt;" in html
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert opened.open_metadata()["pdfaid:part"] == "2"


def test_a_study_of_a_table(tmp_path):
    """Columns by their plain names; a gauge study needs everybody to size everything twice, and says so where not."""
    lines = ["part,appraiser,trial,value"]
    rng = np.random.default_rng(2)
    lines += [
        f"{part},{who},{trial},{part + rng.normal(0, 0.1):.3f}" for part in range(1, 13) for who in "AB" for trial in (1, 2)
    ]
    (tmp_path / "t.csv").write_text("\n".join(lines), encoding="utf-8")
    sections = study.study(*calls.from_table(tmp_path / "t.csv"))
    gauge = next(section for section in sections if section.heading == "Gauge study")
    assert gauge.blocks[0][1] == "12 parts, 2 people, 2 trials each."
    (tmp_path / "t.csv").write_text("\n".join(lines[:3]), encoding="utf-8")
    sections = study.study(*calls.from_table(tmp_path / "t.csv"))
    assert "No gauge study" in sections[-1].blocks[0][1]
    (tmp_path / "t.csv").write_text("item,rater,verdikt\n1,A,accept\n", encoding="utf-8")
    with pytest.raises(LibraryError, match='nearest known column is "verdict"'):
        calls.from_table(tmp_path / "t.csv")


def test_the_page_marks_as_the_collector_does(made, tmp_path, browser):
    """Two hundred random tries at random references: the script in the page and the code here give the same result."""
    if browser is None:
        assert b"specimeterMarking" in page.asset("exercise-score.js")
        return
    rng = np.random.default_rng(6)
    tries = []
    for _ in range(200):
        items = []
        for _ in range(int(rng.integers(0, 4))):
            size = rng.uniform(5, 40)
            turn = np.linspace(0, 2 * np.pi, 30, endpoint=False)
            outline = rng.uniform(30, 170, 2) + size * np.column_stack([np.cos(turn), rng.uniform(0.05, 1) * np.sin(turn)])
            path = marking.path_of(outline)
            items.append(
                {
                    "kinds": [["crack"], ["pore", "slag"], []][int(rng.integers(3))],
                    "outline_px": outline.round(1).tolist(),
                    "path_px": path.round(1).tolist(),
                    "centre_px": outline.mean(0).round(1).tolist(),
                    "half_px": round(float(size), 1),
                    "long": bool(rng.random() < 0.5),
                    "length_mm": [None, 2.0][int(rng.random() < 0.8)],
                    "tolerance_mm": 0.4,
                    "rejectable": bool(rng.random() < 0.5),
                    "scored": bool(rng.random() < 0.8),
                }
            )
        marks = []
        for _ in range(int(rng.integers(0, 5))):
            near = (
                items[int(rng.integers(len(items)))]["path_px"] if items and rng.random() < 0.7 else rng.uniform(0, 200, (5, 2))
            )
            points = np.asarray(near)[:: int(rng.integers(1, 4))] + rng.normal(0, 5, 2)
            shape = "line" if rng.random() < 0.5 else "oval"
            points = points if shape == "line" else points[[0, -1]] + [[0, -6], [0, 6]]
            kind = ["crack", "pore"][int(rng.integers(2))]
            length = [None, round(float(rng.uniform(1, 3)), 1)][int(rng.random() < 0.8)]
            marks.append({"shape": shape, "points_px": points.round(1).tolist(), "kind": kind, "length_mm": length})
        task = {"items": items, "tolerance_px": 6.0, "verdict": [None, "accept", "reject"][int(rng.integers(3))]}
        tries.append([task, marks, [None, "accept", "reject"][int(rng.integers(3))]])
    browser.open((tmp_path / "exercise" / "index.html").as_uri())
    script = "function (t) { var r = specimeterMarking.marked(t[0], t[1], t[2]); delete r.near; return r; }"
    theirs = browser.run(f"{json.dumps(tries)}.map({script})")
    ours = [json.loads(json.dumps(marking.marked(*one))) for one in tries]
    assert sum(len(one["hits"]) for one in ours) > 100
    near = "t[1].map(function (m) { return t[0].items.map(function (i) { return specimeterMarking.closeness(m, i, 6.0); }); })"
    theirs_near = browser.run(f"{json.dumps(tries)}.map(function (t) {{ return {near}; }})")
    for (task, marks, _), rows in zip(tries, theirs_near, strict=True):
        for mark, row in zip(marks, rows, strict=True):
            for item, told in zip(task["items"], row, strict=True):
                assert told == pytest.approx(marking.closeness(mark, item, 6.0), abs=1e-9)
    for one, other in zip(ours, theirs, strict=True):
        assert one.pop("finding") == pytest.approx(other.pop("finding"), abs=1e-12)
        assert one == other


@pytest.mark.parametrize("by", ["mouse", "finger", "keys"])
def test_a_trainee_s_whole_way_in_the_browser(made, filled, tmp_path, browser, by):
    """Name, every picture marked, a question, the result saved as a file that the trainer collects: full marks."""
    if browser is None:
        return
    browser.open((tmp_path / "exercise" / "index.html").as_uri(), 390 if by == "finger" else 1280, 844, phone=by == "finger")
    browser.run("localStorage.clear()")
    browser.ask("Browser.setDownloadBehavior", behavior="allow", downloadPath=str(tmp_path), eventsEnabled=False)
    walk(browser, made, by)
    collected(browser, filled, tmp_path)


def test_a_trainee_s_whole_way_in_firefox(made, filled, tmp_path, firefox):
    """The same with the mouse in another browser, and no fault of accessibility before, on a picture and after its answer."""
    if firefox is None:
        return
    firefox.open((tmp_path / "exercise" / "index.html").as_uri(), 1280, 844)
    firefox.run("localStorage.clear()")
    told = []
    walk(firefox, made, "mouse", seen=lambda: told.extend(firefox.violations()))
    assert told == []
    collected(firefox, filled, firefox.saved)


def walk(browser, made: dict, by: str, seen=lambda: None) -> None:
    """From the name to the saved result: every mark over the reference; `seen` is called where the page changed."""
    browser.run("document.querySelector('#trainee').value = 'Ada <b>Example</b>'")
    browser.click("#begin")
    for task in made["tasks"]:
        if task["type"] == "which":
            browser.click(f"#choice-{task['key']['right'][0]}")
        else:
            for index, item in enumerate(task["key"]["items"]):
                browser.click("#tool-line" if item["long"] else "#tool-oval")
                draw(browser, item, by)
                fill(browser, index, item["kinds"][0], item["length_mm"])
            browser.click(f"#verdict-{task['key']['verdict'] or 'accept'}")
        seen()
        browser.click("#check")
        assert browser.run("document.querySelector('#answer').className") == "answer fine"
        seen()
        browser.click("#next")
    assert browser.complaints() == []
    browser.click("#save")
    browser.run("new Promise(function (done) { setTimeout(done, 500); })")


def collected(browser, library, folder: Path) -> None:
    """The saved file, read by the trainer: full marks, and the page said the same."""
    (saved,) = folder.glob("result-*.json")
    tasks, _ = collect.marked(library, [collect.read(saved)])
    assert collect.shares(tasks)[["finding", "naming", "size", "verdict", "which test"]].tolist() == [1.0] * 5
    assert tasks["trainee"].unique().tolist() == ["Ada <b>Example</b>"]
    shown = browser.run(
        "JSON.stringify(specimeterResult().tasks.map(function (t) { return t.result ? t.result.finding : t.right; }))"
    )
    assert set(json.loads(shown)) == {1}


def draw(browser, item: dict, by: str) -> None:
    """One mark over an item of the reference, through the page's own events."""
    a, d, e, f = browser.run(
        "(function () { var s = document.querySelector('.view svg');"
        "s.scrollIntoView({ block: 'center', behavior: 'instant' });"
        "var m = s.getScreenCTM(); return [m.a, m.d, m.e, m.f]; }())"
    )
    low, high = np.min(item["outline_px"], 0), np.max(item["outline_px"], 0)
    points = np.array(item["path_px"][::8]) if item["long"] else np.array([low, (low + high) / 2, high])
    if by != "keys":
        spots = [(x * a + e, y * d + f) for x, y in points]
        (browser.touch if by == "finger" else browser.drag)(spots)
        return
    browser.run("document.querySelector('.view svg').focus()")
    frame = browser.run("document.querySelector('.view svg').getAttribute('viewBox')").split()
    left, top, width, height = (float(value) for value in frame)
    at = np.array([left + 0.5 + width / 2, top + 0.5 + height / 2])
    step = 0.02 * width
    for spot in (points[0], points[-1]):
        moves = np.round((spot - at) / step).astype(int)
        for axis, names in ((0, ("ArrowLeft", "ArrowRight")), (1, ("ArrowUp", "ArrowDown"))):
            for _ in range(abs(moves[axis])):
                browser.key(names[int(moves[axis] > 0)])
        at = at + moves * step
        if not np.any(moves):  # the cross appears with the first step
            browser.key("ArrowLeft")
            browser.key("ArrowRight")
        browser.key("Enter")


def fill(browser, index: int, kind: str, length_mm: float) -> None:
    """Kind and length of a mark."""
    browser.run(
        f"(function () {{ var s = document.querySelector('[data-kind=\"{index}\"]'); s.value = '{kind}';"
        f"s.dispatchEvent(new Event('change')); var l = document.querySelector('[data-length=\"{index}\"]');"
        f"l.value = '{length_mm}'; l.dispatchEvent(new Event('input')); }}())"
    )


def test_the_page_has_no_fault_of_accessibility(made, tmp_path, browser):
    """axe-core finds nothing at the beginning, on a picture, and after its answer."""
    if browser is None:
        return
    import axe_core_python

    axe = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    browser.open((tmp_path / "exercise" / "index.html").as_uri())
    browser.run(axe + ";1")

    def faults() -> list[str]:
        told = "function (v) { return v.id + ': ' + v.nodes[0].html.slice(0, 200); }"
        return browser.run(f"axe.run().then(function (r) {{ return r.violations.map({told}); }})")

    assert faults() == []
    browser.run("document.querySelector('#trainee').value = 'Ada'")
    browser.click("#begin")
    task = next(task for task in made["tasks"] if task["type"] == "mark")
    while not browser.run("!!document.querySelector('.view svg')"):
        browser.click("input[type=radio]")
        browser.click("#check")
        browser.click("#next")
    for item in task["key"]["items"][:1]:
        draw(browser, item, "mouse")
        fill(browser, 0, "crack", 1.0)
    assert faults() == []
    browser.click("#verdict-accept")
    browser.click("#check")
    assert faults() == []
