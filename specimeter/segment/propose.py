"""Where something darker than the metal around it might be an opening: dark blobs and lines at several widths."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

WIDTHS_MM = (0.45, 1.1, 2.7, 6.5)  # the widest dark thing each octave fills; openings wider than the last are not bend openings
LEVELS = 0.10 * 1.3 ** np.arange(8)  # relative darkness, 0.10 to 0.63
STRUCTURE_PX = 13  # an octave works where its width is about this many pixels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal:
    """One dark region, cut at half its own darkness, in pixels of the light it was found in.

    Parameters
    ----------
    left, top : int
        Where its mask begins.
    mask : bool array, shape (h, w)
        The region.
    darkness : float
        Its greatest relative darkness, 0 to 1.
    strength : float
        Darkness over the local texture's scatter at the octave it was found in.
    octave_mm : float
    """

    left: int
    top: int
    mask: np.ndarray
    darkness: float
    strength: float
    octave_mm: float

    @property
    def box(self) -> tuple[int, int, int, int]:
        """Left, top, right, bottom; right and bottom excluded."""
        return self.left, self.top, self.left + self.mask.shape[1], self.top + self.mask.shape[0]


def propose(light: np.ndarray, usable: np.ndarray, *, mm_per_px: float, least_mm: float = 0.3) -> list[Proposal]:
    """Dark regions of all widths, strongest first; the same thing may come from two octaves.

    Parameters
    ----------
    light : float32 array, shape (H, W)
        Linear light of the examined area's crop.
    usable : bool array, shape (H, W)
        The examined area itself.
    mm_per_px : float
        Scale in the middle of it.
    least_mm : float
        Regions whose box diagonal is shorter are not proposed.
    """
    found: list[Proposal] = []
    done: set[int] = set()
    for width_mm in WIDTHS_MM:
        times = 1 << max(0, int(np.floor(np.log2(max(width_mm / mm_per_px / STRUCTURE_PX, 1.0)))))
        size = max(5, int(round(width_mm / mm_per_px / times)) | 1)
        if (times, size) in done:
            continue
        done.add((times, size))
        found.extend(_octave(light, usable, times, size, width_mm, least_mm / mm_per_px))
    return sorted(found, key=lambda one: -one.strength * np.sqrt(one.mask.sum()))


def darkness_at(light: np.ndarray, usable: np.ndarray, size: int) -> np.ndarray:
    """Relative darkness against the light that a square of `size` pixels fills in: 1 - light / closing(light)."""
    smooth = cv2.GaussianBlur(light, (0, 0), 0.7)
    kernel = np.ones((size, size), np.uint8)
    ceiling = cv2.dilate(np.where(usable, smooth, np.float32(0.0)), kernel)
    ceiling = cv2.erode(np.where(usable, ceiling, np.float32(1e3)), kernel)
    ceiling = cv2.blur(np.where(usable, ceiling, np.float32(0)), (size, size)) / np.maximum(
        cv2.blur(usable.astype(np.float32), (size, size)), np.float32(1e-3)
    )
    return np.where(usable, 1 - smooth / np.maximum(ceiling, np.float32(1e-5)), np.float32(0.0))


def _octave(light, usable, times, size, width_mm, least_px):
    if times > 1:
        shape = (light.shape[1] // times, light.shape[0] // times)
        if min(shape) < 8:
            return
        cut = light[: shape[1] * times, : shape[0] * times], usable[: shape[1] * times, : shape[0] * times]
        light = cv2.resize(cut[0], shape, interpolation=cv2.INTER_AREA)
        usable = cv2.resize(cut[1].astype(np.uint8), shape, interpolation=cv2.INTER_NEAREST) > 0
    dark = darkness_at(light, usable, size)
    centre, scatter = _texture(dark, usable, 4 * size)
    dark = np.maximum(dark - centre, 0)
    for k, level in enumerate(LEVELS):
        above = (dark > np.maximum(level, 2.0 * scatter)) if k < 3 else dark > level
        count, labels, stats, _ = cv2.connectedComponentsWithStats(above.astype(np.uint8), connectivity=8)
        if count < 2:
            break
        rows, cols = np.nonzero(above)
        which = labels[rows, cols]
        peak = np.zeros(count, np.float32)
        np.maximum.at(peak, which, dark[rows, cols])
        noise = np.bincount(which, weights=scatter[rows, cols], minlength=count) / np.maximum(stats[:, 4], 1)
        diagonal = np.hypot(stats[:, 2], stats[:, 3]) * times
        top = LEVELS[k + 1] if k + 1 < len(LEVELS) else 1.0
        fits = (peak >= 2 * level) & (peak < 2 * top) & (diagonal >= least_px) & (stats[:, 4] >= 4) & (peak > 4.0 * noise)
        fits[0] = False
        for one in np.nonzero(fits)[0]:
            x, y, w, h, _area = stats[one]
            mask = (labels[y : y + h, x : x + w] == one).astype(np.uint8)
            if times > 1:
                mask = cv2.resize(mask, (w * times, h * times), interpolation=cv2.INTER_NEAREST)
            yield Proposal(
                left=int(x * times),
                top=int(y * times),
                mask=mask > 0,
                darkness=float(peak[one]),
                strength=float(peak[one] / max(noise[one], 1e-3)),
                octave_mm=width_mm,
            )


def _texture(dark: np.ndarray, usable: np.ndarray, window: int) -> tuple[np.ndarray, np.ndarray]:
    """Local centre and scatter of the darkness of plain metal: clipped box means, so that openings do not count."""
    sample = dark[usable]
    if not len(sample):
        return np.zeros_like(dark), np.full_like(dark, 0.02)
    middle = float(np.median(sample[:: max(1, len(sample) // 20000)]))
    clip = max(3 * middle, 0.02)
    held = (usable & (dark < clip)).astype(np.float32)
    share = np.maximum(cv2.blur(held, (window, window)), 0.02)
    centre = cv2.blur(held * dark, (window, window)) / share
    scatter = 1.25 * cv2.blur(held * np.abs(dark - centre), (window, window)) / share
    weak = cv2.blur(held, (window, window)) < 0.05
    return np.where(weak, middle, centre), np.maximum(np.where(weak, middle, scatter), 0.004)
