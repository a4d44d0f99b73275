"""Every bend rule of the published texts, on, just under and just over its limit, in mm and in inch where both are printed.

The figures come from ``shared/reference/acceptance_bend.toml`` beside the checkout, which names standard, edition and clause of
each; rules marked there as remembered are "from memory, check against the edition in force".
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.judge import limits as judge_limits
from specimeter.judge.decide import decide
from specimeter.measure.feature import Feature
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import Sheet

REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference" / "acceptance_bend.toml"
EXAMPLES = Path(__file__).resolve().parents[2] / "shared" / "limits"
HAIR_MM = 1e-4  # just under, just over: far above rounding, far below any limit's last digit

pytestmark = pytest.mark.skipif(not REFERENCE.exists(), reason="../shared/reference is not beside this checkout")

ENTRIES = {}
if REFERENCE.exists():
    ENTRIES = {rule["id"]: rule for rule in tomllib.loads(REFERENCE.read_text("utf-8"))["rule"]}

FUSION = ["slag", "lack-of-fusion", "lack-of-sidewall-fusion", "lack-of-penetration"]
LENGTHS = [  # one size against one printed limit: (entry, are corners left out)
    ("aws_d1_1.bend.single", True),
    ("asme_ix.qw163.open", True),
    ("asme_ix.qw163.overlay_cladding", False),
    ("asme_ix.qw163.overlay_interface", False),
    ("cfr49_192c.root_bend", True),
    ("navedtra14250.guided_bend", False),
    ("army_od1651.guided_bend", False),
    ("dcmr_12e1019", False),
    ("iso15614_1.bend.single", True),
    ("iso9606_1.bend.single", True),
]
ELSEWHERE = {  # the others: the test below that walks each
    "aws_d1_1.bend.sum",
    "aws_d1_1.bend.corner",
    "aws_d1_1.bend.corner_replace",
    "asme_ix.qw163.weld_in_bend",
    "asme_ix.qw163.corner",
    "api1104.bend.single",
    "api1104.bend.edge",
    "navedtra14250.free_bend",
    "imo_6_3_4_2",
    "iso9606_1.bend.sum",
}


def sheet(*, t_mm=25.0, former_mm=40.0, observations=None, **validity):
    tables = {
        "specimen": {
            "id": "SB-1",
            "test": "side-bend",
            "parent_thickness_mm": t_mm,
            "specimen_thickness_mm": 10.0,
            "specimen_width_mm": t_mm,
        },
        "bend": {"former_diameter_mm": former_mm, "angle_deg": 180.0, "axis": "vertical"},
        "validity": {
            "tension_face": "side",
            "former_required_mm": 40.0,
            "angle_required_deg": 180.0,
            "weld_inside_bend": True,
            "broken_through": False,
        }
        | validity,
    }
    return Sheet.model_validate(tables | ({"observations": observations} if observations else {}))


def feature(number, length_mm, *, U=0.0, corner=False, kind="opening", cause=None):
    return Feature(
        id=f"f{number}",
        photo="p1",
        kind=kind,
        cause=cause,
        outline_px=np.zeros((3, 2)),
        length_mm=float(length_mm),
        U_length_mm=U,
        at_corner=corner,
    )


def outcome(limits, *features, on=None, reviewed=False):
    on = on or sheet()
    square = np.array([[0.0, 0.0], [900.0, 0.0], [900.0, 900.0], [0.0, 900.0]])
    area = ExaminedArea(
        outline_px=square, edges_px=(square[:2], square[2:]), width_mm=on.specimen.specimen_width_mm, u_width_mm=0.02
    )
    scale = SimpleNamespace(evidence={}, view=SimpleNamespace(distance_mm=320.0))
    return decide(on, limits, features, area=area, smallest_resolvable_mm=0.2, scale=scale, reviewed=reviewed).outcome


def set_aside(*features):
    """As a named person leaves them who saw no cause within: the code does not count them, and says that somebody looks."""
    return [replace(one, status="confirmed", reason="opened in bending at the corner, no cause seen") for one in features]


def limits_of(*rules, decision="guarded"):
    head = {"title": "walk", "basis": "as in the reference file", "decision": decision}
    full = [{"kinds": ["opening", "crack"], "size": "length_mm", "test": "each", "sense": "at most"} | rule for rule in rules]
    return judge_limits.from_tables({"limits": head, "rule": full})


def example(name, decision):
    tables = tomllib.loads((EXAMPLES / name).read_text("utf-8"))
    assert "check against the edition in force" in tables["limits"]["basis"]
    tables["limits"]["decision"] = decision
    return judge_limits.from_tables(tables)


def printed_inches(entry, key="limit_in"):
    return Fraction(entry[key])


def test_every_published_rule_is_walked():
    """No rule that was read in a published text is left out here; remembered ones may be."""
    found = {name for name, entry in ENTRIES.items() if entry["checked"].startswith("found")}
    walked = {name for name, _ in LENGTHS} | ELSEWHERE
    assert found <= walked <= set(ENTRIES)


@pytest.mark.parametrize("decision", ["guarded", "simple"])
@pytest.mark.parametrize("unit", ["mm", "in"])
@pytest.mark.parametrize(("name", "spares_corners"), LENGTHS)
def test_one_size_on_under_and_over_its_limit(name, spares_corners, unit, decision):
    """``<=`` takes the limit itself, ``<`` does not; a hair to either side decides."""
    entry = ENTRIES[name]
    if unit == "in" and "limit_in" not in entry:
        assert "limit_mm" in entry  # printed in mm alone: the inch way is the mm way
        unit = "mm"
    sense = {"<=": "at most", "<": "below"}[entry.get("op", "<=")]
    limit = {"mm": repr(entry["limit_mm"]), "in": entry.get("limit_in")}[unit]
    limit_mm = entry["limit_mm"] if unit == "mm" else 25.4 * float(printed_inches(entry))
    where = {"where": "not at_corner"} if spares_corners else {}
    limits = limits_of({"id": "single", "limit": limit, "unit": unit, "sense": sense, **where}, decision=decision)
    assert outcome(limits, feature(1, limit_mm)) == ("within" if sense == "at most" else "exceeds")
    assert outcome(limits, feature(1, limit_mm - HAIR_MM)) == "within"
    assert outcome(limits, feature(1, limit_mm + HAIR_MM)) == "exceeds"
    assert outcome(limits, feature(1, 0.5), feature(2, limit_mm + HAIR_MM)) == "exceeds"
    if spares_corners:
        long = feature(1, 20.0, corner=True)
        assert outcome(limits, long) == "undecided"  # nobody looked whether something within caused it
        assert outcome(limits, *set_aside(long), reviewed=True) == "within"
    if name == "cfr49_192c.root_bend":
        assert entry["coupon_fails_if"] == f"crack_mm > {entry['limit_mm']}"


@pytest.mark.parametrize(("name", "spares_corners"), LENGTHS)
def test_guarded_leaves_the_guard_band_open(name, spares_corners):
    """Within U of the limit a guarded decision is open; a simple one takes the value (ILAC-G8:09/2019, 4.2.1 to 4.2.3)."""
    limit_mm = ENTRIES[name]["limit_mm"]
    rule = {"id": "single", "limit": limit_mm, "unit": "mm"}
    for offset_mm, guarded, simple in ((-0.12, "within", "within"), (-0.08, "undecided", "within"),
                                       (0.08, "undecided", "exceeds"), (0.12, "exceeds", "exceeds")):  # fmt: skip
        one = feature(1, limit_mm + offset_mm, U=0.1)
        assert outcome(limits_of(rule), one) == guarded
        assert outcome(limits_of(rule, decision="simple"), one) == simple


@pytest.mark.parametrize("decision", ["guarded", "simple"])
@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_sum_of_the_small_ones(unit, decision):
    """AWS D1.1/D1.1M:2015, 4.9.3.3 (2): over 1 mm up to 3 mm count; exactly 1 mm (1/32 in) does not, exactly 3 mm does."""
    entry = ENTRIES["aws_d1_1.bend.sum"]
    assert (entry["include_if"], entry["limit_mm"]) == ("1.0 < d_mm <= 3.0", 10.0)
    assert (entry["include_if_in"], entry["limit_in"]) == ("1/32 < d <= 1/8", "3/8")
    limits = example(f"bend-single-total-corner-{unit}.toml", decision)

    def total(*sizes_mm):
        return outcome(limits, *(feature(i, size) for i, size in enumerate(sizes_mm, 1)))

    if unit == "mm":
        assert total(2.5, 2.5, 2.5, 2.5) == "within"  # 10 mm
        assert total(2.5, 2.5, 2.5, 2.5 - HAIR_MM) == "within"
        assert total(2.5, 2.5, 2.5, 2.5 + HAIR_MM) == "exceeds"
        assert total(3.0, 3.0, 3.0, 1.0) == "within"  # 9 mm: the last is left out
        assert total(3.0, 3.0, 3.0, 1.0 + HAIR_MM) == "exceeds"  # 10.0001 mm
        assert total(*[1.0] * 30) == "within"
        assert total(3.0, 3.0, 2.0, 2.0) == "within"  # exactly 3 mm is counted: 10 mm
        assert total(3.0, 3.0, 2.0, 2.0 + HAIR_MM) == "exceeds"
    else:
        eighth, least = 25.4 / 8, 25.4 / 32
        assert total(eighth, eighth, eighth) == "within"  # 3/8 in
        assert total(eighth, eighth, eighth, least) == "within"
        assert total(eighth, eighth, eighth, least + HAIR_MM) == "exceeds"
        assert total(eighth, eighth, eighth - HAIR_MM) == "within"
        assert total(eighth, eighth, least + 2 * HAIR_MM, eighth - least - HAIR_MM) == "exceeds"


def test_sum_bounds_remembered_from_iso_9606():
    """ISO 9606-1:2012, clause 7 (from memory, check the edition in force): over 1 mm and under 3 mm count, up to 10 mm."""
    entry = ENTRIES["iso9606_1.bend.sum"]
    assert (entry["include_if"], entry["op"], entry["limit_mm"]) == ("1.0 < d_mm < 3.0", "<=", 10.0)
    limits = example("bend-below-total-mm.toml", "simple")
    assert outcome(limits, *(feature(i, 2.5) for i in range(4))) == "within"
    assert outcome(limits, *(feature(i, 2.5) for i in range(3)), feature(9, 2.5 + HAIR_MM)) == "exceeds"
    assert outcome(limits, feature(1, 3.0)) == "exceeds"  # by the single rule, which is strict
    assert outcome(limits, feature(1, 3.0 - HAIR_MM)) == "within"


@pytest.mark.parametrize("decision", ["guarded", "simple"])
@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_corner_crack_and_replacement(unit, decision):
    """AWS D1.1/D1.1M:2015, 4.9.3.3 (3): 6 mm at a corner, 3 mm if slag or lack of fusion caused it; else another specimen."""
    entry = ENTRIES["aws_d1_1.bend.corner"]
    assert ENTRIES["aws_d1_1.bend.corner_replace"]["outcome"] == "disregard_and_replace"
    limits = example(f"bend-single-total-corner-{unit}.toml", decision)
    long_mm = entry["limit_mm"] if unit == "mm" else 25.4 * float(printed_inches(entry))
    short_mm = entry["exception_limit_mm"] if unit == "mm" else 25.4 / 8
    assert outcome(limits, feature(1, long_mm, corner=True)) == "within"
    assert outcome(limits, feature(1, long_mm - HAIR_MM, corner=True)) == "within"
    assert outcome(limits, feature(1, long_mm + HAIR_MM, corner=True)) == "replace"
    for cause in FUSION:
        assert outcome(limits, feature(1, short_mm, corner=True, cause=cause)) == "within"
        assert outcome(limits, feature(1, short_mm + HAIR_MM, corner=True, cause=cause)) == "exceeds"
        assert outcome(limits, feature(1, long_mm + HAIR_MM, corner=True, cause=cause)) == "exceeds"  # not replaced
    away = feature(2, short_mm + HAIR_MM)
    assert outcome(limits, feature(1, long_mm + HAIR_MM, corner=True), away) == "exceeds"


@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_corner_counts_only_with_a_cause(unit):
    """ASME BPVC IX, QW-163: openings at corners are not counted unless an internal discontinuity caused them."""
    assert ENTRIES["asme_ix.qw163.corner"]["corner_limit_mm"] == "none"
    limits = example(f"bend-single-corner-set-aside-{unit}.toml", "simple")
    entry = ENTRIES["asme_ix.qw163.open"]
    limit_mm = entry["limit_mm"] if unit == "mm" else 25.4 * float(printed_inches(entry))
    assert outcome(limits, feature(1, 15.0, corner=True)) == "undecided"
    assert outcome(limits, *set_aside(feature(1, 15.0, corner=True)), reviewed=True) == "within"
    for cause in FUSION:
        assert outcome(limits, feature(1, limit_mm, corner=True, cause=cause)) == "within"
        assert outcome(limits, feature(1, limit_mm + HAIR_MM, corner=True, cause=cause)) == "exceeds"
    assert outcome(limits, feature(1, limit_mm + HAIR_MM)) == "exceeds"


def test_weld_outside_the_bend_is_no_valid_test():
    """ASME BPVC IX, QW-163 sets the condition; that failing it makes the test void is common practice."""
    assert ENTRIES["asme_ix.qw163.weld_in_bend"]["outcome_if_not"].startswith("test not valid")
    limits = example("bend-single-corner-set-aside-mm.toml", "guarded")
    assert outcome(limits, on=sheet(weld_inside_bend=True)) == "within"
    assert outcome(limits, on=sheet(weld_inside_bend=False)) == "void"
    assert outcome(limits, feature(1, 9.0), on=sheet(weld_inside_bend=False)) == "void"


@pytest.mark.parametrize(("t_mm", "limit_mm"), [(4.0, 2.0), (6.0, 3.0), (6.1, 3.0), (12.7, 3.0)])
def test_half_wall(t_mm, limit_mm):
    """API Std 1104, 5.6.4.3 and 5.6.5.3: the smaller of 3 mm and half the wall."""
    entry = ENTRIES["api1104.bend.single"]
    assert (entry["limit_expr_mm"], entry["limit_in"]) == ("min(3.0, 0.5*t)", "1/8 or half wall")
    limits = example("bend-half-wall-short-corner-set-aside-mm.toml", "guarded")
    on = sheet(t_mm=t_mm)
    assert outcome(limits, feature(1, limit_mm), on=on) == "within"
    assert outcome(limits, feature(1, limit_mm - HAIR_MM), on=on) == "within"
    assert outcome(limits, feature(1, limit_mm + HAIR_MM), on=on) == "exceeds"
    inches = example("bend-half-wall-short-corner-set-aside-inch.toml", "guarded")
    limit_mm = min(25.4 / 8, t_mm / 2)
    assert outcome(inches, feature(1, limit_mm), on=on) == "within"
    assert outcome(inches, feature(1, limit_mm + HAIR_MM), on=on) == "exceeds"


@pytest.mark.parametrize(("unit", "bound_mm"), [("mm", 6.0), ("inch", 6.35)])
def test_short_edge_cracks_are_ignored(unit, bound_mm):
    """API Std 1104, 5.6.4.3: less than 6 mm (1/4 in) at an edge is ignored, 6 mm is not, nor one with a cause (memory)."""
    assert ENTRIES["api1104.bend.edge"]["ignore_if"] == "edge_origin and length_mm < 6.0"
    limits = example(f"bend-half-wall-short-corner-set-aside-{unit}.toml", "guarded")
    assert outcome(limits, feature(1, bound_mm - HAIR_MM, corner=True)) == "undecided"
    assert outcome(limits, *set_aside(feature(1, bound_mm - HAIR_MM, corner=True)), reviewed=True) == "within"
    assert outcome(limits, *set_aside(feature(1, bound_mm, corner=True)), reviewed=True) == "exceeds"
    assert outcome(limits, feature(1, bound_mm, corner=True)) == "exceeds"
    assert outcome(limits, feature(1, bound_mm + HAIR_MM, corner=True)) == "exceeds"
    assert outcome(limits, feature(1, bound_mm - HAIR_MM, corner=True, cause="slag")) == "exceeds"
    assert outcome(limits, feature(1, bound_mm, U=0.1, corner=True)) == "undecided"  # whether it is ignored is open


def test_free_bend_needs_elongation_and_no_long_crack():
    """NAVEDTRA 14250: elongation of at least 15 percent (seen by a person) and no crack over 1/16 in."""
    entry = ENTRIES["navedtra14250.free_bend"]
    assert entry["min_elongation_pct"] == 15.0
    limit_mm = 25.4 * float(printed_inches(entry))
    crack = {"id": "crack", "kinds": ["opening", "crack"], "size": "length_mm", "test": "each", "sense": "at most"}
    crack |= {"limit": entry["limit_in"], "unit": "in"}
    elongation = {"id": "elongation", "test": "observation", "observation": "elongation-at-least-15-percent"}
    head = {"title": "free bend", "basis": "NAVEDTRA 14250", "decision": "simple", "accept": "crack and elongation"}
    limits = judge_limits.from_tables({"limits": head, "rule": [crack, elongation]})
    seen = {"elongation-at-least-15-percent": True}
    assert outcome(limits, feature(1, limit_mm), on=sheet(observations=seen)) == "within"
    assert outcome(limits, feature(1, limit_mm + HAIR_MM), on=sheet(observations=seen)) == "exceeds"
    assert outcome(limits, on=sheet(observations=dict.fromkeys(seen, False))) == "exceeds"
    assert outcome(limits, on=sheet(observations=dict.fromkeys(seen, "undetermined"))) == "undecided"
    assert outcome(limits) == "not-measured"  # nobody looked


def test_no_fracture_over_a_former_of_four_thicknesses():
    """IMO gas carrier code 6.3.4.2: no fracture at 180 degrees over a former of four times the specimen's thickness."""
    assert "four times" in ENTRIES["imo_6_3_4_2"]["condition"]
    rule = {"id": "fracture", "test": "observation", "observation": "fracture", "must_be": False}
    head = {"title": "no fracture", "basis": "IMO 6.3.4.2", "decision": "simple"}
    limits = judge_limits.from_tables({"limits": head, "rule": [rule]})
    asked = {"former_required_mm": 40.0}  # 4 x 10 mm
    assert outcome(limits, on=sheet(observations={"fracture": False}, **asked)) == "within"
    assert outcome(limits, on=sheet(observations={"fracture": True}, **asked)) == "exceeds"
    assert outcome(limits, on=sheet(observations={"fracture": False}, former_mm=50.0, **asked)) == "void"
    assert (
        outcome(limits, on=sheet(observations={"fracture": False}, angle_required_deg=180.0, broken_through=True)) != "within"
    )


@pytest.mark.parametrize("decision", ["guarded", "simple"])
@pytest.mark.parametrize(
    ("stem", "units", "rule", "name", "kind"),
    [
        ("bend-overlay-cladding-interface", ("mm", "inch"), "cladding", "asme_ix.qw163.overlay_cladding", "opening"),
        ("bend-overlay-cladding-interface", ("mm", "inch"), "interface", "asme_ix.qw163.overlay_interface", "lack-of-fusion"),
        ("bend-root-small-pipe", ("mm", "inch"), "crack", "cfr49_192c.root_bend", "crack"),
        ("bend-single-corner-included", ("inch",), "single", "navedtra14250.guided_bend", "crack"),
        ("bend-single-corner-included", ("inch",), "single", "army_od1651.guided_bend", "crack"),
        ("bend-single-corner-included", ("mm",), "single", "dcmr_12e1019", "opening"),
        ("bend-free-elongation", ("inch",), "crack", "navedtra14250.free_bend", "crack"),
    ],
)
def test_the_shipped_examples_keep_and_break_at_the_printed_limit(stem, units, rule, name, kind, decision):
    """On, just under and just over, in each unit that is printed; a corner is spared where the text spares it."""
    seen = sheet(observations={"elongation-at-least-15-percent": True})
    for unit in units:
        limits = example(f"{stem}-{unit}.toml", decision)
        limit_mm = ENTRIES[name]["limit_mm"] if unit == "mm" else 25.4 * float(printed_inches(ENTRIES[name]))
        for offset_mm, wanted in ((0.0, "within"), (-HAIR_MM, "within"), (HAIR_MM, "exceeds")):
            assert outcome(limits, feature(1, limit_mm + offset_mm, kind=kind), on=seen) == wanted, (unit, rule)
        spared = "corner" in ENTRIES[name].get("excluded", "")
        assert (outcome(limits, feature(1, limit_mm + 1, kind=kind, corner=True), on=seen) == "undecided") is spared


def test_the_shipped_free_bend_and_fracture_examples():
    """What a person must have seen, said, denied and not said."""
    for stem, name, good in (
        ("bend-free-elongation-inch", "elongation-at-least-15-percent", True),
        ("bend-no-fracture", "fracture", False),
    ):
        limits = example(f"{stem}.toml", "guarded")
        assert outcome(limits, on=sheet(observations={name: good})) == "within"
        assert outcome(limits, on=sheet(observations={name: not good})) == "exceeds"
        assert outcome(limits, on=sheet(observations={name: "undetermined"})) == "undecided"
        assert outcome(limits) == "not-measured"
    some = feature(1, 2.0)
    assert outcome(example("bend-no-fracture.toml", "guarded"), some, on=sheet(observations={"fracture": False})) == "undecided"
