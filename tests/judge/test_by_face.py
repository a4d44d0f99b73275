"""Several photographs of one specimen: every one must be good enough, each imperfection counts once, faces apart."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.errors import SheetError
from specimeter.judge.decide import UNLINKED
from specimeter.judge.face import Face, counted_once
from specimeter.segment.model import Unseen
from specimeter.sheet import Sheet


@pytest.fixture
def face(make):
    """A further photograph, as good as the first; parts may be changed."""

    def of(**changes):
        known = {"photo": "p2", "sheet": make.sheet(), "area": make.area(), "smallest_resolvable_mm": 0.2, "scale": make.scale}
        return Face(**(known | changes))

    return of


FAULTS = {
    "area": lambda make: {"area": None},
    "a part left out": lambda make: {"area": make.area(exclude_px=(make.square_px[:3],))},
    "low confidence": lambda make: {"area": make.area(confidence=0.2)},
    "not to the edge": lambda make: {"area": make.area(outline_px=make.square_px * [0.5, 1.0])},
    "width": lambda make: {"area": make.area(width_mm=24.0)},
    "resolution": lambda make: {"smallest_resolvable_mm": 2.5},
    "resolution unknown": lambda make: {"smallest_resolvable_mm": None},
    "scale": lambda make: {"scale": None},
    "doubted scale": lambda make: {"scale": SimpleNamespace(evidence={"doubts": ["The card was bent."]}, view=make.scale.view)},
    "burnt out": lambda make: {
        "area": make.area(unseen=(Unseen(outline_px=make.square_px[:3], why="burnt out", length_mm=9.0),))
    },
}


@pytest.mark.parametrize("fault", FAULTS)
def test_within_is_never_earned_where_the_second_photograph_fails(make, face, fault):
    """Design section 7: nothing that makes one photograph unfit is made good by another."""
    entered = make.bend_limits()
    assert make.judged(entered, make.feature(1, 2.0), others=[face()], reviewed=True).outcome == "within"
    found = make.judged(entered, make.feature(1, 2.0), others=[face(**FAULTS[fault](make))], reviewed=True)
    assert found.outcome in ("undecided", "not-measured")
    assert found.because


def test_the_sentence_names_the_photograph(make, face):
    """A person must know which picture to take again."""
    found = make.judged(make.bend_limits(), others=[face(area=None)], reviewed=True)
    assert any(sentence.startswith("Photograph p2: ") for sentence in found.because)


def test_one_seen_twice_counts_once_at_its_larger_size(make, face):
    """Two halves of one pore of 2 mm are not 4 mm; the larger picture of it decides."""
    total = make.limits(make.rule(id="total", test="sum", limit=3))
    two = make.feature(1, 2.0), make.feature(7, 2.4, photo="p2")
    assert make.judged(total, *two, others=[face()], reviewed=True).outcome == "exceeds"
    linked = make.judged(total, *two, others=[face()], links={"f7": "f1"}, reviewed=True)
    assert linked.outcome == "within"
    assert linked.verdicts[0].value == pytest.approx(2.4)


def test_a_share_is_each_faces_own(make, face):
    """30 mm2 on each of two faces of 1000 mm2 is 3 % of either, not 6 %, nor 3 % of both."""
    share = make.limits(make.rule(test="share", of="area", size=None, unit=None, limit=4))
    areas = {"area_mm2": 1000.0, "U_area_mm2": 1.0}
    one, two = (make.feature(n, 5.0, photo=p, area_mm2=30.0, U_area_mm2=0.1) for n, p in ((1, "p1"), (2, "p2")))
    found = make.judged(share, one, two, others=[face(**areas)], reviewed=True, **areas)
    assert found.outcome == "within"
    assert found.verdicts[0].value == pytest.approx(3.0)
    worse = make.judged(share, one, two, others=[face(area_mm2=500.0, U_area_mm2=1.0)], reviewed=True, **areas)
    assert worse.outcome == "exceeds"
    assert worse.verdicts[0].because.startswith("On photograph p2: ")
    larger = make.feature(2, 5.0, photo="p2", area_mm2=35.0, U_area_mm2=0.1)
    for features, photo in (((one, larger), "p2"), ((make.feature(1, 5.0, area_mm2=38.0, U_area_mm2=0.1), larger), "p1")):
        told = make.judged(share, *features, others=[face(**areas)], reviewed=True, **areas)
        assert told.outcome == "within"
        assert told.verdicts[0].because.startswith(f"On photograph {photo}: "), "the greater of two that keep it is told"
    linked = make.feature(3, 6.0, photo="p2", area_mm2=45.0, U_area_mm2=0.1)
    assert make.judged(share, one, linked, others=[face(**areas)], links={"f3": "f1"}, **areas).outcome == "exceeds"


def test_places_on_different_photographs_are_not_compared(make, face):
    """A spacing is kept only where one photograph shows all that counts; a window also where the sum of all keeps it."""
    spacing = make.limits(make.rule(test="spacing", size=None, limit=5, sense="at least"))
    near = {"nearest_mm": 9.0, "U_nearest_mm": 0.1}
    one, two = make.feature(1, 1.0, **near), make.feature(2, 1.0, **near)
    other = make.feature(3, 1.0, photo="p2")
    assert make.judged(spacing, one, two, others=[face()], reviewed=True).outcome == "within"
    apart = make.judged(spacing, one, two, other, others=[face()], reviewed=True)
    assert apart.outcome == "not-measured"
    assert "--same" in apart.verdicts[0].because
    assert make.judged(spacing, one, two, other, others=[face()], links={"f3": "f1"}, reviewed=True).outcome == "within"
    window = make.limits(make.rule(test="window", window_mm=300, limit=3.5))
    assert make.judged(window, one, two, other, others=[face()], reviewed=True).outcome == "within"
    assert make.judged(window, one, two, make.feature(3, 1.9, photo="p2"), others=[face()]).outcome == "not-measured"


@settings(deadline=None, max_examples=60)
@given(
    sizes=st.lists(st.tuples(st.floats(0.2, 9), st.booleans()), max_size=5),
    test=st.sampled_from(["each", "sum", "count"]),
    limit=st.floats(0.5, 12),
)
def test_another_photograph_never_makes_the_outcome_better(make, sizes, test, limit):
    """What the first photograph shows beyond a limit stays beyond it, whatever a second one shows unlinked."""
    entered = make.limits(make.rule(test=test, limit=round(limit), size=None if test == "count" else "length_mm"))
    features = [make.feature(n, size, 0.1, photo="p2" if second else "p1") for n, (size, second) in enumerate(sizes, 1)]
    rank = ("within", "undecided", "not-measured", "replace", "exceeds")
    other = Face(photo="p2", sheet=make.sheet(), area=make.area(), smallest_resolvable_mm=0.2, scale=make.scale)
    alone = make.judged(entered, *(one for one in features if one.photo == "p1"), reviewed=True).outcome
    both = make.judged(entered, *features, others=[other], reviewed=True).outcome
    assert rank.index(both) >= rank.index(alone)


def test_two_photographs_whose_features_nobody_linked_are_told_of(make, face):
    """Before the review only, and only where both show something that is linked to nothing."""
    two = (make.feature(1, 2.0), make.feature(2, 2.0, photo="p2"))

    def told(*features, **choices) -> bool:
        return UNLINKED in make.judged(make.bend_limits(), *features, **choices).cautions

    assert told(*two, others=[face()])
    assert not told(*two, others=[face()], links={"f2": "f1"})
    assert not told(two[0], others=[face()])
    assert not told(two[0], make.feature(2, 2.0, photo="p2", status="rejected"), others=[face()])
    assert not told(*two, others=[face()], reviewed=True)


def test_links_in_a_ring_are_one_imperfection(make):
    """Whoever links them in whatever order; rejected ones stay by themselves."""
    three = [make.feature(n, float(n)) for n in (1, 2, 3)] + [make.feature(4, 9.0, status="rejected")]
    found = counted_once(three, {"f1": "f2", "f2": "f3", "f3": "f1", "f4": "f1"})
    assert [(one.id, one.length_mm) for one in found] == [("f3", 3.0), ("f4", 9.0)]


BEND = {"former_diameter_mm": 40.0, "angle_deg": 180.0}
POINTS = [[100.0, 100.0], [100.0, 900.0]]


def sheet(**tables):
    known = {"specimen": {"id": "S", "test": "side-bend", "specimen_thickness_mm": 10.0}, "bend": {**BEND, "axis": "vertical"}}
    return Sheet.model_validate(known | tables)


@pytest.mark.parametrize(
    ("field", "tables"),
    [
        ("bend.axis", {"bend": {**BEND, "axis": POINTS}}),
        ("scale.from_px", {"scale": {"method": "length", "from_px": POINTS[0], "to_px": POINTS[1], "length_mm": 50.0}}),
        ("region", {"region": {"outline_px": [[1.0, 1.0], [300.0, 1.0], [300.0, 300.0]]}}),
        ("weld.weld_axis_px", {"weld": {"weld_axis_px": POINTS}}),
    ],
)
def test_pixels_of_the_first_photograph_are_not_taken_for_another_ones(field, tables):
    """They are refused by name, and a table [[other_photo]] gives that photograph its own."""
    with pytest.raises(SheetError) as told:
        sheet(**tables).for_photo(2)
    assert told.value.field == field
    assert "[[other_photo]]" in str(told.value)
    own = {"axis": [[5.0, 5.0], [5.0, 800.0]], "weld_axis_px": [[7.0, 7.0], [7.0, 900.0]]}
    own |= {"scale": {"method": "card"}, "region": {"outline_px": [[2.0, 2.0], [400.0, 2.0], [400.0, 400.0]]}}
    second = sheet(**tables, other_photo=[own]).for_photo(2)
    assert second.bend.axis == ((5.0, 5.0), (5.0, 800.0))
    assert second.scale.method == "card"
    assert second.scale.from_px is None
    assert second.region.outline_px[0] == (2.0, 2.0)
    assert second.weld.weld_axis_px == ((7.0, 7.0), (7.0, 900.0))
