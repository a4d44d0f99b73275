"""A rule in a scene where a printed strip would have lain, from a random stream of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from specimeter.scene import card as cards
from specimeter.scene.describe import Card, Rule
from specimeter.scene.rule import random_rule

_WIDEST_MM = 22.0  # what lies clear of the bar where a strip does


def carries_rule(seed: int, share: float) -> bool:
    """Whether this seed's scene is one of the share that carries a rule."""
    return bool(np.random.default_rng([seed, 0x52, 1]).random() < share)


def laid(seed: int, strip: Card) -> tuple[Card, Rule]:
    """The rule in a strip's place and height, as what lies there (kind "rule") and as what is drawn on it."""
    rng = np.random.default_rng([seed, 0x52, 2])
    rule = random_rule(seed)
    rule = replace(rule, width_mm=min(rule.width_mm, _WIDEST_MM))
    angle = np.radians(strip.angle_deg)
    frame = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    centre = np.array(strip.origin_mm[:2]) + np.array(cards.SIZE_MM["strip"]) / 2 @ frame
    shown = np.array([rng.uniform(60.0, rule.length_mm - 60.0), rule.width_mm / 2])
    origin = centre - shown @ frame
    place = (float(origin[0]), float(origin[1]), strip.origin_mm[2])
    rule = replace(rule, origin_mm=place, angle_deg=strip.angle_deg)
    stretch = 1.0 + rule.stretch
    return replace(strip, kind="rule", origin_mm=place, shrink=(stretch, stretch)), rule


def sheet_lines(seed: int, rule: Rule) -> list[str]:
    """The scale table's lines: half of the sheets name the division, where the rule has but one."""
    lines = ['method = "graduations"']
    divisions = {mm for mm in rule.divisions_mm if mm}
    if len(divisions) == 1 and np.random.default_rng([seed, 0x52, 3]).random() < 0.5:
        lines.append(f"graduation_mm = {divisions.pop():g}")
    return lines
