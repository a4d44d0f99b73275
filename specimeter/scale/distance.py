"""How long the lens was: the principal distance in pixels from EXIF, or assumed, and how far to trust it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from specimeter.scale.camera_profile import Profile

FULL_FRAME_DIAGONAL_MM = 43.27  # of 36 x 24 mm, what "35 mm equivalent" refers to
ASSUMED_35MM_MM = 35.0  # amid phones' main cameras (23 to 28 mm), their longer ones and bench cameras (50 to 100 mm)
_U_ASSUMED = 0.45  # of its logarithm: 24 mm and 85 mm lie 0.8 and 2 standard uncertainties off
_U_EXIF = 0.03
WORDS = {
    "exif": "the photograph's EXIF focal length",
    "assumed": "an assumed focal length",
    "profile": "the lens profile",
    "camera distance": "the camera distance as entered",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Focal:
    """The principal distance as known before the card is looked at."""

    px: float
    u_rel: float
    source: str  # a key of WORDS
    basis: str
    profile: Profile | None = None  # of the lens, where the sheet names one

    @property
    def words(self) -> str:
        """Where it comes from, in words."""
        return WORDS[self.source]

    def equivalent_mm(self, width_px: int, height_px: int, *, px: float | None = None) -> float:
        """The 35 mm equivalent of this, or of another, principal distance in pixels."""
        return float((px or self.px) * FULL_FRAME_DIAGONAL_MM / np.hypot(width_px, height_px))


def focal(photo: Any) -> Focal:
    """Principal distance of a photograph from its EXIF 35 mm equivalent, else one amid phones and bench cameras.

    The stored equivalent is a whole number (+-0.5 mm in about 26: 1.1 %), makers refer it to the diagonal or to the long
    side (4 % apart: 2.3 % as a rectangle), and focusing near moves the lens out by about 1 %: together 3 %.
    """
    diagonal_px = float(np.hypot(photo.width_px, photo.height_px))
    if photo.focal_35mm_mm:
        return Focal(
            px=photo.focal_35mm_mm / FULL_FRAME_DIAGONAL_MM * diagonal_px,
            u_rel=_U_EXIF,
            source="exif",
            basis="35 mm equivalent in the photograph's EXIF: rounding, maker's convention, near focus",
        )
    return Focal(
        px=ASSUMED_35MM_MM / FULL_FRAME_DIAGONAL_MM * diagonal_px,
        u_rel=_U_ASSUMED,
        source="assumed",
        basis="no focal length in the photograph: anything from a phone's main camera to a bench camera's",
    )


def of_profile(profile: Profile) -> Focal:
    """Principal distance by a lens profile, as it applies to the photograph."""
    return Focal(
        px=profile.focal_px,
        u_rel=profile.u_focal_rel,
        source="profile",
        basis=f"lens profile from {profile.photographs} photographs of the board; focus moves the lens",
        profile=profile,
    )


def narrowed(lens: Focal, *, px: float, u_rel: float) -> Focal:
    """What is known of the principal distance once something independent, here the bend itself, has told it too."""
    weights = np.array([1.0 / lens.u_rel**2, 1.0 / u_rel**2])
    log_px = float(weights @ np.log([lens.px, px]) / weights.sum())
    return Focal(
        px=float(np.exp(log_px)),
        u_rel=float(weights.sum() ** -0.5),
        source=lens.source,
        basis=f"{lens.basis}; narrowed by the bend's own size and perspective",
        profile=lens.profile,
    )
