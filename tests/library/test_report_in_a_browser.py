"""The HTML report of a record in whose texts somebody wrote markup and scripts, opened in a real browser: they are words."""

from __future__ import annotations

import pytest
from PIL import Image

from specimeter.report import html

HOSTILE = (
    "<script>window.hacked = 1</script>",
    "\"><img src=x onerror='window.hacked = 1'>",
    "</title></style><svg onload=window.hacked=1>",
    "javascript:window.hacked=1",
    "&lt;b&gt;{{7*7}}${window.hacked=1}",
    "\u202eevil\u2066\u200b",
)


@pytest.mark.parametrize("evil", HOSTILE)
def test_what_people_wrote_is_shown_and_not_run(tmp_path, browser, a_record, evil):
    """The specimen's name, the client, reasons, cautions, notes of features, and the photograph's file name."""
    record = a_record("0" * 64)
    sheet = {**record.sheet, "specimen": {**record.sheet["specimen"], "id": evil}, "order": {"client": evil, "method": evil}}
    features = tuple(one.model_copy(update={"reason": evil, "cause_basis": None}) for one in record.features)
    photos = tuple(one.model_copy(update={"file": evil}) for one in record.photos)
    changes = {"sheet": sheet, "features": features, "photos": photos, "cautions": (evil,), "reasons": (evil,)}
    page = html.render(record.model_copy(update=changes), [Image.new("RGB", (160, 120))])
    if browser is None:
        return
    (tmp_path / "report.html").write_bytes(page)
    browser.open((tmp_path / "report.html").as_uri())
    assert browser.run("typeof window.hacked") == "undefined"
    assert browser.run("document.scripts.length + document.querySelectorAll('[onerror], [onload], svg script').length") == 0
    word = next(part for part in ("script", "img", "svg", "javascript", "window", "evil") if part in evil)
    assert browser.run(f"document.body.textContent.includes({word!r})") is True
