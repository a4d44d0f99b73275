"""`specimeter library`: the trainer's reference pictures, kept, found, explained and published."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

from specimeter.commands import DONE, UNMET
from specimeter.rounding import counted

if TYPE_CHECKING:
    from specimeter.library.find import Query

HELP = "keep, find, explain and publish reference pictures"
DESCRIPTION = "The trainer's library of reference pictures. LIBRARY is a folder made by `specimeter library init`."
EPILOG = (
    "A trainer's first hour:\n"
    "  specimeter library init weld-library\n"
    "  specimeter library demo weld-library\n"
    "  specimeter library find weld-library --kind pore --at-least 1\n"
    "  specimeter library publish weld-library site\n"
    "then open site/index.html by double click."
)

_FIELDS = ("title", "joint", "process", "material", "author", "licence", "permission", "notes", "truth", "coupon", "specimen")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the sub-commands."""
    commands = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    for name, (adds, does, says) in ACTIONS.items():
        action = commands.add_parser(name, help=says, description=says[:1].upper() + says[1:] + ".")
        adds(action)
        action.set_defaults(does=does, stopped="what was finished before is kept, and nothing half-done is left")


def run(options: argparse.Namespace) -> int:
    """Run one sub-command."""
    return options.does(options)


def _library(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("library", metavar="LIBRARY", help="the library's folder")


def _fields(parser: argparse.ArgumentParser) -> None:
    for name in _FIELDS:
        parser.add_argument(f"--{name}", help=f"{name} of the entry")
    parser.add_argument("--test", help="the test that the picture shows: side-bend, nick-break, ...")
    parser.add_argument("--outcome", help="within, exceeds, undecided, ...")
    parser.add_argument("--thickness-mm", type=float, metavar="MM", help="thickness of the plate")
    parser.add_argument("--mm-per-px", type=float, metavar="MM", help="scale of the picture, if known")
    parser.add_argument("--quality", type=int, metavar="0-100", help="how good an example it is (50)")
    parser.add_argument("--kind", action="append", dest="shows", metavar="KIND", help="a kind that it shows (repeatable)")
    parser.add_argument("--tag", action="append", dest="tags", metavar="TAG", help="a tag (repeatable)")
    parser.add_argument("--clean", action=argparse.BooleanOptionalAction, default=None, help="somebody looked: no findings")
    parser.add_argument("--who", default="", metavar="NAME", help="who does this, for the entry's log")


def _given(options: argparse.Namespace) -> dict:
    names = (*_FIELDS, "test", "outcome", "thickness_mm", "mm_per_px", "quality", "shows", "tags", "clean")
    return {name: value for name in names if (value := getattr(options, name)) is not None}


def _init(options: argparse.Namespace) -> int:
    from specimeter.library import store

    store.create(options.library).close()
    print(f"Library  {options.library}\nIts words, causes and table of tests are yours to edit: {options.library}/knowledge")
    return DONE


def _add_options(parser: argparse.ArgumentParser) -> None:
    _library(parser)
    parser.add_argument(
        "sources", nargs="+", metavar="SOURCE", help="a picture, a folder of pictures, a manifest.csv, or a record's folder"
    )
    parser.add_argument("--photos", action="append", default=[], metavar="PATH", help="where a record's photograph may lie")
    _fields(parser)


def _add(options: argparse.Namespace) -> int:
    from pathlib import Path

    from specimeter.library import catalogue, intake, picture, store

    with store.open_store(options.library) as library:
        plans = [
            pair
            for source in options.sources
            for pair in intake.pairs(source, _given(options), photos=[Path(path) for path in options.photos])
        ]
        for path, entry in plans:
            done = catalogue.add(library, picture.copy_of(path), entry, who=options.who)
            line = f"{done.id:6d}  {entry.title}" if done.new else f"{done.id:6d}  {path} is there already; not added again"
            if done.nearly:
                line += f"\n        looks nearly the same as {', '.join(str(id_) for id_ in done.nearly[:5])}"
            if done.new and not entry.publishable:
                line += "\n        cannot be published before it has a --licence and a --permission"
            print(line, flush=True)
    return DONE


def _find_options(parser: argparse.ArgumentParser) -> None:
    _library(parser)
    parser.add_argument("words", nargs="*", metavar="WORD", help="words that must all be there")
    for name, says in (
        ("kind", "a kind of feature"),
        ("test", "the test"),
        ("process", "the welding process"),
        ("outcome", "the outcome of the record"),
        ("joint", "the joint"),
        ("material", "the material"),
    ):
        parser.add_argument(f"--{name}", help=says)
    parser.add_argument("--tag", action="append", default=[], help="a tag (repeatable)")
    parser.add_argument("--at-least", type=float, metavar="MM", help="a feature at least so long")
    parser.add_argument("--at-most", type=float, metavar="MM", help="a feature at most so long")
    parser.add_argument("--clean", action=argparse.BooleanOptionalAction, default=None, help="only clean faces, or only others")
    parser.add_argument("--like", type=int, metavar="ID", help="the most like this entry's picture first")
    parser.add_argument("--limit", type=int, default=24, metavar="N", help="at most so many (24)")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")


def _query(options: argparse.Namespace) -> Query:
    from specimeter.library.find import Query

    return Query(
        words=" ".join(options.words),
        kind=options.kind,
        test=options.test,
        process=options.process,
        outcome=options.outcome,
        joint=options.joint,
        material=options.material,
        tags=tuple(options.tag),
        least_mm=options.at_least,
        most_mm=options.at_most,
        clean=options.clean,
        like=options.like,
    )


def _find(options: argparse.Namespace) -> int:
    from specimeter.library import store
    from specimeter.library.find import find

    with store.open_store(options.library) as library:
        found = find(library, _query(options), limit=options.limit)
    if options.json:
        hits = [
            {"id": one.id, "sha256": one.sha256, **one.entry.model_dump(mode="json", exclude_none=True)} for one in found.hits
        ]
        print(json.dumps({"total": found.total, "hits": hits}, ensure_ascii=False, allow_nan=False))
        return DONE
    for one in found.hits:
        kinds = ", ".join(one.entry.kinds) or ("clean" if one.entry.clean else "")
        print(f"{one.id:6d}  {one.entry.quality:3d}  {(one.entry.test or ''):17s} {one.entry.title}  {kinds}")
    total = "more than these" if found.total is None else f"{found.total} in all"
    print(f"{len(found.hits)} shown, {total}", file=sys.stderr)
    return DONE


def _one(parser: argparse.ArgumentParser) -> None:
    _library(parser)
    parser.add_argument("id", type=int, metavar="ID", help="the entry's number")


def _show(options: argparse.Namespace) -> int:
    from specimeter.library import catalogue, store

    with store.open_store(options.library) as library:
        one = catalogue.get(library, options.id)
        print(f"entry       {one.id}, added {one.added}\npicture     {library.picture(one.sha256, one.suffix)}")
        print(f"            {one.width_px} x {one.height_px} px, SHA-256 {one.sha256}")
        for name, value in one.entry.model_dump(
            mode="json", exclude_none=True, exclude={"seen", "area_px", "readings"}
        ).items():
            if value not in ([], ""):
                print(f"{name:11s} {', '.join(map(str, value)) if isinstance(value, list) else value}")
        for feature in one.entry.seen:
            size = f"{feature.length_mm:.2f} mm" if feature.length_mm else "not measured"
            cause = f", likely {feature.cause}" if feature.cause else ""
            print(f"  {feature.id:5s} {feature.kind}{cause}, length {size}")
        for reading in one.entry.readings:
            print(f"  read by {reading.reader}: {counted(len(reading.seen), 'feature')}, {reading.verdict or 'no verdict'}")
        for line in catalogue.history(library, options.id):
            change = f" {line['field']}: {line['old']} -> {line['new']}" if line["field"] else ""
            print(f"  {line['at']} {line['who'] or 'somebody'} {line['what']}{change}")
    return DONE


def _edit_options(parser: argparse.ArgumentParser) -> None:
    _one(parser)
    _fields(parser)
    parser.add_argument("--drop", action="append", default=[], metavar="FIELD", help="take a field's value away (repeatable)")


def _edit(options: argparse.Namespace) -> int:
    from specimeter.library import catalogue, store

    with store.open_store(options.library) as library:
        changes = {**_given(options), **dict.fromkeys(options.drop)}
        one = catalogue.edit(library, options.id, changes, who=options.who)
    print(f"{one.id:6d}  {one.entry.title}")
    return DONE


def _check_options(parser: argparse.ArgumentParser) -> None:
    _library(parser)
    parser.add_argument("--mend", action="store_true", help="make thumbnails again, remove leftovers, build the index again")


def _check(options: argparse.Namespace) -> int:
    from specimeter.library import store
    from specimeter.library.check import check

    with store.open_store(options.library) as library:
        health = check(library, mend=options.mend)
    for line in health.mended:
        print(f"mended: {line}")
    for line in health.faults:
        print(f"fault: {line}")
    for path in health.leftovers:
        print(f"left over, needed by no entry: {path}")
    told = (counted(health.entries, "entry", "entries"), counted(len(health.faults), "fault"))
    print(f"{', '.join(told)}, {counted(len(health.leftovers), 'leftover')}")
    return UNMET if health.faults else DONE


def _own_tables(parser: argparse.ArgumentParser) -> None:
    """LIBRARY comes first as everywhere, and may be left out: then the tables that come with specimeter are used."""
    parser.add_argument("--library", help=argparse.SUPPRESS)  # how it was named before; scripts may say so
    parser.epilog = "With LIBRARY, the library's own tables are used; without it, those that come with specimeter."


def _explain_options(parser: argparse.ArgumentParser) -> None:
    _own_tables(parser)
    parser.usage = "specimeter library explain [-h] [LIBRARY] KIND"
    parser.add_argument("first", metavar="LIBRARY", help="the library's folder, if its own tables are to be used")
    parser.add_argument("kind", metavar="KIND", nargs="?", help="a kind: pore, slag, lack-of-sidewall-fusion, ...")


def _explain(options: argparse.Namespace) -> int:
    from specimeter.errors import LibraryError
    from specimeter.library import knowledge
    from specimeter.toml_file import nearest

    folder, kind = (options.library, options.first) if options.kind is None else (options.first, options.kind)
    known = knowledge.read(folder)
    if kind not in known.terms:
        near = nearest(kind, known.terms)
        mend = f'did you mean "{near}"?' if near else None
        raise LibraryError(f'unknown kind "{kind}"', expected=", ".join(known.terms), mend=mend)
    term = known.terms[kind]
    print(f"{term.name}" + (f" (ISO 6520-1: {term.iso_6520_1})" if term.iso_6520_1 else ""))
    for head, words in (
        ("", term.definition),
        ("looks: ", term.looks),
        ("formed: ", term.formed),
        ("usually asked: ", term.usually_asked),
    ):
        print(f"  {head}{words}")
    for one in term.alike:
        print(f"  not to be mistaken for {one.kind}: {one.tell}")
    for line in known.covers(term.id):
        print(f"  {line.test:18s} {line.capability:8s} {line.imperfection}: {line.note} [{line.source}]")
    for cause in known.causes_of(term.id):
        print(f"  cause: {cause.cause}: {cause.why}. Remedy: {cause.remedy}. [{cause.source}]")
    return DONE


def _which_options(parser: argparse.ArgumentParser) -> None:
    _own_tables(parser)
    parser.usage = (
        "specimeter library which-test [-h] [LIBRARY] IMPERFECTION ... [--joint JOINT] [--thickness-mm MM]\n"
        "       specimeter library which-test [-h] [LIBRARY] --of TEST"
    )
    parser.add_argument("sought", nargs="*", metavar="IMPERFECTION", help="what is sought: slag, transverse-crack, ...")
    parser.add_argument("--joint", default="butt", help="butt, fillet, lap or tee (butt)")
    parser.add_argument("--thickness-mm", type=float, metavar="MM", help="thickness of the plate")
    parser.add_argument("--of", metavar="TEST", help="the other way round: what this test shows and misses")


def _which(options: argparse.Namespace) -> int:
    from pathlib import Path

    from specimeter.library import knowledge, which_test

    folder, sought = options.library, options.sought
    if sought and Path(sought[0]).is_dir():
        folder, *sought = sought
    known = knowledge.read(folder)
    if options.of:
        for capability, lines in which_test.shown_by(known, options.of).items():
            for line in lines:
                print(f"{capability:8s} {line.imperfection:26s} {line.note}")
        return DONE
    for advice in which_test.which_tests(known, sought, joint=options.joint, thickness_mm=options.thickness_mm):
        print(f"{advice.test.name} ({advice.test.nature}): {advice.reason}")
        if advice.misses_else:
            print(f"    would also miss: {', '.join(line.imperfection for line in advice.misses_else)}")
    return DONE


def _publish_options(parser: argparse.ArgumentParser) -> None:
    _library(parser)
    parser.add_argument("out", metavar="OUT", help="folder for the site")
    parser.add_argument("--title", default="Weld specimen library", help="name of the site")
    parser.add_argument(
        "--exercise", action="append", default=[], metavar="DIR", help="an exercise to carry along (repeatable)"
    )


def _publish(options: argparse.Namespace) -> int:
    from pathlib import Path

    from specimeter.library import store
    from specimeter.library.publish import publish

    with store.open_store(options.library) as library:
        done = publish(
            library,
            options.out,
            title=options.title,
            exercises=[Path(path) for path in options.exercise],
            progress=lambda line: print(line, file=sys.stderr, flush=True),
        )
    print(f"{counted(done.entries, 'picture')} published: open {options.out}/index.html")
    if done.kept_back:
        shown = ", ".join(str(id_) for id_ in done.kept_back[:10])
        print(f"{len(done.kept_back)} kept back, without a licence or a permission: {shown}", file=sys.stderr)
    return DONE


def _export_options(parser: argparse.ArgumentParser) -> None:
    _library(parser)
    parser.add_argument("out", metavar="OUT", help="a new folder")
    parser.add_argument("--form", default="coco", help="coco, masks, geojson, or bag (all of them, with checksums)")
    parser.add_argument("--validation", type=float, default=0.0, metavar="0-1", help="share set apart, coupons kept together")
    parser.add_argument("--seed", type=int, default=1, help="another seed parts otherwise (1)")
    parser.add_argument("--all", action="store_true", help="also entries without a licence or a permission")


def _export(options: argparse.Namespace) -> int:
    from specimeter.library import catalogue, store
    from specimeter.library.exchange import transfer

    with store.open_store(options.library) as library:
        ones = [one for one in catalogue.every(library) if options.all or one.entry.publishable]
        done = transfer.export(library, ones, options.out, form=options.form, validation=options.validation, seed=options.seed)
        left = catalogue.count(library) - done
    print(f"{counted(done, 'entry', 'entries')} exported to {options.out}")
    if left:
        print(f"{left} kept back, without a licence or a permission", file=sys.stderr)
    return DONE


def _import_options(parser: argparse.ArgumentParser) -> None:
    _library(parser)
    parser.add_argument("source", metavar="SOURCE", help="a bag's folder, annotations.json, features.geojson or masks.csv")
    _fields(parser)


def _import(options: argparse.Namespace) -> int:
    from specimeter.library import catalogue, picture, store
    from specimeter.library.exchange import transfer

    with store.open_store(options.library) as library:
        plans = list(transfer.pairs(options.source, _given(options)))
        new = sum(catalogue.add(library, picture.copy_of(path), entry, who=options.who).new for path, entry in plans)
    print(f"{counted(new, 'new entry', 'new entries')}, {len(plans) - new} there already")
    return DONE


def _demo_options(parser: argparse.ArgumentParser) -> None:
    _library(parser)
    parser.add_argument("--number", type=int, default=None, metavar="N", help="how many pictures (72)")
    parser.add_argument("--width-px", type=int, default=None, metavar="PX", help="width of each picture (1600)")


def _demo(options: argparse.Namespace) -> int:
    from pathlib import Path

    from specimeter.library import demo, store

    there = (Path(options.library) / store.FILE).is_file()
    with store.open_store(options.library) if there else store.create(options.library) as library:
        new = demo.fill(
            library,
            demo.plans(options.number or demo.NUMBER),
            width_px=options.width_px or demo.WIDTH_PX,
            progress=lambda line: print(line, file=sys.stderr, flush=True),
        )
    print(f"{counted(new, 'new picture')} in {options.library}")
    return DONE


ACTIONS = {
    "init": (_library, _init, "make an empty library"),
    "demo": (_demo_options, _demo, "fill a library with rendered pictures over all tests and kinds"),
    "add": (_add_options, _add, "add pictures, folders, manifests or records"),
    "find": (_find_options, _find, "find entries, best examples first"),
    "show": (_one, _show, "show one entry with its history"),
    "edit": (_edit_options, _edit, "change an entry; the change is logged"),
    "explain": (_explain_options, _explain, "explain a kind: looks, look-alikes, tests, causes"),
    "which-test": (_which_options, _which, "say which test shows what is sought, or what a test shows"),
    "publish": (_publish_options, _publish, "write a site that opens by double click"),
    "export": (_export_options, _export, "export pictures with their outlines in an open format"),
    "import": (_import_options, _import, "import what was exported"),
    "check": (_check_options, _check, "prove that the library is whole"),
}
