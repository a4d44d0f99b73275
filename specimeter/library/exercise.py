"""Making an exercise: which pictures, in what order, by which reference, as a folder that opens by double click."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import SubElement

import cv2
import numpy as np

from specimeter import files
from specimeter.errors import LibraryError
from specimeter.library import consensus, framing, knowledge, marking, which_test
from specimeter.library.catalogue import Kept
from specimeter.library.find import Query, find
from specimeter.library.page import add, asset, data_script, html, new
from specimeter.library.store import Store, explained
from specimeter.sheet import KINDS

FORMAT, VERSION = "specimeter-exercise", 1
SCRIPTS = ("assets/data.js", "assets/exercise-score.js", "assets/exercise-marks.js", "assets/exercise.js")
SET_ASIDE = ("fisheye", "other")  # kinds that the exercise's limits do not count
OUTLINE_POINTS = 60
MODULE = 50  # fewer cases teach less: learning is steepest between 20 and 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What an exercise is to be. Limits in mm are the trainer's own; both None: no verdict is asked for.

    `clean_share` of the pictures show nothing; None: half, and 60 % in an examination. `tolerance_mm` is fixed here, before
    anybody is marked; None: from the spread between readers, else 1 mm.
    """

    title: str = "Find and judge"
    number: int = MODULE
    seed: int = 1
    clean_share: float | None = None
    examination: bool = False
    single_mm: float | None = None
    total_mm: float | None = None
    tolerance_mm: float | None = None
    allowance: float = consensus.ALLOWANCE
    quiz: int = 0
    repeats: int = 0  # pictures that come again later under another number: how far a person agrees with himself
    kind: str | None = None  # pictures with findings show this kind; clean ones of the same tests stand among them
    query: Query = field(default_factory=Query)

    @property
    def limits(self) -> str:
        """The verdict's rule in words."""
        parts = []
        if self.single_mm is not None:
            parts.append(f"any one imperfection is longer than {self.single_mm:g} mm")
        if self.total_mm is not None:
            parts.append(f"all together are longer than {self.total_mm:g} mm")
        return f"Reject if {' or '.join(parts)}; fisheyes and marks that are no imperfection do not count." if parts else ""


def make(store: Store, out: str | Path, wish: Wish) -> dict[str, Any]:
    """Write the exercise's folder, and its key into the library. Returns the key.

    Raises
    ------
    LibraryError
        The library has too few pictures whose truth is known well enough, or there is something in the folder already.
    """
    out = Path(out)
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise LibraryError(
            "there is something there already", file=out, expected="a new or an empty folder", mend="choose another"
        )
    rng = np.random.default_rng(wish.seed)
    known = knowledge.read(store.folder)
    chosen = _chosen(store, wish, rng)
    tasks = [_task(number, one, wish) for number, one in enumerate(chosen, start=1)]
    _beside(tasks, chosen)
    questions = _questions(known, wish, rng, len(tasks))
    ones = {task["id"]: one for task, one in zip(tasks, chosen, strict=True)}
    order = _repeated(tasks, ones, wish, rng)
    for index, question in enumerate(questions):  # spread among the pictures
        order.insert(min(len(order), (index + 1) * (len(tasks) // (len(questions) + 1) + 1)), question)
    key = {
        "format": FORMAT,
        "version": VERSION,
        "title": wish.title,
        "seed": wish.seed,
        "examination": wish.examination,
        "limits": wish.limits,
        "allowance": wish.allowance,
        "tasks": order,
    }
    key["id"] = hashlib.sha256(json.dumps(key, sort_keys=True).encode()).hexdigest()[:16]
    with explained(out, "the exercise"), files.new_folder(out):
        _write(store, out, key, ones, known)
    return key


def _chosen(store: Store, wish: Wish, rng: np.random.Generator) -> list[Kept]:
    """Pictures with and without findings, look-alikes mixed: never two of a kind in a row where it can be helped."""
    share = wish.clean_share if wish.clean_share is not None else 0.6 if wish.examination else 0.5
    if not 0 <= share <= 1:
        raise LibraryError(f"a share of clean faces is from 0 to 1, not {share:g}", field="clean_share")
    hits = find(store, wish.query, limit=1_000_000).hits
    known = [(one, _reference(one, wish)) for one in hits if one.entry.publishable]
    clean = [one for one, reference in known if reference is not None and not reference.items]
    flawed = [one for one, reference in known if reference is not None and any(item.scored for item in reference.items)]
    if wish.kind is not None:
        flawed = [one for one in flawed if wish.kind in one.entry.kinds]
        tests = {one.entry.test for one in flawed}
        clean = [one for one in clean if one.entry.test in tests]
    wanted_clean = round(share * wish.number)
    wanted = (("clean faces", clean, wanted_clean), ("pictures with findings", flawed, wish.number - wanted_clean))
    for name, have, need in wanted:
        if len(have) < need:
            raise LibraryError(
                f"there are {len(have)} {name} to choose from, and {need} are asked for",
                file=store.folder,
                expected="pictures with a known truth or three readers, a licence and a permission",
                mend="ask for fewer, for another share of clean faces, or add pictures",
            )
    picked = [have[index] for _, have, need in wanted for index in rng.permutation(len(have))[:need]]
    picked = [picked[index] for index in rng.permutation(len(picked))]
    mixed: list[Kept] = []
    while picked:
        before = set(mixed[-1].entry.kinds) if mixed else set()
        other = next((one for one in picked if not before & set(one.entry.kinds) or not one.entry.kinds), picked[0])
        picked.remove(other)
        mixed.append(other)
    return mixed


def _tolerance_px(one: Kept, wish: Wish) -> float:
    """Within this distance a mark means what the reference means; readers' spread widens it, once it is known."""
    diagonal = float(np.hypot(*framing.frame(one.entry, one.width_px, one.height_px)[2:]))
    least = 0.012 * diagonal  # a finger on a screen
    if wish.tolerance_mm is not None and one.entry.mm_per_px:
        return max(least, wish.tolerance_mm / one.entry.mm_per_px)
    return max(least, 1.0 / one.entry.mm_per_px) if one.entry.mm_per_px else 0.02 * diagonal


def _reference(one: Kept, wish: Wish) -> consensus.Reference | None:
    return consensus.reference(one.entry, tolerance_px=_tolerance_px(one, wish))


def _task(number: int, one: Kept, wish: Wish) -> dict[str, Any]:
    known = _reference(one, wish)
    assert known is not None  # only such entries are asked about
    tolerance = _tolerance_px(one, wish)
    if known.spread_px is not None and wish.tolerance_mm is None:
        tolerance = max(tolerance, 2 * known.spread_px)
    entry = one.entry
    items = [_item(item, wish) for item in known.items]
    verdict, because = _verdict(known.items, wish)
    said = [entry.test and entry.test.replace("-", " "), entry.process and f"process {entry.process}"]
    said += [f"{entry.thickness_mm:g} mm plate"] if entry.thickness_mm else []
    return {
        "id": f"t{number:03d}",
        "type": "mark",
        "entry": one.id,
        "sha256": one.sha256,
        "test": entry.test,
        "picture": f"pictures/t{number:03d}{one.suffix}",
        "size_px": [one.width_px, one.height_px],
        "frame": list(framing.frame(entry, one.width_px, one.height_px)),
        "mm_per_px": entry.mm_per_px,
        "says": ", ".join(part for part in said if part).capitalize() or "A picture",
        "key": {"items": items, "tolerance_px": tolerance, "verdict": verdict, "because": because, "basis": known.basis},
    }


def _item(item: consensus.Item, wish: Wish) -> dict[str, Any]:
    """An item as the page and `marking` need it."""
    path = marking.path_of(item.outline_px)
    low, high = item.outline_px.min(0), item.outline_px.max(0)
    length = float(np.linalg.norm(path[-1] - path[0]))
    area = abs(float(cv2.contourArea(item.outline_px.astype(np.float32).reshape(-1, 1, 2))))
    thin = length * length > consensus.LONG * max(area, 1e-9) * 4 / np.pi  # against an ellipse of that length and area
    step = max(1, len(item.outline_px) // OUTLINE_POINTS)
    counted = not set(item.kinds[:1]) & set(SET_ASIDE)
    rejectable = (
        counted and wish.single_mm is not None and item.length_mm is not None and item.length_mm - item.U_mm > wish.single_mm
    )
    tolerance = marking.size_tolerance_mm(item.length_mm or 0.0, item.U_mm, item.spread_mm, wish.allowance)
    return {
        "kinds": list(item.kinds),
        "outline_px": np.round(item.outline_px[::step], 1).tolist(),
        "path_px": np.round(path, 1).tolist(),
        "centre_px": np.round((low + high) / 2, 1).tolist(),
        "half_px": round(length / 2, 1),
        "long": bool(thin),
        "length_mm": None if item.length_mm is None else round(item.length_mm, 3),
        "tolerance_mm": round(tolerance, 3),
        "rejectable": bool(rejectable),
        "scored": item.scored,
        "note": item.note,
        "why": item.why,
    }


def _verdict(items: Sequence[consensus.Item], wish: Wish) -> tuple[str | None, str]:
    """Accept, reject, or None where the reference itself leaves it open; and why."""
    if not wish.limits:
        return None, ""
    counted = [item for item in items if not set(item.kinds[:1]) & set(SET_ASIDE)]
    sure = [item for item in counted if "disputed" not in item.note]
    if any(item.length_mm is None for item in counted):
        return None, "a length is not known, so the verdict is not scored."
    low = [(item.length_mm or 0.0) - item.U_mm for item in sure]
    high = [(item.length_mm or 0.0) + item.U_mm for item in counted]
    longest = max((item.length_mm or 0.0 for item in counted), default=0.0)
    if wish.single_mm is not None and any(value > wish.single_mm for value in low):
        return "reject", f"the longest is {longest:.1f} mm, and {wish.single_mm:g} mm is the limit of this exercise."
    if wish.total_mm is not None and sum(low) > wish.total_mm:
        return "reject", f"together they are {sum(low):.1f} mm, and {wish.total_mm:g} mm is the limit of this exercise."
    single_kept = wish.single_mm is None or all(value <= wish.single_mm for value in high)
    total_kept = wish.total_mm is None or sum(high) <= wish.total_mm
    if single_kept and total_kept:
        return (
            "accept",
            "nothing counts." if not counted else f"the longest is {longest:.1f} mm, within the limits of this exercise.",
        )
    return None, "it is too near a limit for what is known of it, so the verdict is not scored."


def _beside(tasks: Sequence[dict[str, Any]], chosen: Sequence[Kept]) -> None:
    """Each picture with findings is answered beside a clean face of the same test, if the exercise holds one."""
    clean = {one.entry.test: task["picture"] for task, one in zip(tasks, chosen, strict=True) if not task["key"]["items"]}
    for task in tasks:
        if task["key"]["items"] and task["test"] in clean:
            task["key"]["beside"] = clean[task["test"]].replace("pictures/", "thumbs/").rsplit(".", 1)[0] + ".jpg"


def _repeated(
    tasks: Sequence[dict[str, Any]], ones: dict[str, Kept], wish: Wish, rng: np.random.Generator
) -> list[dict[str, Any]]:
    """The tasks, some of the first half once more among the second; `ones` learns of the new numbers."""
    half = len(tasks) // 2
    if wish.repeats > half:
        raise LibraryError(f"at most {half} of {len(tasks)} pictures can come twice", field="repeats", mend="ask for fewer")
    order = list(tasks)
    for number, index in enumerate(rng.permutation(half)[: wish.repeats], start=1):
        task = tasks[index]
        twin = {**task, "id": f"r{number:03d}", "picture": f"pictures/r{number:03d}.{task['picture'].rsplit('.', 1)[1]}"}
        ones[twin["id"]] = ones[task["id"]]
        order.insert(int(rng.integers(half + len(tasks) // 4, len(order) + 1)), twin)
    return order


def _questions(known: knowledge.Knowledge, wish: Wish, rng: np.random.Generator, before: int) -> list[dict[str, Any]]:
    """Which test? Each about one imperfection, a joint and a thickness, with four tests to choose from."""
    out: list[dict[str, Any]] = []
    names = list(dict.fromkeys(line.imperfection for line in known.coverage))
    while len(out) < wish.quiz:
        sought = names[int(rng.integers(len(names)))]
        joint = "butt" if rng.random() < 0.7 else "fillet"
        thickness = float(rng.choice([6.0, 8.0, 12.0, 16.0, 20.0, 25.0]))
        advice = which_test.which_tests(known, [sought], joint=joint, thickness_mm=thickness)
        if len(advice) < 2 or advice[0].worth <= advice[-1].worth:
            continue
        right = [one for one in advice if one.worth == advice[0].worth]
        wrong = [one for one in advice if one.worth < advice[0].worth]
        offered = [right[0], *(wrong[index] for index in rng.permutation(len(wrong))[:3])]
        offered = [offered[index] for index in rng.permutation(len(offered))]
        number = before + len(out) + 1
        out.append(
            {
                "id": f"q{number:03d}",
                "type": "which",
                "says": f"A {joint} joint in {thickness:g} mm plate; sought: {known.imperfections[sought]}.",
                "choices": [[one.test.id, one.test.name] for one in offered],
                "key": {
                    "right": [one.test.id for one in right],
                    "because": [f"{one.test.name}: {one.reason}" for one in sorted(offered, key=lambda one: -one.worth)],
                },
            }
        )
    return out


def hidden(keys: Sequence[Mapping[str, Any]], id_: str) -> str:
    """Answers as text that says nothing at a glance. It is no lock: whoever wants to, reads it; an examination has none."""
    data = json.dumps(keys, ensure_ascii=False, separators=(",", ":")).encode()
    return base64.b64encode(bytes(byte ^ ord(id_[index % len(id_)]) for index, byte in enumerate(data))).decode("ascii")


def _write(store: Store, out: Path, key: dict[str, Any], ones: Mapping[str, Kept], known: knowledge.Knowledge) -> None:
    """The key first: without it nobody's results could be marked. The page that opens the exercise last."""
    store.keep(
        store.folder / "exercises" / f"{key['id']}.json", (json.dumps(key, ensure_ascii=False, indent=1) + "\n").encode()
    )
    for task in key["tasks"]:
        if task["type"] == "mark":
            one = ones[task["id"]]
            files.put(out / task["picture"], store.picture(one.sha256, one.suffix).read_bytes())
            files.put(out / "thumbs" / f"{task['id']}.jpg", store.thumb(one.sha256).read_bytes())
    hide = ("key", "entry", "sha256")
    data = {
        "id": key["id"],
        "title": key["title"],
        "examination": key["examination"],
        "limits": key["limits"],
        "kinds": [[kind, known.terms[kind].name] for kind in KINDS],
        "tasks": [{name: value for name, value in task.items() if name not in hide} for task in key["tasks"]],
        "answers": "" if key["examination"] else hidden([task["key"] for task in key["tasks"]], key["id"]),
    }
    for name in ("site.css", "exercise.js", "exercise-marks.js", "exercise-score.js"):
        files.put(out / "assets" / name, asset(name))
    files.put(out / "assets" / "data.js", data_script("specimeterExercise", data))
    files.put(out / "exercise-title.txt", f"{key['title']}\n".encode())
    page, main = new(key["title"], key["title"], scripts=SCRIPTS)
    SubElement(main, "div", id="exercise")
    add(SubElement(main, "noscript"), "p", "This exercise needs scripts to be allowed in the browser.")
    files.put(out / "index.html", html(page))
