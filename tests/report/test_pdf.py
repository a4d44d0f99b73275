"""The PDF report against ISO 19005-2 by its structure, as far as pikepdf shows it: a validator of the whole is not at hand."""

from __future__ import annotations

import io

import pikepdf
import pytest
from PIL import Image

from specimeter.record import model
from specimeter.report import html, pdf

EVIL = '#panic("x") $ _a_ *b* `c` <d> @e \\ ] [ { } // /* = h #sys.inputs #read("/etc/passwd")'
ODD = "焊缝 שלום مرحبا 😀 \u202e\u200b\x07 ﷽ Ωμέγα Щит é́̂ 𝔘"


@pytest.fixture(scope="module")
def data(five, five_overlay):
    return pdf.render(five.record, [five_overlay])


def texts(data: bytes) -> list[str]:
    """The text of each page, decoded through each font's ToUnicode map."""
    found = []
    with pikepdf.open(io.BytesIO(data)) as document:
        for page in document.pages:
            maps = {name: to_unicode(font) for name, font in page.resources.Font.items()}
            text, current = [], {}
            for operands, operator in pikepdf.parse_content_stream(page):
                if str(operator) == "Tf":
                    current = maps[str(operands[0])]
                elif str(operator) in ("Tj", "TJ"):
                    parts = operands[0] if str(operator) == "TJ" else operands
                    for part in parts:
                        if isinstance(part, pikepdf.String):
                            raw = bytes(part)
                            text += [current.get(raw[i : i + 2], "") for i in range(0, len(raw), 2)]
                elif str(operator) in ("ET", "Td", "TD", "Tm"):
                    text.append("\n")
            found.append("".join(text))
    return found


def to_unicode(font) -> dict[bytes, str]:
    import re

    table = {}
    cmap = font.ToUnicode.read_bytes().decode("latin-1")
    for block in re.findall(r"beginbfchar(.*?)endbfchar", cmap, re.S):
        for code, letter in re.findall(r"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", block):
            table[bytes.fromhex(code)] = bytes.fromhex(letter).decode("utf-16-be")
    for block in re.findall(r"beginbfrange(.*?)endbfrange", cmap, re.S):
        for low, high, letter in re.findall(r"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", block):
            for step in range(int(high, 16) - int(low, 16) + 1):
                code = (int(low, 16) + step).to_bytes(len(low) // 2, "big")
                table[code] = chr(int(letter, 16) + step)
    return table


def squeezed(text: str) -> str:
    return "".join(text.replace("\u200b", "").replace("\u00ad", "").split())


def test_each_page_of_an_issued_report_says_which_one_it_is(five, five_overlay):
    """Number and revision, as the head of the HTML does: two revisions on a desk are told apart by their first pages."""
    when = "2026-11-26T08:00:00+00:00"
    review = model.Review(state="issued", by="A. Miller", when=when)
    issue = model.Issue(number="R-1", revision=2, by="A. Miller", authorised_by="B. Smith", when=when)
    record = five.record.model_copy(update={"review": review, "issue": issue})
    pages = texts(pdf.render(record, [five_overlay]))
    assert len(pages) > 1
    assert all("reportR-1,revision2" in squeezed(page) for page in pages)
    head = html.render(record, [five_overlay]).decode().split("</header>")[0]
    assert "report R-1, revision 2" in head
    assert "revision" not in html.render(five.record, [five_overlay]).decode().split("</header>")[0]


def test_it_says_that_it_is_pdf_a_2b(data):
    """ISO 19005-2:2011, 6.6.4: the metadata name part 2, level B; 6.2.3: an output intent with an embedded profile."""
    with pikepdf.open(io.BytesIO(data)) as document:
        with document.open_metadata() as metadata:
            assert metadata["pdfaid:part"] == "2"
            assert metadata["pdfaid:conformance"] == "B"
            assert metadata["dc:title"].startswith("SB-25-03") or "SB-25-03" in str(metadata["dc:title"])
        (intent,) = document.Root.OutputIntents
        assert intent.S == "/GTS_PDFA1"
        assert len(intent.DestOutputProfile.read_bytes()) > 100
        assert not document.is_encrypted
        assert "/JavaScript" not in document.Root.get("/Names", {})
        assert "/OpenAction" not in document.Root
        assert "/AcroForm" not in document.Root
        assert document.Root.get("/Lang") is not None
        assert float(document.pdf_version) <= 1.7


def test_all_fonts_are_embedded(data):
    """ISO 19005-2:2011, 6.2.11.4: the program of every font is in the file."""
    seen = 0
    with pikepdf.open(io.BytesIO(data)) as document:
        for entry in document.objects:
            if isinstance(entry, pikepdf.Dictionary) and entry.get("/Type") == "/FontDescriptor":
                assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(entry.keys())
                seen += 1
    assert seen >= 2


def test_every_page_is_a4_numbered_and_marked(data):
    """Each page says which of how many it is, and that it is no test report yet."""
    pages = texts(data)
    assert len(pages) >= 2
    with pikepdf.open(io.BytesIO(data)) as document:
        for page in document.pages:
            assert [round(float(edge)) for edge in page.mediabox] == [0, 0, 595, 842]  # ISO 216 A4 in points
    for number, text in enumerate(pages, start=1):
        assert f"page{number}of{len(pages)}" in squeezed(text)
        assert squeezed("unreviewed: not a test report") in squeezed(text)


def test_a_reviewed_record_bears_no_mark(five, five_overlay):
    """The check above can fail."""
    from specimeter.record.model import Review

    reviewed = five.record.model_copy(update={"review": Review(state="reviewed", by="N. N.")})
    for text in texts(pdf.render(reviewed, [five_overlay])):
        assert "notatestreport" not in squeezed(text)


def test_it_says_the_same_as_the_record(five, data):
    """Sizes, reasons and the whole hash can be read out of the pages."""
    text = squeezed("".join(texts(data)))
    for said in ("3.420 ± 0.083", five.record.reasons[0], five.record.photos[0].sha256, "within", "Transverse bend, butt weld"):
        assert squeezed(said) in text


def test_the_same_record_gives_the_same_bytes(five, five_overlay, data):
    """Nothing of the clock or of the machine's folders is in it."""
    assert pdf.render(five.record, [five_overlay]) == data
    assert b"/tmp" not in data
    assert b"2026-11-25T14:30:00" in data


def test_text_of_the_user_is_never_code(five, five_overlay):
    """Typst's own signs appear as their letters wherever a user can write."""
    record = five.record
    sheet = {**record.sheet, "specimen": {**record.sheet["specimen"], "id": EVIL}, "order": {"client": EVIL}}
    evil = record.model_copy(update={"sheet": sheet, "reasons": (EVIL, EVIL), "cautions": (EVIL,)})
    assert squeezed("".join(texts(pdf.render(evil, [five_overlay])))).count(squeezed(EVIL)) >= 5


def test_letters_that_no_font_has_are_written_out(five, five_overlay):
    """A text of any script gives a report, and still PDF/A; what cannot be shown stands as its code point."""
    sheet = {**five.record.sheet, "order": {"client": ODD}}
    odd = five.record.model_copy(update={"sheet": sheet, "reasons": (ODD,)})
    data = pdf.render(odd, [five_overlay])
    text = squeezed("".join(texts(data)))
    assert "[U+202E]" in text
    assert "Щит" in text
    with pikepdf.open(io.BytesIO(data)) as document, document.open_metadata() as metadata:
        assert metadata["pdfaid:part"] == "2"


def test_the_shipped_fonts_show_every_common_letter():
    """A report of these alone is set without asking the fonts first."""
    assert pdf._unshown(pdf._COMMON, shipped_only=True) == set()


def test_unshown_letters_are_found_one_by_one():
    """Of a mixed set exactly those come back that the shipped fonts lack."""
    assert pdf._unshown({"Щ", "ß", "\U00012000", "\U0001fbf0", "≤"}, shipped_only=True) == {"\U00012000", "\U0001fbf0"}


def test_long_words_long_texts_and_many_rows_fit(five, five_overlay):
    """Words without a place to break, long reasons and sixty rows: a few more pages, no error."""
    feature = five.record.features[0]
    many = tuple(feature.model_copy(update={"id": f"f{n}", "missing": {"width_mm": "w" * 300}}) for n in range(1, 61))
    sheet = {**five.record.sheet, "order": {"client": "x" * 500, "deviations": ["y " * 250] * 5}}
    long = five.record.model_copy(
        update={"features": many, "sheet": sheet, "reasons": ("because " * 100,) * 12, "cautions": ("z" * 400,) * 8}
    )
    pages = texts(pdf.render(long, [Image.new("RGB", (600, 2400), "grey")]))
    assert 6 <= len(pages) <= 30
    assert "f60" in squeezed("".join(pages))


def test_very_many_features_are_set(five, five_overlay):
    """Four hundred rows: the table runs over pages with its head repeated, and no text is too long for the format."""
    feature = five.record.features[0]
    many = tuple(feature.model_copy(update={"id": f"f{n}", "kind": "lack-of-inter-run-fusion"}) for n in range(1, 401))
    pages = texts(pdf.render(five.record.model_copy(update={"features": many, "verdicts": ()}), [five_overlay]))
    assert "f400" in squeezed("".join(pages))
    assert sum("cleardistance" in squeezed(page) for page in pages) > 6
