"""What many tests share: a bend and a broken face, rendered once a run with sheet, truth and limits; the trees of the code."""

from __future__ import annotations

import ast
import fcntl
import hashlib
import json
import os
import pickle
import shutil
import sys
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

collect_ignore = ["benchmarks"]  # what is measured, not judged: run by hand, and some import their neighbours

LIMITS = """
[limits]
title = "One face, one opening"
basis = "invented for the tests"
decision = "guarded"

[[rule]]
id = "single"
name = "greatest dimension of one"
kinds = ["opening", "crack", "pore", "slag", "other", "lack-of-sidewall-fusion", "lack-of-fusion"]
size = "length_mm"
test = "each"
limit = 3
unit = "mm"
sense = "at most"
"""


@cache
def nodes(source: str) -> list[ast.AST]:
    """Every node of a source text's tree, the whole module first; kept, as several tests read all the code."""
    return list(ast.walk(ast.parse(source)))


def remembered(function: Callable, most: int = 8) -> Callable:
    """The same function, which keeps its last answers: for one that takes long and whose answer follows from its inputs alone,
    where several tests ask it the same of one photograph. Whatever differs in an input is asked anew.
    """
    answers: dict[bytes, object] = {}

    def asked(first, *others, **named):
        given = pickle.dumps((getattr(first, "sha256", first), others, sorted(named.items())))
        key = hashlib.sha256(given).digest()
        if key not in answers:
            if len(answers) == most:
                del answers[next(iter(answers))]
            answers[key] = function(first, *others, **named)
        return answers[key]

    return asked


class Answers:
    """What the networks answered, as long as it is no more than MOST_BYTES: many tests ask the same of one photograph."""

    MOST_BYTES = 150_000_000

    def __init__(self, ask: Callable) -> None:
        self.ask, self.kept, self.lock = ask, OrderedDict[tuple, np.ndarray](), threading.Lock()

    def __call__(self, file: Path, given: np.ndarray, **named: str) -> np.ndarray:
        key = file, given.shape, hashlib.sha256(np.ascontiguousarray(given)).digest()
        with self.lock:
            answer = self.kept.pop(key, None)
        answer = self.ask(file, given, **named).copy() if answer is None else answer
        with self.lock:
            self.kept[key] = answer
            while sum(one.nbytes for one in self.kept.values()) > self.MOST_BYTES:
                self.kept.popitem(last=False)
        return answer.copy()


@pytest.fixture(scope="session", autouse=True)
def answers() -> Iterator[Answers]:
    """The networks are asked once for each picture: the answer follows from it and the file (test_networks.py)."""
    from specimeter import networks

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(networks, "answer", Answers(networks.answer))
        yield networks.answer


@pytest.fixture
def asked_anew(answers, monkeypatch) -> None:
    """For a test of the networks themselves, of threads or of what is used up: nothing is remembered."""
    from specimeter import networks

    monkeypatch.setattr(networks, "answer", answers.ask)


@pytest.fixture
def uncounted(monkeypatch) -> Iterator[None]:
    """For a test that does the same over and over, or runs none of our code: its lines and branches are not counted where
    those of the tests are, neither here nor in what it starts, which would take up to four times as long.
    """
    for name in [name for name in os.environ if name.startswith("COVERAGE_")]:
        monkeypatch.delenv(name)
    counting = sys.modules["coverage"].Coverage.current() if "coverage" in sys.modules else None
    if counting is not None:
        counting.stop()
    yield
    if counting is not None:
        counting.start()


LONG = ("test_types.py", "test_mutants.py")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What takes longest begins first, so that it is not what the last worker is left with."""
    items.sort(key=lambda item: item.path.name not in LONG)


class Case(NamedTuple):
    """The files of one rendered photograph."""

    photo: Path
    sheet: Path
    limits: Path
    truth: dict


def made_once(tmp_path_factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """A folder that `make` fills, once for all workers of a run and for both runs of `tests/run`; nobody writes to it later."""
    base = tmp_path_factory.getbasetemp()
    shared = os.environ.get("SPECIMETER_TEST_MADE")
    folder = (Path(shared) if shared else base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / name
    with open(folder.with_suffix(".lock"), "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.is_dir():
            making = folder.with_suffix(".making")
            shutil.rmtree(making, ignore_errors=True)  # of a worker that failed while it made it
            making.mkdir()
            make(making)
            making.rename(folder)
    return folder


def rendered(tmp_path_factory: pytest.TempPathFactory, stem: str, seed: int, **choices) -> Case:
    """One random scene rendered into a folder of its own, once for all workers; `choices` as in `random_scene`."""

    def make(folder: Path) -> None:
        from specimeter.scene.files import save
        from specimeter.scene.random import random_scene
        from specimeter.scene.render import render

        save(render(random_scene(seed, **choices)), folder, stem)
        (folder / f"{stem}.limits.toml").write_text(LIMITS, encoding="utf-8")

    folder = made_once(tmp_path_factory, f"{stem}-{seed}", make)
    truth = json.loads((folder / f"{stem}.truth.json").read_text(encoding="utf-8"))
    return Case(folder / f"{stem}.jpg", folder / f"{stem}.sheet.toml", folder / f"{stem}.limits.toml", truth)


@pytest.fixture(scope="session")
def bend_case(tmp_path_factory) -> Case:
    """A side bend beside a strip card at the crown's height, 0.75 MP."""
    choices = {"width_px": 1000, "card": "strip", "height": "level", "bench": "paper", "finish": "blasted"}
    return rendered(tmp_path_factory, "side", 11, tilt_deg=5, angle_deg=180.0, **choices)


@pytest.fixture(scope="session")
def break_case(tmp_path_factory) -> Case:
    """A nick-break half with some pores, one of nearly 4 mm, beside a strip card at its height, 0.3 MP: measured in a
    quarter of the time that a bend takes, for whatever does not ask how a photograph is measured.
    """
    choices = {"test": "nick-break", "width_px": 600, "card": "strip", "height": "level", "bench": "paper"}
    return rendered(tmp_path_factory, "half", 15_000_400, **choices)


@pytest.fixture(scope="session")
def bend_record(bend_case, tmp_path_factory) -> Path:
    """The folder of the bend's record, its openings found by the classical method: to be read, or copied and then changed."""

    def make(out: Path) -> None:
        from specimeter import job

        job.measure(bend_case.photo, bend_case.sheet, bend_case.limits, out=out, method="openings")

    (record,) = (path for path in made_once(tmp_path_factory, "bend-record", make).iterdir() if path.is_dir())
    return record


@pytest.fixture(scope="session")
def sample_record(tmp_path_factory) -> Callable[[str], Path]:
    """A function: the folder of the record that the command line makes of a sample. No report is drawn: it holds no numbers
    of its own.
    """

    def of(name: str) -> Path:
        def make(out: Path) -> None:
            from specimeter import cli, job
            from specimeter.data import sample_images

            sample = sample_images() / name
            files = [f"{sample}.jpg", "--sheet", f"{sample}.sheet.toml", "--limits", f"{sample}.limits.toml"]
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(job, "folder_files", lambda photographs, record, house: {})
                assert cli.main(["measure", *files, "--out", str(out), "--quiet"]) == 0

        (record,) = (path for path in made_once(tmp_path_factory, f"sample-{name}", make).iterdir() if path.is_dir())
        return record

    return of
