"""Where a bend's crown line lies: what its silhouettes, perspective along its legs and a person's two points tell of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from specimeter.scale.borders import silhouette_angle
from specimeter.scale.surface import Bend, Flat
from specimeter.scale.view import View
from specimeter.sheet_fields import Axis

U_MARKED_MM = 1.0  # how nearly two points that a person marks lie on the crown line: one smooth face, no mark on it (judgement)
MARKED_BASIS = "axis points marked by hand, 1 mm (judgement)"
MOST_APART = 2.0  # standard uncertainties of both together, beyond which the picture's own edges are not believed
U_STRAIGHT_MM = 0.15  # how true a bent bar's side edges run from leg to leg (judgement)
LEGS = (
    "Both legs are in view and no silhouette: how far along them the crown lies is uncertain; mark two points on the crown "
    "line in [bend] axis."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marked:
    """A crown line through two points that a person marked, in the world at the crown's height."""

    at_mm: np.ndarray  # (2,), midway between them
    direction_deg: float
    u_direction_deg: float
    u_mm: float = U_MARKED_MM  # across the line

    def beside_mm(self, bend: Bend) -> float:
        """How far its middle lies from the bend's own crown line, towards +s."""
        return float((self.at_mm - bend.crown_mm) @ bend.frame[0, :2])

    def turned_deg(self, bend: Bend) -> float:
        """By how much it is turned from the bend's axis, -90 to 90."""
        return (self.direction_deg - bend.direction_deg + 90.0) % 180.0 - 90.0

    def surprise(self, bend: Bend) -> float:
        """Of a bend there, in squared standard uncertainties."""
        return (self.beside_mm(bend) / U_MARKED_MM) ** 2 + (self.turned_deg(bend) / self.u_direction_deg) ** 2


def marked(axis: Axis, view: View, height_mm: float) -> Marked | None:
    """The crown line of an axis given by two points; None of one given by a word."""
    if isinstance(axis, str):
        return None
    one, two = Flat(view=view, height_mm=height_mm).develop(np.array(axis, float))
    along, length = two - one, float(np.hypot(*(two - one)))
    return Marked(
        at_mm=(one + two) / 2,
        direction_deg=float(np.degrees(np.arctan2(along[1], along[0]))),
        u_direction_deg=float(np.degrees(np.arctan2(np.sqrt(2.0) * U_MARKED_MM, length))),
    )


def silhouettes(bend: Bend) -> bool:
    """Whether the cylinder's own silhouette shows on at least one side: it holds the crown's place."""
    return any(silhouette_angle(bend, side) is not None for side in (-1.0, 1.0))


def between_legs(bend: Bend) -> Bend:
    """With a leg in view on both sides nothing but perspective tells how far along them the crown lies.

    The side edges draw together from the crown along the legs by half the width times the sine of their slope over the
    lens's distance: edges out of true by `U_STRAIGHT_MM` pass for a crown so much further along. Axis points that a person
    marked on the crown line do better.
    """
    ends = bend.evidence["side_edges_a_mm"]
    lens = bend.view.distance_mm - bend.height_mm
    narrowing = 0.5 * (ends[1] - ends[0]) * np.sin(np.radians(bend.angle_deg) / 2) / lens
    return replace(
        bend,
        u_crown_mm=float(np.hypot(bend.u_crown_mm, U_STRAIGHT_MM / narrowing)),
        basis={**bend.basis, "crown": "perspective along the legs, side edges true to 0.15 mm (judgement)"},
        cautions=(*bend.cautions, LEGS),
    )


def through_marked(bend: Bend, line: Marked, held: Callable[[Marked], Bend | None]) -> Bend:
    """The bend with its crown where the picture's own edges and a person's points put it together, each by its certainty.

    Where they differ by more than `MOST_APART` of their joint uncertainty the points are kept as they are and a caution says
    so: what passes for a silhouette may be the rim of a shadow, a person knows what they marked. Where they differ by more
    than the joint uncertainty, but less, that of the crown grows in proportion (Birge's ratio).

    Parameters
    ----------
    bend : Bend
        As the picture alone tells, with its u.
    line : Marked
    held : callable
        The bend fitted again to its borders with its crown line through the point given, and as unsure as the u given there;
        None where they lead nowhere.
    """
    own, beside, turned = bend.u_crown_mm, line.beside_mm(bend), line.turned_deg(bend)
    joint, joint_turn = float(np.hypot(own, U_MARKED_MM)), float(np.hypot(bend.u_direction_deg, line.u_direction_deg))
    apart = abs(beside) > MOST_APART * joint or abs(turned) > MOST_APART * joint_turn
    share = 1.0 if apart else own**2 / joint**2
    crown = bend.crown_mm + share * beside * bend.frame[0, :2]
    u = U_MARKED_MM if apart else own * U_MARKED_MM / joint * max(1.0, abs(beside) / joint)
    fitted = held(replace(line, at_mm=crown, u_mm=u))
    fitted = replace(bend, crown_mm=crown) if fitted is None else fitted
    said: tuple[str, ...] = ()
    if apart:
        said = (
            f"The crown line marked in [bend] axis lies {abs(beside):.1f} mm beside the one that the specimen's own edges "
            f"show, and is turned from it by {abs(turned):.1f} degrees, where {MOST_APART * joint:.1f} mm and "
            f"{MOST_APART * joint_turn:.1f} degrees were to be expected at most: the marked line was kept. Check both points, "
            "the former, the thickness and the angle.",
        )
    kept = tuple(caution for caution in fitted.cautions if caution != LEGS)
    return replace(
        fitted,
        u_crown_mm=u,
        u_direction_deg=max(fitted.u_direction_deg, line.u_direction_deg) if apart else fitted.u_direction_deg,
        basis={**bend.basis, "crown": MARKED_BASIS if share > 0.5 else f"{bend.basis['crown']}; {MARKED_BASIS}"},
        evidence={**fitted.evidence, **({"marked_beside_mm": beside, "marked_turned_deg": turned} if apart else {})},
        cautions=(*kept, *said),
    )
