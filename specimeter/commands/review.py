"""`specimeter review`: a named person confirms, rejects, corrects and adds features of a record."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from specimeter.commands import DONE, loading

if TYPE_CHECKING:
    from datetime import datetime

    from specimeter.record.model import Record

HELP = "confirm, reject, correct and add features, by a named person"
DESCRIPTION = (
    "Go through the features of a record. Every act is logged with who, when, old, new and why; sizes, verdicts, outcome and "
    "report follow. The review is complete when every feature is confirmed or rejected and a person has said (--looked-over) "
    "that the whole face was looked over. Without acts the features are listed; on a terminal, with --by, each is asked for."
)
EPILOG = (
    "Examples: specimeter review records/HW-3-SB1\n"
    "          specimeter review records/HW-3-SB1 --by 'A. Miller' --confirm f1 f3 --reject f2 --why 'scratch from the jig'\n"
    "          specimeter review records/HW-3-SB1 --by 'A. Miller' --kind f3 crack --cause f3 slag seen-in-opening\n"
    "          specimeter review records/HW-3-SB1 --by 'A. Miller' --all-confirm --looked-over\n"
    "          specimeter review records/MF-1 --by 'A. Miller' --weld-metal '810,640 835,655 850,700 800,720'\n"
    "          specimeter review records/NB-1 --by 'A. Miller' --add-photo other-half.jpg\n"
    "          specimeter review records/NB-1 --by 'A. Miller' --same f1 f7 --why 'the same pore in the other half'\n\n"
    'An outline file is JSON: {"outline_px": [[x, y], ...], "kind": "pore", "photo": "p1"}, or a list of these.'
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    several: dict[str, Any] = {"nargs": "+", "action": "extend", "default": []}
    each: dict[str, Any] = {"action": "append", "default": []}
    parser.add_argument("record", metavar="RECORD", help="folder of a record, or its record.json")
    parser.add_argument("--by", metavar="NAME", help="the person who reviews")
    parser.add_argument("--why", metavar="REASON", help="the reason; --reject, --reopen and --redraw need one")
    parser.add_argument("--enter", metavar="FIELD=VALUE", help="an entry of the sheet, such as order.client=Example", **each)
    parser.add_argument("--observe", metavar="KEY=VALUE", help="what was seen: true, false or undetermined", **each)
    parser.add_argument("--add", metavar="FILE", help="add the features of an outline file", **each)
    parser.add_argument("--outline", nargs=2, metavar=("ID", "FILE"), help="another outline for a feature", **each)
    parser.add_argument(
        "--redraw", nargs="+", metavar="FILE ID", help="the outlines of FILE take the place of the features ID...", **each
    )
    parser.add_argument(
        "--add-photo", metavar="FILE", help="measure a further photograph of the specimen: the other half, another view", **each
    )
    parser.add_argument(
        "--equipment", metavar="E.toml", help="the equipment register, for --add-photo where the sheet names one"
    )
    parser.add_argument("--kind", nargs=2, metavar=("ID", "KIND"), help="what is seen", **each)
    parser.add_argument("--cause", nargs=3, metavar=("ID", "CAUSE", "BASIS"), help="what it came of, and the basis", **each)
    parser.add_argument("--corner", nargs=2, metavar=("ID", "YES-OR-NO"), help="it begins at a corner, by eye", **each)
    parser.add_argument("--same", nargs=2, metavar=("ID", "OTHER"), help="both are one imperfection, seen twice", **each)
    parser.add_argument(
        "--weld-metal",
        metavar="POINTS",
        help='weld metal of an etched section: points "x,y x,y ..." in pixels, in order round it; "found" takes them back',
    )
    parser.add_argument(
        "--heat-zone",
        metavar="POINTS",
        help="heat-affected zone of an etched section: points as above along its outer border, three or more, or 'found'",
    )
    parser.add_argument("--confirm", metavar="ID", help="these are what they are said to be", **several)
    parser.add_argument("--reject", metavar="ID", help="these are no imperfections", **several)
    parser.add_argument("--reopen", metavar="ID", help="these are to be looked at again", **several)
    parser.add_argument("--all-confirm", action="store_true", help="confirm everything that is still only proposed")
    parser.add_argument("--looked-over", action="store_true", help="the whole face was looked over for what was missed")
    parser.add_argument("--photo", metavar="FILE", help="a photograph that the folder does not keep", **each)


def run(options: argparse.Namespace) -> int:
    """Make the changes, or list what there is to review."""
    import sys
    from datetime import UTC, datetime

    with loading():
        from specimeter import revise
        from specimeter.errors import SpecimeterError
        from specimeter.record import folder as folders
        from specimeter.report import text

    when = datetime.now(UTC)
    acts = list(_acts(options))
    if not acts:
        record = folders.read(options.record).record
        if options.by is None or not sys.stdin.isatty() or record.issue is not None:
            print(text.review(record))
            return DONE
        acts = list(_asked(record, input))
        if not acts:
            print("nothing was changed")
            return DONE
    if options.by is None:
        raise SpecimeterError("the review has no person", field="--by", expected="the name of the person who reviews")

    def change(folder: folders.Folder) -> Record:
        record = folder.record
        for act in acts:
            record = act(record, by=options.by, when=when)
        return record

    print(text.review(revise.revise(options.record, change, photo_files=[*options.photo, *options.add_photo])))
    return DONE


def _acts(options: argparse.Namespace) -> Iterator[Callable]:
    """The acts that the options name, in a fixed order; each takes a record, `by` and `when`, and gives the record after it."""
    from functools import partial

    from specimeter.errors import SpecimeterError
    from specimeter.record import edit

    why = options.why
    for option, needed in (("--redraw", options.redraw), ("--reject", options.reject), ("--reopen", options.reopen)):
        if needed and why is None:
            raise SpecimeterError(
                f"{option} was given without a reason, and the log keeps one",
                expected="the reason, in words that another person understands",
                mend="add --why, such as --why 'a scratch from the fixture, bright at its bottom'",
            )
    for file in options.add_photo:
        yield partial(_further, file=file, why=why, register_file=options.equipment)
    for field, value in map(_pair, options.enter):
        yield partial(edit.enter, field=field, value=_value(value), why=why)
    for name, value in map(_pair, options.observe):
        yield partial(edit.observe, name=name, value=_value(value), why=why)
    for file in options.add:
        for drawn in _outlines(file):
            yield partial(edit.add, **{"kind": "opening", **drawn}, why=why)
    for id, file in options.outline:
        drawn = {key: value for key, value in _outlines(file)[0].items() if key not in ("kind", "photo")}
        yield partial(edit.outline, id=id, **drawn, why=why)
    for file, *ids in options.redraw:
        yield partial(edit.redraw, ids=ids, outlines_px=[drawn["outline_px"] for drawn in _outlines(file)], why=why)
    for id, kind in options.kind:
        yield partial(edit.classify, id=id, kind=kind, why=why)
    for id, cause, basis in options.cause:
        yield partial(edit.classify, id=id, cause=cause, cause_basis=basis, why=why)
    for id, word in options.corner:
        yield partial(edit.corner, id=id, at_corner=_yes(word), why=why)
    for id, other in options.same:
        yield partial(edit.same, id=id, other=other, why=why)
    if options.weld_metal is not None:
        yield partial(_clicked, text=options.weld_metal, place=options.record, photo_files=options.photo, why=why)
    if options.heat_zone is not None:
        yield partial(_clicked, text=options.heat_zone, place=options.record, photo_files=options.photo, why=why, zone=True)
    if options.confirm:
        yield partial(edit.confirm, ids=options.confirm, why=None if options.reject else why)
    if options.reject:
        yield partial(edit.reject, ids=options.reject, why=why)
    if options.reopen:
        yield partial(edit.reopen, ids=options.reopen, why=why)
    if options.all_confirm:
        yield lambda record, **who: edit.confirm(record, [f.id for f in record.features if f.status == "proposed"], **who)
    if options.looked_over:
        yield edit.looked_over


def _further(record: Record, *, file: str, by: str, when: datetime, why: str | None, register_file: str | None) -> Record:
    """The record with a further photograph, measured as the first was."""
    from specimeter import job
    from specimeter.commands import tell

    return job.with_photo(record, file, by=by, when=when, why=why, register_file=register_file, progress=tell)


def _clicked(
    record: Record,
    *,
    text: str,
    place: str,
    photo_files: Sequence[str],
    by: str,
    when: datetime,
    why: str | None,
    zone: bool = False,
) -> Record:
    """The record with weld metal, or its heat-affected zone, where a person's points say, measured in the picture."""
    from specimeter import revise
    from specimeter.errors import SpecimeterError
    from specimeter.record import folder as folders
    from specimeter.record.weld_metal import heat_zone, weld_metal

    try:
        points = None if text.strip() == "found" else [[float(v) for v in pair.split(",")] for pair in text.split()]
    except ValueError as error:
        raise SpecimeterError(
            f"got {text[:40]!r}",
            field="--heat-zone" if zone else "--weld-metal",
            expected='points in pixels, "812.5,640 830,655 ...", or "found"',
        ) from error
    pictures = revise.photographs(folders.read(place), photo_files)
    number = 0 if record.cut is None else [one.id for one in record.photos].index(record.cut.photo)
    act = heat_zone if zone else weld_metal
    return act(record, pictures[number], points, by=by, when=when, why=why)


def _asked(record: Record, ask: Callable[[str], str]) -> Iterator[Callable]:
    """The acts that a person answers with, feature by feature; an empty answer leaves it as it is."""
    from functools import partial

    from specimeter.record import edit
    from specimeter.report import text
    from specimeter.sheet import KINDS

    for feature in record.features:
        if feature.status != "proposed":
            continue
        print(text.plain(text.feature_line(feature)))
        answer = ask("  c confirm, r reject, k another kind, q stop, Enter leave it: ").strip().lower()[:1]
        if answer == "q":
            return
        if answer == "k":
            print("  " + ", ".join(KINDS))
            yield partial(edit.classify, id=feature.id, kind=ask("  kind: ").strip())
        if answer in ("c", "k"):
            yield partial(edit.confirm, ids=[feature.id])
        elif answer == "r":
            yield partial(edit.reject, ids=[feature.id], why=ask("  why it is no imperfection: "))
    if (
        record.review.by is None
        and ask("Did you look over the whole face, for what is not listed? y/n: ").strip().lower() == "y"
    ):
        yield edit.looked_over


def _outlines(file: str) -> list[dict]:
    import json
    from pathlib import Path

    from specimeter.errors import OutlineError

    expected = '{"outline_px": [[x, y], ...], "kind": "pore"} or a list of such'
    try:
        data = json.loads(Path(file).read_text(encoding="utf-8"))
    except OSError as error:
        raise OutlineError(f"the outline file cannot be read ({error.strerror})", file=file, expected=expected) from error
    except (ValueError, RecursionError) as error:
        raise OutlineError(f"the outline file is not JSON ({error})", file=file, expected=expected) from error
    data = data if isinstance(data, list) else [data]
    known: dict[str, Any] = {"outline_px": list, "kind": str, "photo": str, "u_edge_px": (int, float), "u_tip_px": (int, float)}
    for drawn in data or [None]:
        if not isinstance(drawn, dict) or "outline_px" not in drawn:
            raise OutlineError("there is no outline in the file", file=file, field="outline_px", expected=expected)
        for name, value in drawn.items():
            if name not in known or not isinstance(value, known[name]) or isinstance(value, bool):
                raise OutlineError(f"{name!r} is not an entry of an outline, or not of its kind", file=file, expected=expected)
            if name.startswith("u_") and not 0 < value < 1000:
                raise OutlineError(f"{value} px is no uncertainty", file=file, field=name, expected="above 0 and below 1000 px")
    return data


def _pair(text: str) -> tuple[str, str]:
    from specimeter.errors import SheetError

    name, sign, value = text.partition("=")
    if not sign or not name.strip():
        raise SheetError(f"got {text!r}", expected="a name and a value, such as complete-root-fusion=true")
    return name.strip(), value.strip()


def _value(text: str) -> str | float | bool | None:
    """true, false, a number or a text, as a TOML value would be; nothing takes the entry out."""
    if text in ("true", "false"):
        return text == "true"
    try:
        return float(text)
    except ValueError:
        return text or None


def _yes(word: str) -> bool | None:
    from specimeter.errors import SheetError

    answers = {"yes": True, "no": False, "as-measured": None}
    if word not in answers:
        raise SheetError(f"got {word!r}", field="--corner", expected=", ".join(answers))
    return answers[word]
