"""What a small network sees of an examined area and says of it: cut out, resampled, looked at, parted into regions, weighed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike

from specimeter import networks
from specimeter.colour import luminance, mean_of_channels
from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.model import ExaminedArea

STEP_PX = 32  # the networks' coarsest grid


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """A trained network and the pictures that it is used to.

    Parameters
    ----------
    file : Path
        ONNX; input is what `prepared` makes, output log-odds at half the sampling, four to a cell.
    sampling_mm : float
        Of a pixel of the picture that it sees.
    most_zoom : float
        Its pixels to one of the photograph's; a photograph coarser than that is seen as coarse as it is.
    most_px, most_enlarged_px : int
        Of the picture that it sees, and of one that is enlarged.
    margin_px : int
        Of the surroundings that it sees, in its own pixels.
    mirrored : bool
        Whether it looks twice, at the picture and at its mirror image: what it says of both is steadier than either.
    twice : tuple of int
        Of a picture that is enlarged: the answers that are the mean of this look and of one at the photograph's own sampling.
        What is seen at both sizes is surer than what one shows; the other answers are the finer look's.
    instead : str
        The segmenter to name where it cannot be read.
    """

    file: Path
    sampling_mm: float
    most_zoom: float = 1.0
    most_px: int = 3_000_000
    most_enlarged_px: int = 3_000_000
    margin_px: int
    enlarge: int = cv2.INTER_LINEAR
    mirrored: bool = False
    twice: tuple[int, ...] = ()
    instead: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """What the network saw, and what it made of it.

    Parameters
    ----------
    log_odds : float32 array, shape (K, H, W)
        The network's answers, as its own module names them; the first is that of a feature.
    usable : bool array, shape (H, W)
        The examined area.
    light : float32 array, shape (H, W)
        Linear luminance of the picture that it saw.
    zoom : array, shape (2,)
        The network's pixels to one of the photograph's, along x and y.
    offset_px : array, shape (2,)
        The photograph's pixel [x, y] where the network's picture begins.
    mm_per_px : float
        Of the photograph.
    """

    log_odds: np.ndarray
    usable: np.ndarray
    light: np.ndarray
    zoom: np.ndarray
    offset_px: np.ndarray
    mm_per_px: float

    @property
    def pixel(self) -> float:
        """One of the network's pixels, in the photograph's."""
        return float(1 / self.zoom[0])

    def to_photograph(self, points: np.ndarray) -> np.ndarray:
        """Pixels [x, y] of the photograph, of points in the network's picture."""
        return (np.asarray(points, float) + 0.5) / self.zoom - 0.5 + self.offset_px

    def from_photograph(self, points: np.ndarray) -> np.ndarray:
        """The reverse of `to_photograph`."""
        return (np.asarray(points, float) - self.offset_px + 0.5) * self.zoom - 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Region:
    """One connected region that the network takes for a feature: its mask in a box of its picture, and how sure it is."""

    mask: np.ndarray
    corner: tuple[int, int]  # x, y of the mask's top-left pixel
    peak: float
    mean: float

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of its box in the network's picture."""
        x, y = self.corner
        return np.s_[y : y + self.mask.shape[0], x : x + self.mask.shape[1]]


def inside(
    area: ExaminedArea, shape: tuple[int, int], zoom: float | np.ndarray = 1.0, offset_px: ArrayLike = (0.0, 0.0)
) -> np.ndarray:
    """Which pixels of a picture, zoomed and cut out of the photograph at an offset, belong to the examined area."""
    mask = np.zeros(shape, np.uint8)
    for polygon, value in [(area.outline_px, 1), *((hole, 0) for hole in area.exclude_px)]:
        points = (np.asarray(polygon, float) - offset_px + 0.5) * zoom - 0.5
        cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)], value, shift=4)
    return mask > 0


def look(photo: Photo, surface: Surface, area: ExaminedArea, network: Network) -> Seen:
    """Cut the examined area out, bring it to the network's sampling, and let the network look at it.

    Raises
    ------
    SpecimeterError
        If the network's file is missing or this OpenCV cannot read it.
    """
    height, width = photo.rgb.shape[:2]
    low, high = area.outline_px.min(axis=0), area.outline_px.max(axis=0)
    mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    wanted = min(network.most_zoom, mm / network.sampling_mm) if np.isfinite(mm) else 1.0
    margin = network.margin_px / wanted
    low = np.clip(np.floor(low - margin), 0, [width - 1, height - 1]).astype(int)
    high = np.clip(np.ceil(high + margin) + 1, low + 1, [width, height]).astype(int)
    held = float(np.prod(high - low))
    wanted = min(wanted, max(1.0, np.sqrt(network.most_enlarged_px / held)), float(np.sqrt(network.most_px / held)))
    size = np.maximum(np.round((high - low) * wanted).astype(int), 1)
    own = piece = photo.rgb[low[1] : high[1], low[0] : high[0]]
    if wanted != 1:
        way = cv2.INTER_AREA if wanted < 1 else network.enlarge
        piece = cv2.resize(piece, (int(size[0]), int(size[1])), interpolation=way)
    zoom = size / (high - low)
    usable = inside(area, piece.shape[:2], zoom, low)
    log_odds = answers(prepared(_coded(piece), usable), network)
    if wanted > 1 and network.twice:
        plain = answers(prepared(_coded(own), inside(area, own.shape[:2], 1.0, low)), network)
        for k in network.twice:
            log_odds[k] = 0.5 * (log_odds[k] + cv2.resize(plain[k], (int(size[0]), int(size[1]))))
    return Seen(
        log_odds=log_odds,
        usable=usable,
        light=luminance(piece),
        zoom=zoom,
        offset_px=low.astype(float),
        mm_per_px=mm,
    )


def _coded(piece: np.ndarray) -> np.ndarray:
    """Codes of any depth as float32 from 0 to 1."""
    return piece.astype(np.float32) / np.float32(np.iinfo(piece.dtype).max)


def prepared(rgb: np.ndarray, usable: np.ndarray) -> np.ndarray:
    """The network's input, float32 (1, 4, H, W), of a coded picture (H, W, 3) from 0 to 1 and the examined area.

    The area's median is brought to the middle, so that exposure does not matter.
    """
    grey = mean_of_channels(rgb)
    middle = max(float(np.median(grey[usable] if usable.any() else grey)), 0.02)
    planes = np.empty((1, 4, *usable.shape), np.float32)
    for channel, plane in enumerate(planes[0, :3]):
        np.clip(np.multiply(rgb[..., channel], np.float32(0.5 / middle), out=plane), 0, 2, out=plane)
    planes[0, 3] = usable
    planes *= 2
    planes -= 1
    return planes


def answers(picture: np.ndarray, network: Network) -> np.ndarray:
    """Log-odds (K, H, W) for an input (1, 4, H, W) of any size."""
    told = run(picture, network.file, network.instead)
    if network.mirrored:
        told = (told + run(np.ascontiguousarray(picture[..., ::-1]), network.file, network.instead)[..., ::-1]) / 2
    return told


def run(picture: np.ndarray, file: Path, instead: str) -> np.ndarray:
    """Log-odds (K, H, W) that one network answers; `instead` is the segmenter to name where it cannot be read."""
    height, width = picture.shape[2:]
    pad = ((0, 0), (0, 0), (0, -height % STEP_PX), (0, -width % STEP_PX))
    said = networks.answer(file, np.pad(picture, pad, mode="edge"), instead=instead)
    return networks.unfolded(said)[:, :height, :width]


def regions(seen: Seen, *, level: float, least_px: int, least_peak: float) -> Iterator[tuple[Region, np.ndarray]]:
    """Connected regions of the examined area above a level that reach a peak somewhere; each with its pixels' weights."""
    odds = np.where(seen.usable, seen.log_odds[0], -20.0)
    _, labels, stats, _ = cv2.connectedComponentsWithStats((odds > level).astype(np.uint8), connectivity=8)
    for label, (x, y, width, height, size) in enumerate(stats.reshape(-1, 5)):
        if label == 0 or size < least_px:
            continue
        window = np.s_[y : y + height, x : x + width]
        mask = labels[window] == label
        values = odds[window][mask]
        peak = float(np.sort(values)[-5:].mean())
        if peak >= least_peak:
            yield Region(mask=mask, corner=(int(x), int(y)), peak=peak, mean=float(values.mean())), 1 / (1 + np.exp(-values))


def weighed(figures: np.ndarray, names: tuple[str, ...], file: Path) -> float:
    """A fitted sum of figures called `names`; one beyond what the fit's photographs showed counts as the farthest they did."""
    weights, constant, least, most = _fit(file, names)
    return float(np.clip(figures, least, most) @ weights + constant)


@cache
def fit_of(file: Path) -> dict:
    """What was fitted, as its file holds it."""
    return json.loads(file.read_text(encoding="utf-8"))


@cache
def _fit(file: Path, names: tuple[str, ...]) -> tuple[np.ndarray, float, np.ndarray, np.ndarray]:
    held = fit_of(file)
    weights, least, most = (np.array([held[what][name] for name in names]) for what in ("weights", "least", "most"))
    return weights, float(held["constant"]), least, most
