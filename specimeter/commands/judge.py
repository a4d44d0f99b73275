"""`specimeter judge`: other limits applied to a stored record, whose own verdicts stay as they are."""

from __future__ import annotations

import argparse

from specimeter.commands import DONE, UNMET, loading

HELP = "compare a stored record with other limits, or with several levels"
DESCRIPTION = (
    "Compare the features of a stored record, measured again from its outlines, with limits. The record is not changed. "
    "Without --limits those that are stored with it are taken. With --levels several limits, strictest first, stand side by "
    "side: which of them each size meets."
)
EPILOG = (
    "Examples: specimeter judge records/HW-3-SB1 --limits other.toml\n"
    "          specimeter judge records/HW-3-M1 --levels B=level-B.toml C=level-C.toml D=level-D.toml\n\n"
    "Exit: 0 judged, whatever the outcome; with --strict 3 unless the record is sound, reviewed and within (by --levels:\n"
    "within one of them); 2 an input was refused."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("record", metavar="RECORD", help="folder of a record, or its record.json")
    by = parser.add_mutually_exclusive_group()
    by.add_argument("--limits", metavar="L.toml", help="the acceptance limits that you enter from your code")
    by.add_argument("--levels", nargs="+", metavar="NAME=L.toml", help="limits of several levels, strictest first")
    parser.add_argument("--strict", action="store_true", help="for scripts: exit 3 unless reviewed and within")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout, nothing else")


def run(options: argparse.Namespace) -> int:
    """Judge and print; nothing is written."""
    import json

    with loading():
        from specimeter.errors import LimitsError
        from specimeter.judge import limits as judge_limits
        from specimeter.record import folder, recompute
        from specimeter.report import judged

    found = (folder.sound if options.strict else folder.read)(options.record)
    if options.levels:
        entered = {name: judge_limits.read(file) for name, file in map(_level, options.levels)}
        if len(entered) < len(options.levels):
            raise LimitsError("two levels have one name", field="--levels", mend="name them: B=b.toml C=c.toml")
    else:
        limits = recompute.limits_of(found.record) if options.limits is None else judge_limits.read(options.limits)
        if limits is None:
            raise LimitsError(
                "no limits are stored with this record", field="--limits", expected="a TOML file with your code's limits"
            )
        entered = {"": limits}
    judgements = {name: recompute.judge(found.record, limits) for name, limits in entered.items()}
    if options.json:
        print(json.dumps(judged.as_data(found.record, entered, judgements), ensure_ascii=False, allow_nan=False))
    elif options.levels:
        print(judged.levels(found.record, entered, judgements))
    else:
        print(judged.summary(found.record, entered[""], judgements[""]))
    met = found.record.review.state != "unreviewed" and any(one.outcome == "within" for one in judgements.values())
    return UNMET if options.strict and not met else DONE


def _level(text: str) -> tuple[str, str]:
    """``B=level-B.toml`` is a name and a file; a file alone is named by its stem."""
    from pathlib import Path

    name, sign, file = text.partition("=")
    return (name, file) if sign and name and file else (Path(text).stem, text)
