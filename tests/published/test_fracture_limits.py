"""Nick-break, fillet-break and macro rules of the published texts by the shipped examples: on, just under and just over.

The figures come from ``shared/reference/acceptance_fracture.toml`` and ``acceptance_macro.toml`` beside the checkout, with
standard, edition and clause of each; what is marked there as remembered is "from memory, check against the edition in force".
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference"
pytestmark = pytest.mark.skipif(not REFERENCE.exists(), reason="../shared/reference is not beside this checkout")
ENTRIES = {}
if REFERENCE.exists():
    for name in ("acceptance_fracture.toml", "acceptance_macro.toml"):
        ENTRIES |= {rule["id"]: rule for rule in tomllib.loads((REFERENCE / name).read_text("utf-8"))["rule"]}

FUSED = {"complete-penetration-and-fusion": True, "complete-fusion": True, "complete-root-fusion": True, "bent-flat": False}
SOUND = {"fusion-to-root": True, "short-leg-at-most-10-percent": True}
WALKED = {  # every entry that was read in a published text, and the test below that walks it
    "api1104.nick.penetration": "test_penetration_and_fusion",
    "api1104.nick.pocket": "test_greatest_size",
    "api1104.nick.pocket_area": "test_pocket_area",
    "api1104.nick.slag_depth": "test_greatest_size",
    "api1104.nick.slag_length": "test_half_wall",
    "api1104.nick.slag_spacing": "test_slag_spacing",
    "api1104.nick.fisheyes": "test_fisheyes_are_set_aside",
    "api1104.nick.measure": "test_directions",
    "api1104.nick.retest": "of the weld, over specimens: not of one specimen's limits",
    "api1104.fillet": "test_greatest_size",
    "pcc2.nick": "test_greatest_size",
    "navedtra14250.nick": "test_pores_per_square_inch",
    "aws_d1_1.fillet_break.flat": "test_flat_or_sound",
    "aws_d1_1.fillet_break.single": "test_greatest_size",
    "aws_d1_1.fillet_break.sum": "test_sum_of_all",
    "asme_ix.qw182": "test_sum_of_all",
    "aws_d1_1.visual.undersize": "test_shortfall_of_the_leg",
    "aws_d1_1.visual.undercut_static": "test_undercut_by_thickness",
}


def on(walk, test, **changes):
    weld = {"nominal_leg_mm": 6.0}
    return walk.sheet(test, **({"weld": weld, "observations": FUSED | SOUND} | changes))


def mm(entry, unit, key="limit"):
    """The printed limit in mm, by the unit it is printed in: 1.6 mm and 1/16 in are different limits."""
    if unit == "mm":
        return entry[f"{key}_mm"]
    return 25.4 * float(Fraction(entry[f"{key}_in"]))


def test_every_published_rule_is_walked():
    found = {name for name, entry in ENTRIES.items() if entry["checked"].startswith("found")}
    assert found == set(WALKED)
    here = set(globals())
    assert all(where in here for where in WALKED.values() if where.startswith("test_"))


GREATEST = [  # entry, its key, example, kind, size, rule, test
    ("api1104.nick.pocket", "limit", "nick-break-pores-slag", "pore", "length_mm", "pocket", "nick-break"),
    ("api1104.nick.slag_depth", "limit", "nick-break-pores-slag", "slag", "through_wall_mm", "slag_depth", "nick-break"),
    ("api1104.nick.pocket", "limit", "fillet-break-pores-slag", "pore", "length_mm", "pocket", "fillet-break"),
    ("api1104.nick.slag_depth", "limit", "fillet-break-pores-slag", "slag", "through_wall_mm", "slag_depth", "fillet-break"),
    ("aws_d1_1.fillet_break.single", "limit", "fillet-break-flat-or-sound", "slag", "length_mm", "single", "fillet-break"),
    ("aws_d1_1.macro.undercut", "limit", "macro-fillet-sizes", "undercut", "depth_mm", "undercut", "macro-fillet"),
]


@pytest.mark.parametrize("decision", ["guarded", "simple"])
@pytest.mark.parametrize("unit", ["mm", "inch"])
@pytest.mark.parametrize(("name", "key", "stem", "kind", "size", "rule", "test"), GREATEST)
def test_greatest_size(walk, name, key, stem, kind, size, rule, test, unit, decision):
    """One size against its printed limit, by the rule's verdict; every other rule of the example is left to its own test."""
    limits, limit_mm = walk.example(f"{stem}-{unit}", decision), mm(ENTRIES[name], unit, key)
    sheet = on(walk, test)
    for offset, outcome in ((0.0, "within"), (-walk.hair, "within"), (walk.hair, "exceeds")):
        found = walk.feature(1, kind, **{size: limit_mm + offset})
        assert walk.verdict_of(walk.judged(limits, sheet, found), rule).outcome == outcome


def test_greatest_size_where_one_unit_is_printed(walk):
    """ASME PCC-2, 210-4.2.1.3: 1.6 mm pores, 0.8 mm deep slag; NAVEDTRA 14250: pockets of 1/16 in."""
    pcc, navy = ENTRIES["pcc2.nick"], ENTRIES["navedtra14250.nick"]
    for stem, kind, size, rule, limit_mm in (
        ("nick-break-pores-slag-half-wall-mm", "pore", "length_mm", "pocket", pcc["limit_pore_mm"]),
        ("nick-break-pores-slag-half-wall-mm", "slag", "through_wall_mm", "slag_depth", pcc["limit_slag_depth_mm"]),
        ("nick-break-pores-per-area-inch", "pore", "length_mm", "pocket", mm(navy, "in", "limit_pocket")),
    ):
        for offset, outcome in ((0.0, "within"), (-walk.hair, "within"), (walk.hair, "exceeds")):
            found = walk.feature(1, kind, **{size: limit_mm + offset})
            assert walk.verdict_of(walk.judged(walk.example(stem), on(walk, "nick-break"), found), rule).outcome == outcome


@pytest.mark.parametrize("test", ["nick-break", "fillet-break"])
@pytest.mark.parametrize("t_mm", [4.0, 6.0, 9.5])
def test_half_wall(walk, test, t_mm):
    """API Std 1104: slag as long as 3 mm (1/8 in) or half the wall; ASME PCC-2 prints 3.2 mm for the same 1/8 in."""
    assert ENTRIES["api1104.nick.slag_length"]["limit_expr_mm"] == "min(3.0, 0.5*t)"
    assert ENTRIES["pcc2.nick"]["limit_slag_len_expr_mm"] == "min(3.2, 0.5*t)"
    cases = [(f"{test}-pores-slag-mm", 3.0), (f"{test}-pores-slag-inch", 25.4 / 8)]
    for stem, cap_mm in cases + ([("nick-break-pores-slag-half-wall-mm", 3.2)] if test == "nick-break" else []):
        limit_mm = min(cap_mm, t_mm / 2)
        for offset, outcome in ((0.0, "within"), (-walk.hair, "within"), (walk.hair, "exceeds")):
            found = walk.feature(1, "slag", along_weld_mm=limit_mm + offset, through_wall_mm=0.3)
            judgement = walk.judged(walk.example(stem), on(walk, test, t_mm=t_mm), found)
            assert walk.verdict_of(judgement, "slag_length").outcome == outcome


def test_directions(walk):
    """API Std 1104, figure of 5.6.3.3 (its content from memory): depth through the wall, length along the weld."""
    assert "depth across the wall, length along the weld" in ENTRIES["api1104.nick.measure"]["condition"]
    long_and_flat = walk.feature(1, "slag", 2.9, along_weld_mm=2.9, through_wall_mm=0.7)
    assert walk.judged(walk.example("nick-break-pores-slag-mm"), on(walk, "nick-break"), long_and_flat).outcome == "within"
    turned = walk.feature(1, "slag", 2.9, along_weld_mm=0.7, through_wall_mm=2.9)
    assert walk.judged(walk.example("nick-break-pores-slag-mm"), on(walk, "nick-break"), turned).outcome == "exceeds"
    unknown = walk.feature(1, "slag", 2.9)
    assert walk.judged(walk.example("nick-break-pores-slag-mm"), on(walk, "nick-break"), unknown).outcome == "not-measured"


@pytest.mark.parametrize("stem", ["nick-break-pores-slag-mm", "nick-break-pores-slag-inch", "fillet-break-pores-slag-mm"])
def test_penetration_and_fusion(walk, stem):
    """A person says that it is complete; an unfused place that was found says that it is not."""
    assert ENTRIES["api1104.nick.penetration"]["condition"] == "complete penetration and fusion"
    limits, test = walk.example(stem), stem.partition("-pores")[0]
    assert walk.judged(limits, on(walk, test)).outcome == "within"
    assert (
        walk.judged(limits, on(walk, test, observations=FUSED | {"complete-penetration-and-fusion": False})).outcome
        == "exceeds"
    )
    undetermined = on(walk, test, observations=FUSED | {"complete-penetration-and-fusion": "undetermined"})
    assert walk.judged(limits, undetermined).outcome == "undecided"
    assert walk.judged(limits, on(walk, test, observations=None)).outcome == "not-measured"
    for kind in ("lack-of-penetration", "lack-of-root-fusion", "lack-of-sidewall-fusion"):
        assert walk.judged(limits, on(walk, test), walk.feature(1, kind, 0.5)).outcome == "exceeds"


@pytest.mark.parametrize(
    "stem", ["nick-break-pores-slag-mm", "nick-break-pores-slag-half-wall-mm", "fillet-break-pores-slag-inch"]
)
def test_pocket_area(walk, stem):
    """2 percent of 300 mm2 of broken face are 6 mm2."""
    assert (ENTRIES["api1104.nick.pocket_area"]["limit_pct"], ENTRIES["pcc2.nick"]["limit_area_pct"]) == (2.0, 2.0)
    limits, sheet = walk.example(stem), on(walk, stem.partition("-pores")[0])
    for last, outcome in ((1.5, "within"), (1.5 - walk.hair, "within"), (1.5 + walk.hair, "exceeds")):
        pores = [walk.feature(number, "pore", 1.4, area_mm2=1.5) for number in (1, 2, 3)]
        judgement = walk.judged(limits, sheet, *pores, walk.feature(4, "pore", 1.4, area_mm2=last))
        assert walk.verdict_of(judgement, "pocket_area").outcome == outcome
    assert walk.verdict_of(walk.judged(limits, sheet, area_mm2=None), "pocket_area").outcome == "not-measured"


@pytest.mark.parametrize("unit", ["mm", "inch"])
@pytest.mark.parametrize("test", ["nick-break", "fillet-break"])
def test_slag_spacing(walk, test, unit):
    """Inclusions of any size 13 mm (1/2 in) apart or more; nearer ones are not accepted."""
    entry = ENTRIES["api1104.nick.slag_spacing"]
    assert entry["op"] == ">="
    limit_mm = mm(entry, unit) if unit == "mm" else 12.7
    limits = walk.example(f"{test}-pores-slag-{unit}")
    for offset, outcome in ((0.0, "within"), (walk.hair, "within"), (-walk.hair, "exceeds")):
        pair = [
            walk.feature(n, "slag", 0.3, nearest_mm=limit_mm + offset, through_wall_mm=0.2, along_weld_mm=0.3) for n in (1, 2)
        ]
        assert walk.verdict_of(walk.judged(limits, on(walk, test), *pair), "slag_spacing").outcome == outcome


def test_fisheyes_are_set_aside(walk):
    """API Std 1104:2005: no cause for rejection. No rule counts one, so a named person sets it aside."""
    assert "not a cause for rejection" in ENTRIES["api1104.nick.fisheyes"]["condition"]
    limits, sheet = walk.example("nick-break-pores-slag-mm"), on(walk, "nick-break")
    fisheye = walk.feature(1, "fisheye", 4.0)
    assert walk.judged(limits, sheet, fisheye).outcome == "undecided"
    said = replace(fisheye, status="confirmed", reason="a fisheye: no cause for rejection")
    assert walk.judged(limits, sheet, said).outcome == "undecided"
    assert walk.judged(limits, sheet, said, reviewed=True).outcome == "within"


def test_pores_per_square_inch(walk):
    """NAVEDTRA 14250: six on a square inch (645.16 mm2) of broken face are accepted, seven are not; slag is barred outright."""
    entry = ENTRIES["navedtra14250.nick"]
    assert entry["limit_count_per_in2"] == 6
    limits, sheet = walk.example("nick-break-pores-per-area-inch"), on(walk, "nick-break")
    for number, outcome in ((6, "within"), (5, "within"), (7, "exceeds")):
        pores = [walk.feature(i, "pore", 1.0) for i in range(1, number + 1)]
        assert walk.judged(limits, sheet, *pores, area_mm2=645.16).outcome == outcome
    assert walk.judged(limits, sheet, walk.feature(1, "slag", 0.3), area_mm2=645.16).outcome == "exceeds"


@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_flat_or_sound(walk, unit):
    """AWS D1.1, fillet-weld break: flat OR (fracture sound AND total kept), the plain reading made explicit in `accept`."""
    assert ENTRIES["aws_d1_1.fillet_break.flat"]["logic"] == "flat OR (fracture_ok AND sum_ok)"
    assert ENTRIES["asme_ix.qw182"]["logic"] == "flat OR (no_cracks AND no_incomplete_root_fusion AND sum_ok)"
    for stem in (f"fillet-break-flat-or-sound-{unit}", f"fillet-break-flat-or-total-{unit}"):
        limits = walk.example(stem)
        flat, broken = {"bent-flat": True}, {"bent-flat": False, "complete-root-fusion": True}
        assert walk.judged(limits, on(walk, "fillet-break", observations=flat)).outcome == "within"
        assert walk.judged(limits, on(walk, "fillet-break", observations=broken)).outcome == "within"
        unfused = on(walk, "fillet-break", observations=broken | {"complete-root-fusion": False})
        assert walk.judged(limits, unfused).outcome == "exceeds"
        assert walk.judged(limits, on(walk, "fillet-break", observations={"bent-flat": False})).outcome == "not-measured"
        long = walk.feature(1, "slag", 11.0)
        assert walk.judged(limits, on(walk, "fillet-break", observations=broken), long).outcome == "exceeds"
        assert walk.judged(limits, on(walk, "fillet-break", observations=flat), long).outcome == "within"
    crack = walk.feature(1, "crack", 1.0)
    limits = walk.example(f"fillet-break-flat-or-total-{unit}")
    assert walk.judged(limits, on(walk, "fillet-break"), crack).outcome == "exceeds"


@pytest.mark.parametrize("decision", ["guarded", "simple"])
@pytest.mark.parametrize("unit", ["mm", "inch"])
@pytest.mark.parametrize(("name", "stem"), [("aws_d1_1.fillet_break.sum", "sound"), ("asme_ix.qw182", "total")])
def test_sum_of_all(walk, name, stem, unit, decision):
    """10 mm (3/8 in) in all, with no least size below which a pore does not count."""
    limit_mm = mm(ENTRIES[name], unit)
    limits, sheet = walk.example(f"fillet-break-flat-or-{stem}-{unit}", decision), on(walk, "fillet-break")
    for offset, outcome in ((0.0, "within"), (-walk.hair, "within"), (walk.hair, "exceeds")):
        parts = [walk.feature(i, ("slag", "pore", "elongated-cavity")[i % 3], 2.0) for i in range(1, 5)]
        rest = walk.feature(5, "pore", limit_mm - 8.0 + offset)
        assert walk.judged(limits, sheet, *parts, rest).outcome == outcome
    tiny = [walk.feature(i, "pore", 0.5) for i in range(1, 21)]  # 10 mm of pores of 0.5 mm
    assert walk.judged(limits, sheet, *tiny).outcome == ("within" if unit == "mm" else "exceeds")  # 3/8 in is 9.525 mm
    assert walk.judged(limits, sheet, *tiny, walk.feature(21, "pore", 0.5)).outcome == "exceeds"


@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_shortfall_of_the_leg(walk, unit):
    """AWS D1.1/D1.1M:2004, Table 6.1 (6): how much the leg may lack, by its nominal size, on at most a tenth of the length."""
    entry = ENTRIES["aws_d1_1.visual.undersize"]
    pairs = entry["table_mm"] if unit == "mm" else [[25.4 * float(Fraction(x)) for x in row] for row in entry["table_in"]]
    limits = walk.example(f"macro-fillet-undersize-undercut-{unit}")
    assert "10 percent" in entry["condition"]
    for size_mm, lacking_mm in pairs:
        sheet = on(walk, "macro-fillet", weld={"nominal_leg_mm": size_mm})
        for offset, outcome in ((0.0, "within"), (-walk.hair, "within"), (walk.hair, "exceeds")):
            section = {"leg_1_mm": size_mm + 1, "leg_2_mm": size_mm - lacking_mm - offset}
            assert walk.judged(limits, sheet, section=section).outcome == outcome
            longer = on(
                walk, "macro-fillet", weld={"nominal_leg_mm": size_mm}, observations={"short-leg-at-most-10-percent": False}
            )
            assert walk.judged(limits, longer, section=section).outcome == "exceeds"
        full = {"leg_1_mm": size_mm + 1, "leg_2_mm": size_mm}
        assert walk.judged(limits, longer, section=full).outcome == "within"
    small = on(walk, "macro-fillet", weld={"nominal_leg_mm": 4.0})
    assert walk.verdict_of(
        walk.judged(limits, small, section={"leg_1_mm": 4, "leg_2_mm": 3}), "leg_short"
    ).limit == pytest.approx(pairs[0][1] / (1 if unit == "mm" else 25.4))


@pytest.mark.parametrize(("unit", "thick_mm", "limits_mm"), [("mm", 25.0, (1.0, 2.0)), ("inch", 25.4, (25.4 / 32, 25.4 / 16))])
def test_undercut_by_thickness(walk, unit, thick_mm, limits_mm):
    """AWS D1.1/D1.1M:2004, Table 6.1 (7)(A): 1 mm under 25 mm, 2 mm from there (the inches from memory)."""
    assert "under 25 mm: depth at most 1 mm" in ENTRIES["aws_d1_1.visual.undercut_static"]["condition"]
    limits, section = walk.example(f"macro-fillet-undersize-undercut-{unit}"), {"leg_1_mm": 6.0, "leg_2_mm": 6.0}
    for t_mm, limit_mm in ((thick_mm - 0.01, limits_mm[0]), (thick_mm, limits_mm[1])):
        for offset, outcome in ((0.0, "within"), (-walk.hair, "within"), (walk.hair, "exceeds")):
            groove = walk.feature(1, "undercut", 5.0, depth_mm=limit_mm + offset)
            assert walk.judged(limits, on(walk, "macro-fillet", t_mm=t_mm), groove, section=section).outcome == outcome


@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_macro_rules_from_memory(walk, unit):
    """AWS D1.1, 4.9.4 and ASME BPVC IX, QW-183 and QW-184, all from memory: legs, their difference, contour, root."""
    sheet = on(walk, "macro-fillet")
    limits = walk.example(f"macro-fillet-sizes-{unit}")
    for leg_mm, outcome in ((6.0, "within"), (6.0 + walk.hair, "within"), (6.0 - walk.hair, "exceeds")):
        assert walk.judged(limits, sheet, section={"leg_1_mm": 7.0, "leg_2_mm": leg_mm}).outcome == outcome
    entry, limits = ENTRIES["asme_ix.qw184"], walk.example(f"macro-fillet-shape-{unit}")
    assert entry["limit_leg_diff_mm"] == ENTRIES["asme_ix.qw183"]["limit_leg_diff_mm"]
    differ, contour, root = (mm(entry, unit, key) for key in ("limit_leg_diff", "limit_contour", "limit_root_indication"))
    for offset, outcome in ((0.0, "within"), (-walk.hair, "within"), (walk.hair, "exceeds")):
        for section in (
            {"leg_1_mm": 6.0, "leg_2_mm": 6.0 + differ + offset, "convexity_mm": 0.5},
            {"leg_1_mm": 6.0, "leg_2_mm": 6.0, "convexity_mm": contour + offset},
            {"leg_1_mm": 6.0, "leg_2_mm": 6.0, "convexity_mm": -contour - offset},
        ):
            assert walk.judged(limits, sheet, section=section).outcome == outcome
        line = walk.feature(1, "lack-of-root-fusion", root + offset)
        assert walk.judged(limits, sheet, line, section=section | {"convexity_mm": 0.0}).outcome == outcome
