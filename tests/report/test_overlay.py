"""The overlay: outlines where the outlines are, numbers beside them, a bar of the right length, nothing hidden."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.record import model
from specimeter.record.rebuild import area_of, crown_line_mm, surface_of
from specimeter.report import overlay, scale_bar
from specimeter.report.overlay import Window


def test_it_is_of_a_size_to_print(five_overlay):
    """RGB, at most 2400 px on the long side, and large enough to read at 150 px per inch on A4."""
    assert five_overlay.mode == "RGB"
    assert 1000 <= max(five_overlay.size) <= 2400


def test_the_same_record_gives_the_same_picture(five, five_overlay):
    """Drawing holds no chance."""
    assert overlay.draw(five.photo, five.record).tobytes() == five_overlay.tobytes()


@given(
    zoom=st.floats(0.05, 8),
    corner=st.tuples(st.floats(-40, 400), st.floats(-40, 300)),
    points=st.lists(st.tuples(st.floats(-100, 700), st.floats(-100, 500)), min_size=1, max_size=5),
)
@settings(deadline=None, max_examples=100)
def test_a_window_places_pixel_areas(zoom, corner, points):
    """A pixel's edges scale about the window's corner: by hand, edges at (x + 0.5 - corner) zoom, centre half a pixel less."""
    window = Window(corner_px=np.array(corner), zoom=zoom, width=100, height=80)
    expected = [[(x + 0.5 - corner[0]) * zoom - 0.5, (y + 0.5 - corner[1]) * zoom - 0.5] for x, y in points]
    assert window.place(np.array(points)) == pytest.approx(np.array(expected))


@pytest.mark.parametrize("zoom", [0.2, 0.37, 0.8, 1.0, 1.7, 4.0, 9.3])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_window_cuts_where_it_places(zoom, dtype):
    """The centre of gravity of a bright spot in the cut lies where `place` puts it, to a tenth of a pixel of the photograph."""
    yy, xx = np.mgrid[0:300, 0:400]
    centre = np.array([173.3, 121.8])
    spot = np.exp(-((xx - centre[0]) ** 2 + (yy - centre[1]) ** 2) / (2 * 6.0**2))
    rgb = np.repeat((spot * np.iinfo(dtype).max).astype(dtype)[..., None], 3, axis=2)
    window = Window(corner_px=np.array([140.2, 90.7]), zoom=zoom, width=round(70 * zoom), height=round(64 * zoom))
    cut = window.cut(rgb)
    assert cut.dtype == np.uint8
    weight = cut[..., 0].astype(float)
    rows, columns = np.mgrid[0 : cut.shape[0], 0 : cut.shape[1]]
    found = np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum()
    assert np.abs(found - window.place(centre)[0]).max() < 0.1 * max(zoom, 1.0)


def test_outlines_are_drawn_where_they_are(five, five_overlay):
    """The light line of each kind's colour lies on the outline's place in the main picture, within its width."""
    from specimeter.report.pen import style_of

    window, _ = overlay._main_window(five.photo, area_of(five.record))
    picture = np.array(five_overlay).astype(int)
    for feature in five.record.features[:2]:
        points = np.round(window.place(np.array(feature.outline_px))).astype(int)
        colour = np.array(style_of(feature.kind).colour)
        near = [np.abs(picture[y - 2 : y + 3, x - 2 : x + 3] - colour).sum(axis=2).min() for x, y in points]
        assert np.mean(np.array(near) < 60) > 0.8


def test_what_was_not_examined_is_dimmed(five, five_overlay):
    """Outside the examined area the picture is darker by the stated share, inside it is as it was."""
    window, _ = overlay._main_window(five.photo, area_of(five.record))
    cut = window.cut(five.photo.rgb).astype(float)
    drawn = np.array(five_overlay).astype(float)
    x, y = np.round(window.place(five.surface.project([[-2.0, 2.0]]))[0]).astype(int)
    assert drawn[y - 3 : y + 4, x - 3 : x + 4] == pytest.approx(cut[y - 3 : y + 4, x - 3 : x + 4], abs=1)
    assert drawn[10:20, 400:420].mean() == pytest.approx(overlay.DIMMED * cut[10:20, 400:420].mean(), abs=1.5)


@pytest.mark.parametrize("size", [(1600, 1200), (900, 1600), (420, 420), (6000, 4000)])
def test_any_shape_of_photograph(case, size):
    """Landscape, portrait, small and large: at most 2400 px, never upside down to zero."""
    some = case(width_px=size[0], height_px=size[1]) if size[0] <= 1600 else case(width_px=1600, height_px=1067)
    picture = overlay.draw(some.photo, some.record)
    assert max(picture.size) <= 2400
    assert min(picture.size) > 150


def test_dark_bright_and_sixteen_bit_pictures(five, five_overlay):
    """Lines are seen on black and on white: every outline changes the picture on both, and depth makes no difference."""
    window, _ = overlay._main_window(five.photo, area_of(five.record))
    outline = np.round(window.place(np.array(five.record.features[0].outline_px))).astype(int)
    for value in (0, 255):
        flat = np.full_like(five.photo.rgb, value)
        photo = SimpleNamespace(rgb=flat, width_px=flat.shape[1], height_px=flat.shape[0])
        picture = np.array(overlay.draw(photo, five.record)).astype(int)
        spread = [np.ptp(picture[y - 4 : y + 5, x - 4 : x + 5].sum(axis=2)) / 3 for x, y in outline]
        assert min(spread) > 100
    deep = five.photo.rgb.astype(np.uint16) * 257
    photo = SimpleNamespace(rgb=deep, width_px=deep.shape[1], height_px=deep.shape[0])
    again = np.array(overlay.draw(photo, five.record)).astype(int)
    assert np.abs(again - np.array(five_overlay)).mean() < 0.5


def test_no_feature_and_very_many(case):
    """Nothing to draw, and more than can be numbered: both give a picture that says so."""
    none = case([], verdicts=())
    assert min(overlay.draw(none.photo, none.record).size) > 300
    rng = np.random.default_rng(3)
    places = np.column_stack([rng.uniform(-24, 24, 260), rng.uniform(-11, 11, 260)])
    many = case([("pore", "proposed", place, 0.5, 0.4, 10.0) for place in places])
    assert max(overlay.draw(many.photo, many.record).size) <= 2400


def test_odd_ids_are_drawn(five):
    """Names with any letters are cut short and drawn."""
    feature = five.record.features[0].model_copy(update={"id": "焊缝\u202e<b>-very-long"})
    record = five.record.model_copy(update={"features": (feature,), "verdicts": ()})
    assert overlay.draw(five.photo, record).width > 1000


def test_a_flat_face(five):
    """The same picture on a flat surface: the bar lies along x and its note names the face's middle."""
    flat = model.SurfaceShape(photo="p1", shape="flat", height_mm=40.0)
    record = five.record.model_copy(update={"surfaces": (flat,)})
    assert overlay.draw(five.photo, record).width > 1000
    surface, area = surface_of(record), area_of(record)
    bar = scale_bar.make(surface, crown_line_mm(surface, area).mean(axis=0), lambda points: points, room_px=200.0)
    assert abs(bar.vector_px[0]) > 20 * abs(bar.vector_px[1])
    assert np.hypot(*bar.vector_px) == pytest.approx(bar.length_mm / five.record.scales[0].mm_per_px, rel=0.02)


@pytest.mark.parametrize("count", [0, 1, 3, 8])
def test_beside_a_tall_face(case, count):
    """A tall examined area has the enlarged features at its side: the page stays about square, and prints large."""
    places = [(-3.0 + i, -9.0 + 2.2 * i) for i in range(count)]
    some = case([("opening", "proposed", np.array(place), 1.4, 0.4, 30.0) for place in places], verdicts=())
    corners = np.array([[-4.5, -12.0], [4.5, -12.0], [4.5, 12.0], [-4.5, 12.0]])
    outline = tuple((float(x), float(y)) for x, y in some.surface.project(corners))
    examined = some.record.examined[0].model_copy(update={"outline_px": outline})
    picture = overlay.draw(some.photo, some.record.model_copy(update={"examined": (examined,)}))
    assert 0.7 < picture.width / picture.height < 1.3
    assert max(picture.size) <= 2400
