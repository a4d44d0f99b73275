"""Run the command line: `python -m specimeter`."""

from specimeter.cli import main

raise SystemExit(main())
