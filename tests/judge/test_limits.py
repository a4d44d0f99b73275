"""Limits: what is read, and what each mistake in them is answered with."""

from __future__ import annotations

import json
from pathlib import Path
from typing import get_args

import pytest

from specimeter.errors import LimitsError
from specimeter.judge import limits as judge_limits

EXAMPLES = Path(__file__).resolve().parents[2] / "shared" / "limits"
DESIGN = Path(__file__).resolve().parents[3] / "shared" / "design.md"

GOOD = """
[limits]
title = "Transverse bend"
basis = "the code, its edition and clause"
decision = "guarded"
accept = "single and total"

[[rule]]
id = "single"
kinds = ["opening", "crack"]
where = "not at_corner"
size = "length_mm"
test = "each"
limit = "min(3, t / 2)"
unit = "mm"
sense = "at most"

[[rule]]
id = "total"
kinds = ["opening", "crack"]
counted = "length_mm > 1 and length_mm <= 3"
size = "length_mm"
test = "sum"
limit = 10
unit = "mm"
sense = "at most"
"""


@pytest.fixture
def refusal(tmp_path):
    """The error that a text draws as limits."""

    def refuse(text: str) -> LimitsError:
        path = tmp_path / "L.toml"
        path.write_text(text)
        with pytest.raises(LimitsError) as caught:
            judge_limits.read(path)
        assert caught.value.file == path
        return caught.value

    return refuse


def changed(old, new):
    assert old in GOOD
    return GOOD.replace(old, new, 1)


def test_limits_survive_the_record(tmp_path):
    """Stored as JSON and read back they are the same limits."""
    path = tmp_path / "L.toml"
    path.write_text(GOOD)
    limits = judge_limits.read(path)
    assert [rule.id for rule in limits.rule] == ["single", "total"]
    assert limits.rule[1].limit == 10
    assert judge_limits.from_tables(limits.model_dump(mode="json", exclude_none=True)) == limits


@pytest.mark.skipif(not DESIGN.exists(), reason="../shared/design.md is not beside this checkout")
def test_the_design_s_own_example_is_read(tmp_path):
    """With the second rule that its `accept` names; `counted` in a rule for each is allowed and without effect."""
    text = DESIGN.read_text().split("## 9. Limits")[1].split("```toml")[1].split("```")[0]
    path = tmp_path / "L.toml"
    path.write_text(text + GOOD[GOOD.index('[[rule]]\nid = "total"') :])
    assert len(judge_limits.read(path).rule) == 2


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.toml")), ids=lambda path: path.name)
def test_examples_say_that_they_are_examples(path):
    assert "example, check against the edition in force" in judge_limits.read(path).limits.basis
    assert path.read_text().startswith("# Example, check against the edition in force.")


@pytest.mark.parametrize(
    ("old", "new", "field", "told"),
    [
        ('decision = "guarded"', "", "limits.decision", "is missing"),
        ('decision = "guarded"', 'decision = "lenient"', "limits.decision", '"simple"'),
        ('accept = "single and total"', 'accept = "single and totl"', "limits.accept", 'did you mean "total"?'),
        ('accept = "single and total"', 'accept = "single or not single or total"', "limits.accept", "every rule is broken"),
        ('accept = "single and total"', 'accept = "single + total"', "limits.accept", "this is true or false"),
        ('id = "total"', 'id = "single"', "rule", 'two rules have the id "single"'),
        ('id = "total"', 'id = "to-tal"', "rule[to-tal].id", "write _ for a hyphen"),
        ('id = "total"', 'id = "not"', "rule[not].id", "letters, digits"),
        ('["opening", "crack"]', '["opning"]', "rule[single].kinds[item 1]", 'did you mean "opening"?'),
        ('["opening", "crack"]', "[]", "rule[single].kinds", "is missing"),
        ('kinds = ["opening", "crack"]\n', "", "rule[single].kinds", "is missing"),
        ('where = "not at_corner"', 'where = "not at_corne"', "rule[single].where", 'did you mean "at_corner"?'),
        ('where = "not at_corner"', 'where = "length_mm"', "rule[single].where", "a condition"),
        ('where = "not at_corner"', 'wher = "not at_corner"', "rule[single].wher", 'nearest known key is "where"'),
        ('size = "length_mm"', 'size = "lenght_mm"', "rule[single].size", 'did you mean "length_mm"?'),
        ('size = "length_mm"', 'size = "area_mm2"', "rule[single].limit", "this limit is a length"),
        ('limit = "min(3, t / 2)"', 'limit = "min(3, t / 2"', "rule[single].limit", "never closed"),
        ('limit = "min(3, t / 2)"', "limit = -3", "rule[single].limit", "below 0"),
        ('limit = "min(3, t / 2)"', "limit = true", "rule[single].limit", "truth value"),
        ('limit = "min(3, t / 2)"', "limit = nan", "rule[single].limit", "finite"),
        ('limit = "min(3, t / 2)"', "", "rule[single].limit", "limit is missing"),
        ('limit = "min(3, t / 2)"', 'limit = "length_mm"', "rule[single].limit", "not known here"),
        ('unit = "mm"', 'unit = "cm"', "rule[single].unit", '"in"'),
        ('unit = "mm"', "", "rule[single].unit", "unit is missing"),
        ('sense = "at most"', 'sense = "max"', "rule[single].sense", "at least"),
        ('sense = "at most"', 'sense = "at most"\nbeyond = "fails"', "rule[single].beyond", '"replace"'),
        ('sense = "at most"', 'sense = "at most"\nwindow_mm = 30', "rule[single].window_mm", "has no meaning"),
        ('test = "each"', 'test = "any"', "rule[single].test", '"observation"'),
        ("[limits]", "[limit]", "limit", 'nearest known key is "limits"'),
        ("[limits]", "[limits]\nlimit = 3", "limits.limit", "belongs in the table [[rule]]"),
        (GOOD[GOOD.index("[[rule]]") :], "", "rule", "add the table [[rule]]"),
        (GOOD, "rule = []\n" + GOOD[: GOOD.index("accept")], "rule", "at least one"),
    ],
)
def test_a_mistake_is_named_with_its_field_and_its_cure(refusal, old, new, field, told):
    error = refusal(changed(old, new))
    assert error.field == field
    assert told in str(error)
    assert "pydantic" not in str(error)


def test_inches_do_not_mix_with_millimetres(refusal):
    """In a rule in inches t is in inches: comparing it with length_mm is refused, with length_in it is not."""
    inches = GOOD.replace('unit = "mm"', 'unit = "in"')
    error = refusal(inches.replace("not at_corner", "length_mm < t"))
    assert error.field == "rule[single].where"
    assert "millimetres and inches cannot be compared" in str(error)
    assert "length_in" in error.mend


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(LimitsError, match="no such file"):
        judge_limits.read(tmp_path / "L.toml")


def test_the_guide_beside_the_examples_tells_every_name_and_key():
    """A name or key that the guide forgets would be found by nobody."""
    guide = (EXAMPLES / "README.md").read_text("utf-8")
    names = [*judge_limits.FEATURE_NAMES, *judge_limits.SECTION_NAMES, *judge_limits.SHEET_LENGTHS, *judge_limits.SHEET_ANGLES]
    for name in names:
        assert f"`{name}`" in guide or name.endswith(("_in", "_in2")), name
    for key in (*judge_limits.Rule.model_fields, *judge_limits.Head.model_fields):
        assert key in guide, key
    for test in get_args(judge_limits.Test):
        assert f"| `{test}` |" in guide


def test_the_guide_s_own_example_is_read(tmp_path):
    """With the two rules that its `accept` names beside the one shown."""
    text = (EXAMPLES / "README.md").read_text("utf-8").split("```toml")[1].split("```")[0]
    other = "".join(f'\n[[rule]]\nid = "{id_}"\ntest = "observation"\nobservation = "{id_}"\n' for id_ in ("flat", "fused"))
    path = tmp_path / "L.toml"
    path.write_text(text + other)
    assert judge_limits.read(path).beside_accept == ()


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.toml")), ids=lambda path: path.stem)
def test_limits_come_back_from_a_record(path):
    """A record stores every entry with its default; an issue must be able to read them again."""
    entered = judge_limits.read(path)
    stored = json.loads(json.dumps(entered.model_dump(mode="json", exclude_none=True)))
    assert judge_limits.from_tables(stored).model_dump() == entered.model_dump()
