"""The commands: parse, call the core, print. Data on stdout, talk on stderr; heavy imports inside each command."""

from __future__ import annotations

import argparse
import json
import sys
import traceback
from collections.abc import Sequence

from specimeter import __version__
from specimeter.errors import SpecimeterError

DONE, FAULT, REFUSED, INTERRUPTED = 0, 1, 2, 130

CAUTION = (
    "The tool measures and compares with limits that you entered. It never says that a weld is safe:\n"
    "the authorised inspector and the governing code decide. Bending machines and etchants injure:\n"
    "guard the machine, wear eye protection, follow the safety data sheet and local rules."
)


def parser() -> argparse.ArgumentParser:
    """The whole command line as one argparse parser."""
    top = argparse.ArgumentParser(
        prog="specimeter",
        description="From a photograph of an opened weld test specimen to a finding in millimetres, with uncertainty, "
        "verdict and evidence.",
        epilog=CAUTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"specimeter {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    measure = commands.add_parser(
        "measure",
        help="measure the openings on a photograph and write the record and its report",
        description="Measure the openings on one photograph of a bend face. Writes DIR/<specimen id>/ with record.json, "
        "features.csv, overlay.png, report.html and report.pdf.",
        epilog="Example: specimeter measure bend.jpg --sheet bend.sheet.toml --limits limits.toml --out records\n\n"
        "Exit: 0 measured and recorded, whatever the verdict; 2 an input was refused and nothing was written;\n"
        "1 a fault of the tool.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    measure.add_argument("photo", metavar="PHOTO", help="photograph: JPEG, PNG, TIFF or HEIC")
    measure.add_argument("--sheet", required=True, metavar="S.toml", help="what the specimen is and how it was tested")
    measure.add_argument("--limits", metavar="L.toml", help="the acceptance limits that you enter from your code")
    measure.add_argument("--out", required=True, metavar="DIR", help="folder for the record")
    measure.add_argument("--replace", action="store_true", help="put the new record in place of an existing one, which is kept")
    measure.add_argument("--method", default="learned", metavar="NAME", help="which segmenter proposes: learned (default) or openings")
    measure.add_argument("--json", action="store_true", help="one JSON object on stdout, people's text on stderr")
    measure.add_argument("--quiet", action="store_true", help="no progress lines")
    measure.set_defaults(run=_measure)

    demo = commands.add_parser(
        "demo",
        help="run the main job on a sample photograph and say where the report is",
        description="Measure a sample photograph of an invented workshop and print the finding.",
    )
    demo.add_argument("name", nargs="?", metavar="SAMPLE", help="which sample (default: the first; --list names them)")
    demo.add_argument("--list", action="store_true", help="name the samples and stop")
    demo.add_argument(
        "--out", default="specimeter-demo", metavar="DIR", help="folder for the record (default: specimeter-demo)"
    )
    demo.set_defaults(run=_demo)

    validate = commands.add_parser(
        "validate",
        help="measure this installation against random scenes whose truth is known",
        description="Render random scenes with exact truth, run the main job on each, and print how it did.",
        add_help=False,
        prefix_chars="\0",  # every option belongs to the validation's own parser
    )
    validate.add_argument("options", nargs=argparse.REMAINDER)
    validate.set_defaults(run=_validate)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    options = parser().parse_args(arguments)
    try:
        return options.run(options)
    except SpecimeterError as error:
        print(f"specimeter: {error}", file=sys.stderr)
        return REFUSED
    except KeyboardInterrupt:
        print("specimeter: interrupted; nothing was written", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        sys.stderr.close()
        return DONE
    except Exception:
        traceback.print_exc()
        print(
            "specimeter: a fault of the tool, not of your input; nothing was written. Please report the lines above.",
            file=sys.stderr,
        )
        return FAULT


def _measure(options: argparse.Namespace) -> int:
    from specimeter import job
    from specimeter.report import text

    talk = sys.stderr if options.json else sys.stdout
    record, folder = job.measure(
        options.photo,
        options.sheet,
        options.limits,
        out=options.out,
        replace=options.replace,
        method=options.method,
        progress=(lambda stage: None) if options.quiet else _tell,
    )
    try:
        _print_finding(text.summary(record), record, folder, talk, as_json=options.json)
    except BrokenPipeError:
        raise
    except OSError as error:
        reason = error.strerror or error
        print(f"specimeter: the record is in {folder}, but it could not be printed here ({reason})", file=sys.stderr)
        sys.stdout = None  # what is left in it would fail again on leaving
    return DONE


def _print_finding(summary: str, record, folder, talk, *, as_json: bool) -> None:
    print(summary, file=talk)
    print(f"\nRecord  {folder}\nReport  {folder / 'report.html'}\n        {folder / 'report.pdf'}", file=talk)
    if as_json:
        data = record.model_dump(mode="json", exclude_none=True)
        answer = {
            "record": str(folder / "record.json"),
            "outcome": data["outcome"],
            "features": data["features"],
            "mm_per_px": data["scales"][0]["mm_per_px"],
        }
        print(json.dumps(answer, ensure_ascii=False, allow_nan=False))
    for stream in filter(None, (talk, sys.stdout)):
        stream.flush()


def _demo(options: argparse.Namespace) -> int:
    from specimeter.data import sample_images

    folder = sample_images()
    names = sorted(path.name.removesuffix(".sheet.toml") for path in folder.glob("*.sheet.toml"))
    if options.list:
        print("\n".join(names))
        return DONE
    if not names:
        raise SpecimeterError("the sample photographs are not installed", file=folder, mend="install specimeter again")
    name = options.name or names[0]
    if name not in names:
        raise SpecimeterError(f"there is no sample called {name!r}", expected=", ".join(names), mend="specimeter demo --list")
    limits = folder / f"{name}.limits.toml"
    call = [
        "measure",
        str(folder / f"{name}.jpg"),
        "--sheet",
        str(folder / f"{name}.sheet.toml"),
        "--out",
        options.out,
        "--replace",
    ]
    if limits.exists():
        call += ["--limits", str(limits)]
    return main(call)


def _validate(options: argparse.Namespace) -> int:
    from specimeter.validate import main as validate_main

    return validate_main(options.options)


def _tell(stage: str) -> None:
    print(f"  {stage} ...", file=sys.stderr, flush=True)
