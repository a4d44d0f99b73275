"""How good is it: random scenes with exact truth, the main job and a plain pipeline on each, side by side in one table."""

from __future__ import annotations

from collections.abc import Sequence


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the validation; see `specimeter validate --help`."""
    from specimeter.validate import options

    chosen = options.parser().parse_args(arguments)
    from specimeter.validate import command

    return command.run(chosen)
