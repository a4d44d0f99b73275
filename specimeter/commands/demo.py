"""`specimeter demo`: the main job on a sample photograph of an invented workshop."""

from __future__ import annotations

import argparse

from specimeter.commands import DONE
from specimeter.commands import measure as measure_command
from specimeter.errors import SpecimeterError

HELP = "run the main job on a sample photograph and say where the report is"
DESCRIPTION = "Measure a sample photograph of an invented workshop and print the finding."
EPILOG = ""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("name", nargs="?", metavar="SAMPLE", help="which sample (default: the first; --list names them)")
    parser.add_argument("--list", action="store_true", help="name the samples and stop")
    parser.add_argument(
        "--out", default="specimeter-demo", metavar="DIR", help="folder for the record (default: specimeter-demo)"
    )


def run(options: argparse.Namespace) -> int:
    """Measure one sample, with the limits beside it."""
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
    parser = argparse.ArgumentParser()
    measure_command.arguments(parser)
    sample = str(folder / name)
    call = [f"{sample}.jpg", "--sheet", f"{sample}.sheet.toml", "--out", options.out, "--replace"]
    if (folder / f"{name}.limits.toml").exists():
        call += ["--limits", f"{sample}.limits.toml"]
    return measure_command.run(parser.parse_args(call))
