"""The published JSON Schema of ``record.json``: made from the model, kept in ``shared/schema/``, one file for each version.

``python -m specimeter.record.schema`` writes that of the present version.
"""

from __future__ import annotations

import json
from typing import Any

from specimeter.data import shared
from specimeter.files import write
from specimeter.record.model import VERSION, Record

NAME = f"record-{VERSION}.schema.json"


def schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the present version; what it cannot say, such as that ids differ, the model checks."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"specimeter record, version {VERSION}",
        "description": "One weld test specimen's whole evidence. Lengths in mm, points [x, y] in pixels after EXIF "
        "orientation, U: expanded uncertainty with k = 2. What could not be had is absent, and named in `missing`.",
        **{key: value for key, value in Record.model_json_schema().items() if key not in ("title", "description")},
    }


def text() -> bytes:
    """The file's content."""
    return json.dumps(schema(), indent=1, ensure_ascii=False, sort_keys=True).encode() + b"\n"


if __name__ == "__main__":
    print(write(shared() / "schema" / NAME, text()))
