"""The laboratory's settings: name, address and logo in every report, kept with the record; nothing private in the logo."""

from __future__ import annotations

import io

import pytest
from PIL import Image

from specimeter.errors import SheetError
from specimeter.report import house as houses
from specimeter.report import html, pdf


def settings(folder, text: str = "", logo: bytes | None = None):
    (folder / "settings.toml").write_text(text, encoding="utf-8")
    if logo is not None:
        (folder / "mark.jpg").write_bytes(logo)
    return folder / "settings.toml"


def jpeg(size=(1200, 900)) -> bytes:
    """A logo with what cameras and programs write beside the picture."""
    exif = Image.Exif()
    exif[0x010E], exif[0x013B] = "SECRET description", "SECRET artist"
    out = io.BytesIO()
    Image.new("RGB", size, (20, 90, 120)).save(out, "JPEG", exif=exif, comment=b"SECRET comment")
    return out.getvalue()


def test_name_address_and_logo_are_in_the_reports(tmp_path, five, five_overlay):
    """In HTML as text and picture; the PDF is another one than without; the logo keeps nothing but its pixels."""
    text = (
        'logo = "mark.jpg"\n[laboratory]\nname = "Example workshop"\naddress = "1 Quay Street"\ncontact = "a@example.invalid"\n'
    )
    house = houses.read(settings(tmp_path, text, jpeg()))
    page = html.render(five.record, [five_overlay], house).decode()
    for said in ("Example workshop", "1 Quay Street", "a@example.invalid", "data:image/png;base64,"):
        assert said in page
    assert b"SECRET" not in house.logo
    assert max(Image.open(io.BytesIO(house.logo)).size) <= houses.LOGO_PX
    assert pdf.render(five.record, [five_overlay], house).startswith(b"%PDF")


def test_the_sheets_laboratory_stands_before_the_settings(tmp_path, five, five_overlay):
    """Another laboratory named in the order is the one that answers."""
    house = houses.read(settings(tmp_path, '[laboratory]\nname = "Example workshop"\naddress = "1 Quay Street"\n'))
    sheet = {**five.record.sheet, "order": {"laboratory": "Other laboratory", "address": "2 Quay Street"}}
    page = html.render(five.record.model_copy(update={"sheet": sheet}), [five_overlay], house).decode()
    assert "Other laboratory" in page
    assert "Example workshop" not in page


def test_what_a_record_keeps_reads_back_as_the_same(tmp_path):
    """Settings and logo, through the files of a folder; the plain house keeps none."""
    text = 'language = "de"\nlogo = "mark.jpg"\n[laboratory]\nname = "Prüfstelle \\"A\\" \\\\ 7"\n'
    house = houses.read(settings(tmp_path, text, jpeg()))
    kept = tmp_path / "kept"
    kept.mkdir()
    for name, data in house.files().items():
        (kept / name).write_bytes(data)
    again = houses.beside(kept)
    assert again.files() == house.files()
    assert again.settings.laboratory == house.settings.laboratory
    assert again.logo == house.logo
    assert houses.PLAIN.files() == {}
    assert houses.beside(tmp_path / "nowhere") == houses.PLAIN


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('logo = "absent.png"\n', "absent"),
        ('logo = "settings.toml"\n', "logo"),
        ('language = "xx"\n', "xx"),
        ('colour = "red"\n', "colour"),
        ("[laboratory]\naddress = 1\n", "laboratory"),
    ],
)
def test_wrong_settings_are_refused_and_named(tmp_path, text, told):
    """A missing logo, one that is none, an unknown language, an unknown key, a wrong type."""
    with pytest.raises(SheetError, match=told):
        houses.read(settings(tmp_path, text))
