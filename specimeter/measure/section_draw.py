"""What a section's outline, weld metal and the gap between its plates draw: every size's construction."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from specimeter.measure.weld_sizes import Drawn, beyond, butt, fillet, parent_share, runs_together, through_plate, values
from specimeter.segment.faying_line import Faying
from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.plates import Run
from specimeter.segment.polylines import area_mm2, corner
from specimeter.segment.weld_face import Toe

MOST_REACH = 0.8  # of the leg on the plate that runs through: a gap that begins farther in shows too faintly to be followed
TOGETHER = "both fusion lines run together before the root side: look there for plates that are not fused"
SHORT = "the weld metal seems to end before the plates' corner, but no gap shows there: look for a root that is not fused"
LEAST_ROOT_MM = 0.2  # of the faying line that is drawn where the weld reaches no farther in than the plates' corner
Found = tuple[dict[str, Drawn], tuple[Toe, ...], dict[str, Any]]  # sizes drawn, toes in the record's order, what to say
LEAST_BEAD_MM = 0.2  # a root that stands out by as much shows weld metal on that side: the weld goes through


def evaluator(
    test: str, thickness_mm: float | None, photo_ways: np.ndarray, gap: Faying | None, *, square: bool = False
) -> Callable[[np.ndarray, tuple[Run, ...], np.ndarray | None], Found | None]:
    """A function of outline and weld metal in mm: the sizes drawn, the toes in the record's order, and what to say; or None.

    `photo_ways`: what leads right and down in the photograph, by which a butt's plates are numbered; `gap`: where a fillet's
    plates are seen not to be fused; `square`: a fillet's plates were not bevelled, so that what was laid down lies before their
    surfaces. What is said: cautions, whether size 1 is surely on the plate that runs through (`numbered`), whether the gap told
    it and the penetration (`told`), whether a root that stands out shows that the weld goes through (`through`), why the weld
    metal does not tell the penetration (`untold`), a fillet's faying line from the plates' corner on, as far as it is fused
    (`root`), a butt's toes on the root side (`below`), its sizes if that were the weld's face (`turned`), and whether one bead
    alone shows (`alone`).
    """

    def of_fillet(outline: np.ndarray, plates: tuple[Run, ...], weld: np.ndarray | None) -> Found | None:
        joint = find_fillet(outline, plates)
        if joint is None:
            return None
        seen = None if gap is None or (joint.through_sure and gap.through != joint.through) else gap
        through = joint.through if seen is None else seen.through
        toes = (joint.face.toes[through], joint.face.toes[1 - through])
        drawn = fillet(joint.face, through)
        root = corner(toes[0].plate, toes[1].plate)
        if root is None:
            return None
        inward = np.sign((root - toes[0].point) @ toes[0].plate.direction) * toes[0].plate.direction
        reach = 0.0 if seen is None or seen.tip is None else float((seen.tip - root) @ inward)
        reach, untold = reach if reach < MOST_REACH * float(np.hypot(*(toes[0].point - root))) else 0.0, ""
        if reach > 0:
            line = np.array([root, root + reach * inward])
            drawn["penetration_mm"] = Drawn(name="penetration_mm", value=reach, lines=(line,))
        elif weld is not None:
            drawn["penetration_mm"] = beyond(weld, root, inward)
            if drawn["penetration_mm"].value == 0 and seen is None:  # plates that are not fused there would show a gap
                drawn.pop("penetration_mm")
                untold = SHORT
        if weld is not None:
            drawn["weld_area_mm2"] = Drawn(name="weld_area_mm2", value=area_mm2(weld), lines=(_ring(weld),))
            if square:
                drawn["dilution"] = parent_share(weld, root, joint.face)
        cautions = []
        numbered = joint.through_sure or seen is not None
        deep = drawn["penetration_mm"].value if "penetration_mm" in drawn else 0.0
        if not numbered:
            cautions.append(
                "Which plate runs through is not seen in the outline: number 1 is on the one whose surface is seen farther."
            )
        if joint.others:
            cautions.append(f"The cut shows {len(joint.others)} more fillet weld(s): the largest was measured.")
        facts = {
            "cautions": tuple(cautions),
            "numbered": numbered,
            "told": reach > 0,
            "through": False,
            "untold": untold,
            "below": (),
            "turned": {},
            "alone": False,
        }
        return drawn, toes, {**facts, "root": np.array([root, root + max(deep, LEAST_ROOT_MM) * inward])}

    def of_butt(outline: np.ndarray, plates: tuple[Run, ...], weld: np.ndarray | None) -> Found | None:
        joint = find_butt(outline, plates)
        if joint is None:
            return None
        right, down = (float(joint.across @ way) for way in photo_ways)
        across = joint.across * (1.0 if (right if abs(right) >= abs(down) else down) > 0 else -1.0)
        toes = tuple(sorted(joint.top.toes, key=lambda toe: float(toe.point @ across)))
        drawn = butt(joint.top, joint.bottom, across)
        tip, through, together = None if gap is None else gap.tip, False, False
        beaded = joint.bottom is not None and joint.bottom.bead_mm > LEAST_BEAD_MM
        top = (toes[0].point + toes[1].point) / 2
        normal = toes[0].plate.normal + toes[1].plate.normal
        normal = normal / np.hypot(*normal)
        if tip is not None:
            depth = -float(np.mean([toe.plate.height(tip[None])[0] for toe in toes]))
            line = np.array([tip + depth * normal, tip])
            drawn["penetration_mm"] = Drawn(name="penetration_mm", value=depth, lines=(line,))
        elif beaded and thickness_mm is not None:
            line, through = np.array([top, top - thickness_mm * normal]), True
            drawn["penetration_mm"] = Drawn(name="penetration_mm", value=thickness_mm, lines=(line,))
        elif weld is not None and not (together := runs_together(weld, [toe.plate for toe in toes])):
            drawn["penetration_mm"] = through_plate(weld, [toe.plate for toe in toes], thickness_mm)
        if weld is not None:
            drawn["weld_area_mm2"] = Drawn(name="weld_area_mm2", value=area_mm2(weld), lines=(_ring(weld),))
        facts = {
            "cautions": (),
            "numbered": True,
            "told": tip is not None,
            "through": through,
            "root": None,
            "untold": TOGETHER if together else "",
            "alone": not beaded,
        }
        if joint.bottom is None:
            return drawn, toes, {**facts, "below": (), "turned": {}}
        return drawn, toes, {**facts, "below": joint.bottom.toes, "turned": values(butt(joint.bottom, joint.top, across))}

    return of_fillet if test == "macro-fillet" else of_butt


def _ring(points: np.ndarray) -> np.ndarray:
    return np.concatenate([points, points[:1]])
