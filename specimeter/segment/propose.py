"""Where something darker than the metal around it might be an opening: dark blobs and lines at several widths."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

WIDTHS_MM = (0.45, 1.1, 2.7, 6.5)  # the widest dark thing each octave fills; openings wider than the last are not bend openings
LEVELS = np.arange(0.12, 0.9, 0.085)  # relative darkness
LARGEST_SHARE = 0.08  # of the examined area: no opening of a bend that held together is larger
STRUCTURE_PX = 13  # an octave works where its width is about this many pixels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal:
    """One dark region, cut where its border is steepest, in pixels of the light it was found in.

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
    done: set[tuple[int, int]] = set()
    for width_mm in WIDTHS_MM:
        times = 1 << max(0, int(np.floor(np.log2(max(width_mm / mm_per_px / STRUCTURE_PX, 1.0)))))
        size = max(5, round(width_mm / mm_per_px / times) | 1)
        if (times, size) in done:
            continue
        done.add((times, size))
        found.extend(_octave(light, usable, times, size, width_mm, least_mm / mm_per_px))
    return _once(sorted(found, key=lambda one: -one.strength * one.mask.sum() ** 0.2))


def _once(found: list[Proposal]) -> list[Proposal]:
    """The same without near copies: of regions whose boxes agree within a sixth, the first."""
    kept: list[Proposal] = []
    boxes = np.empty((len(found), 4))
    for one in found:
        box = np.array(one.box, float)
        others = boxes[: len(kept)]
        size = np.maximum(box[2:] - box[:2], 6.0)
        if len(kept) and np.any(np.all(np.abs(others - box) <= np.tile(np.maximum(size / 6, 1.5), 2), axis=1)):
            continue
        boxes[len(kept)] = box
        kept.append(one)
    return kept


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


def _octave(
    light: np.ndarray, usable: np.ndarray, times: int, size: int, width_mm: float, least_px: float
) -> Iterator[Proposal]:
    if times > 1:
        shape = (light.shape[1] // times, light.shape[0] // times)
        if min(shape) < 8:
            return
        cut = light[: shape[1] * times, : shape[0] * times], usable[: shape[1] * times, : shape[0] * times]
        light = cv2.resize(cut[0], shape, interpolation=cv2.INTER_AREA)
        usable = cv2.resize(cut[1].astype(np.uint8), shape, interpolation=cv2.INTER_NEAREST) > 0
    dark = darkness_at(light, usable, size)
    centre, scatter = _texture(dark, usable, 5 * size)
    dark = np.maximum((dark - centre) / (1 - centre), 0)  # against the metal's usual light, no longer its brightest
    slope = cv2.magnitude(cv2.Sobel(dark, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(dark, cv2.CV_32F, 0, 1, scale=0.125))
    plain = float(np.median(slope[usable][::7])) + 1e-4 if usable.any() else 1.0
    largest = LARGEST_SHARE * usable.sum()
    layers = [_Layer.of(dark, slope, level) for level in LEVELS]
    for k, layer in enumerate(layers):
        if layer.count < 2:
            break
        steepest = layer.steepness >= (layers[k - 1].steepness[layer.inside(layers[k - 1])] if k else 0.0)
        if k + 1 < len(layers) and layers[k + 1].count > 1:
            below = layers[k + 1].inside(layer)
            inner = np.zeros(layer.count)
            np.maximum.at(
                inner, below[1:], layers[k + 1].steepness[1:] * (layers[k + 1].area[1:] > 0.3 * layer.area[below[1:]])
            )
            steepest &= layer.steepness > inner
        noise = scatter[layer.rows, layer.cols]
        diagonal = np.hypot(layer.boxes[:, 2], layer.boxes[:, 3]) * times
        fits = steepest & (diagonal >= least_px) & (layer.area >= 4) & (layer.area < largest)
        fits &= (layer.peak > 0.15) & (layer.steepness > 2.0 * plain) & (layer.steepness > 0.04)
        fits[0] = False
        for one in np.nonzero(fits)[0]:
            x, y, w, h = layer.boxes[one]
            mask = (layer.labels[y : y + h, x : x + w] == one).astype(np.uint8)
            if times > 1:
                mask = cv2.resize(mask, (w * times, h * times), interpolation=cv2.INTER_NEAREST)
            yield Proposal(
                left=int(x * times),
                top=int(y * times),
                mask=mask > 0,
                darkness=float(layer.peak[one]),
                strength=float(layer.steepness[one] * layer.peak[one] / (plain + 0.02 * noise[one])),
                octave_mm=width_mm,
            )


@dataclass(frozen=True, slots=True, eq=False)
class _Layer:
    """All regions darker than one level: row 0 of every array is the rest."""

    count: int
    labels: np.ndarray
    boxes: np.ndarray  # left, top, width, height
    area: np.ndarray
    peak: np.ndarray
    rows: np.ndarray  # of one pixel of the region
    cols: np.ndarray
    steepness: np.ndarray  # mean slope of darkness along the region's own border

    @classmethod
    def of(cls, dark: np.ndarray, slope: np.ndarray, level: float) -> _Layer:
        above = (dark > level).astype(np.uint8)
        count, parts, stats, _ = cv2.connectedComponentsWithStats(above, connectivity=8)
        labels: np.ndarray = parts
        rows, cols = np.nonzero(above)
        which = labels[rows, cols]
        peak = np.zeros(count, np.float32)
        np.maximum.at(peak, which, dark[rows, cols])
        one_row, one_col = np.zeros(count, int), np.zeros(count, int)
        one_row[which], one_col[which] = rows, cols
        inner: np.ndarray = cv2.erode(above, np.ones((3, 3), np.uint8), borderValue=0)
        rim = np.nonzero(above & (1 - inner))
        of = labels[rim]
        steepness = np.bincount(of, weights=slope[rim], minlength=count) / np.maximum(np.bincount(of, minlength=count), 1)
        return cls(count, labels, stats[:, :4], stats[:, 4], peak, one_row, one_col, steepness)

    def inside(self, outer: _Layer) -> np.ndarray:
        """For each region, the region of a lighter layer that it lies in."""
        return outer.labels[self.rows, self.cols]


def _texture(dark: np.ndarray, usable: np.ndarray, window: int) -> tuple[np.ndarray, np.ndarray]:
    """Local centre and scatter of the darkness of plain metal: clipped box means, so that openings do not count."""
    sample = dark[usable]
    if not len(sample):
        return np.zeros_like(dark), np.full_like(dark, 0.02)
    middle = float(np.median(sample[:: max(1, len(sample) // 20000)]))
    held = (usable & (dark < min(max(2.5 * middle, 0.03), 0.6))).astype(np.float32)
    share = cv2.blur(held, (window, window))
    weak = share < 0.1
    share = np.maximum(share, 0.02)
    centre = np.where(weak, middle, cv2.blur(held * dark, (window, window)) / share)
    scatter = 1.25 * cv2.blur(held * np.abs(dark - centre), (window, window)) / share
    return np.minimum(centre, 0.6), np.clip(np.where(weak, middle, scatter), 0.004, 0.3)
