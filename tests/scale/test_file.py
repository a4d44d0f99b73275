"""The stored resolution: taken where a scanner or microscope wrote it, refused where it means nothing."""

import numpy as np
import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from specimeter import photo
from specimeter.errors import ScaleError
from specimeter.scale.find import find_scale
from specimeter.scale.height import mm_per_px


def picture(seed: int = 3, size=(160, 120)) -> Image.Image:
    rng = np.random.default_rng(seed)
    return Image.fromarray(rng.integers(0, 255, (size[1], size[0], 3), np.uint8))


def found(sheet, path, **entries):
    entries = {"surface_height_mm": 0.0, "surface_height_U_mm": 0.2} | entries
    return find_scale(photo.read(path), sheet(test="macro-butt", method="file", **entries))


def refused(sheet, path) -> str:
    with pytest.raises(ScaleError) as caught:
        found(sheet, path)
    assert caught.value.field == "scale.method"
    assert caught.value.mend
    return str(caught.value)


def test_a_scanners_tiff(tmp_path, sheet):
    """1200 dots an inch: 25.4 / 1200 mm a pixel exactly (TIFF 6.0, tags 282, 283, 296); the origin is the top-left pixel."""
    path = tmp_path / "scan.tif"
    picture().save(path, dpi=(1200, 1200))
    scale = found(sheet, path)
    assert scale.method == "file"
    assert mm_per_px(scale.view, scale.reference_px, 0.0) == pytest.approx(25.4 / 1200, rel=1e-9)
    np.testing.assert_allclose(scale.view.on_plane([[0.0, 0.0]]), 0.0, atol=1e-9)
    assert scale.evidence["stored_in"] == "TIFF resolution tags"
    assert scale.u_rel == pytest.approx(np.sqrt(sum(term.contribution**2 for term in scale.budget)))
    assert scale.u_rel > 0.0025  # nobody checked that scanner


def test_centimetres_and_png(tmp_path, sheet):
    """400 pixels a cm are 0.025 mm; a PNG stores pixels a metre (W3C PNG, pHYs)."""
    path = tmp_path / "scan.tif"
    picture().save(path, tiffinfo={282: 400.0, 283: 400.0, 296: 3})
    assert found(sheet, path).evidence["x_mm_per_px"] == pytest.approx(0.025)
    path = tmp_path / "scan.png"
    picture().save(path, dpi=(600, 600))
    assert found(sheet, path).evidence["x_mm_per_px"] == pytest.approx(25.4 / 600, rel=2e-5)  # whole pixels a metre


@pytest.mark.parametrize(("unit", "size"), [("", "3.45"), (' PhysicalSizeXUnit="mm" PhysicalSizeYUnit="mm"', "0.00345")])
def test_an_ome_tiff(tmp_path, sheet, unit, size):
    """PhysicalSizeX and Y of the OME schema, in micrometres unless a unit stands beside; they win over the TIFF's own tags."""
    path = tmp_path / "stereo.ome.tif"
    told = f'<OME xmlns="x"><Image><Pixels PhysicalSizeX="{size}" PhysicalSizeY="{size}"{unit}/></Image></OME>'
    picture().save(path, description=told, dpi=(72, 72))
    scale = found(sheet, path)
    assert scale.evidence["x_mm_per_px"] == pytest.approx(0.00345)
    assert scale.evidence["stored_in"] == "OME-TIFF physical size"


def test_a_cameras_resolution_is_never_taken(tmp_path, sheet):
    """A maker or model in its EXIF: whatever number stands there is for printing."""
    exif = Image.Exif()
    exif[271] = "Invented Optics"
    path = tmp_path / "photo.tif"
    picture().save(path, exif=exif, dpi=(1200, 1200))
    assert "camera took this" in refused(sheet, path)


@pytest.mark.parametrize("dpi", [72, 96])
@pytest.mark.parametrize("name", ["a.tif", "a.png"])
def test_defaults_are_refused(tmp_path, sheet, dpi, name):
    """72 and 96 dots an inch are written by programs that know nothing."""
    picture().save(tmp_path / name, dpi=(dpi, dpi))
    assert "know nothing" in refused(sheet, tmp_path / name)


def test_nothing_stored_and_oblong_pixels(tmp_path, sheet):
    """A PNG without pHYs, a JPEG, and 600 x 1200 dots an inch: each says why."""
    info = PngInfo()
    info.add_text("note", "no resolution")
    picture().save(tmp_path / "a.png", pnginfo=info)
    assert "stores no resolution" in refused(sheet, tmp_path / "a.png")
    picture().save(tmp_path / "a.jpg", dpi=(600, 600))
    assert "stores no resolution" in refused(sheet, tmp_path / "a.jpg")
    picture().save(tmp_path / "a.tif", dpi=(600, 1200))
    assert "not square" in refused(sheet, tmp_path / "a.tif")


def test_an_editors_number_brings_a_caution(tmp_path, sheet):
    """300 dots an inch may be a scanner's or any editor's."""
    picture().save(tmp_path / "a.tif", dpi=(300, 300))
    assert any("editors" in caution for caution in found(sheet, tmp_path / "a.tif").cautions)
    picture().save(tmp_path / "b.tif", dpi=(1200, 1200))
    assert not found(sheet, tmp_path / "b.tif").cautions


def test_no_other_method_looks_at_it(tmp_path, sheet):
    """Only where the sheet asks: auto goes on to say that no card was found."""
    picture().save(tmp_path / "a.tif", dpi=(1200, 1200))
    with pytest.raises(ScaleError, match="no marker"):
        find_scale(photo.read(tmp_path / "a.tif"), sheet(test="macro-butt"))
