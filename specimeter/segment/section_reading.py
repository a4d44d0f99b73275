"""What a small network reads in a photograph of a cut: metal, weld metal, heat-affected zone, gaps and imperfections."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike

from specimeter import lookup, networks
from specimeter.colour import luminance

MODELS = {name: Path(__file__).with_name(f"section_{name}.onnx") for name in ("far", "near")}
FAR_MM, NEAR_MM = 0.3, 0.06  # of a cell: of the whole photograph, and round the cut (coarser where the photograph is)
WHOLE_MM = 0.12  # the same where a cut fills the picture
AROUND_MM = 4.0  # of the surroundings that the network sees with a cut
MOST_CELLS = {"far": 1_200_000, "near": 1_800_000}
STEP = 32  # the network's coarsest grid
TISSUES = ("surroundings", "plate", "haz", "weld", "gap")
KINDS = ("pore", "slag", "crack", "lack-of-fusion")
PLANES = len(TISSUES) + 3 + len(KINDS)  # tissues, whether the etching shows them, an imperfection, its share, its kind
ENLARGED, LEAST_ENLARGED = 2.0, 1.2  # how far a coarse photograph is enlarged for thin lines, at most, and worth the while
STEADY_MM, APART = (0.1, 0.15), 1.15  # further cells at which tissues are read, and how much coarser each is at least
EVEN_TISSUE = 1e-3  # chance by which no reading of a tissue is surer than it can be
EVEN = 0.02  # chance by which no reading is surer than it can be
WIDEST = 1024  # places to a row where maps are read: OpenCV takes no more than 32767


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """The network's answer on a map of cells over a part of the photograph.

    Parameters
    ----------
    tissue : float32 array, shape (5, rows, columns)
        Chances of TISSUES, which add up to 1.
    seen : float32 array, shape (rows, columns)
        Chance that the etching shows there which tissue it is.
    feature : float32 array, shape (rows, columns)
        Log-odds of an imperfection, however thin; `share`: of the cell that it covers; `kind` (4, rows, columns): log-odds of
        KINDS, where there is one.
    light : float32 array, shape (rows, columns)
        Logarithm of the linear luminance that was read.
    zoom : float
        Cells to a pixel; `offset_px` (2,): the photograph's pixel at the map's first.
    """

    tissue: np.ndarray
    seen: np.ndarray
    feature: np.ndarray
    share: np.ndarray
    kind: np.ndarray
    light: np.ndarray
    zoom: float
    offset_px: np.ndarray

    @property
    def metal(self) -> np.ndarray:
        """Chance of lying inside the metal's outline, (rows, columns); gaps between the plates count as inside."""
        return 1 - self.tissue[0]

    def to_photograph(self, points: ArrayLike) -> np.ndarray:
        """Pixels [x, y] of the photograph of cells [column, row]."""
        return (np.asarray(points, float) + 0.5) / self.zoom - 0.5 + self.offset_px

    def from_photograph(self, points: np.ndarray) -> np.ndarray:
        """The reverse of `to_photograph`."""
        return (np.asarray(points, float) - self.offset_px + 0.5) * self.zoom - 0.5

    def at(self, field: np.ndarray, points_px: np.ndarray) -> np.ndarray:
        """Values of one of the maps at pixels (..., 2) of the photograph."""
        cells = self.from_photograph(points_px).astype(np.float32).reshape(-1, 2)
        pad = -len(cells) % WIDEST
        x, y = (np.pad(cells[:, k], (0, pad)).reshape(-1, WIDEST) for k in (0, 1))
        found = lookup.at(np.ascontiguousarray(field), x, y, border=cv2.BORDER_REPLICATE)
        return found.reshape(-1)[: len(cells)].reshape(np.shape(points_px)[:-1])


def steadied(near: Reading, far: Reading, mm_per_px: float, border_mm: tuple[float, float]) -> Reading:
    """A fine reading whose metal is judged by a coarse one of more surroundings too: log-odds of both added up, place by place.

    A few millimetres of smooth bench look like metal; the whole photograph tells them apart. About its border, where the coarse
    one sees no wedge of air under a lip, the fine one decides alone: nearer than the first of `border_mm`, and then by degrees.
    """
    rows, columns = near.metal.shape
    low, high = far.from_photograph(near.to_photograph([[0, 0], [columns - 1, rows - 1]]))
    x, y = (np.linspace(low[k], high[k], n, dtype=np.float32) for k, n in ((0, columns), (1, rows)))
    away = np.log((far.tissue[0] + EVEN) / (far.metal + EVEN)).astype(np.float32)
    inner = (far.metal > 0.5).astype(np.uint8)
    depth = cv2.distanceTransform(inner, cv2.DIST_L2, 5) + cv2.distanceTransform(1 - inner, cv2.DIST_L2, 5)
    depth_mm = depth * np.float32(mm_per_px / far.zoom)
    away *= np.clip((depth_mm - border_mm[0]) / border_mm[1], 0, 1)
    coarse = lookup.at(away, *np.meshgrid(x, y), border=cv2.BORDER_REPLICATE)
    fine = np.log((near.tissue[0] + EVEN) / (near.metal + EVEN))
    return with_metal(near, 1 / (1 + np.exp(fine + coarse)))


def within(reading: Reading, outline_px: np.ndarray) -> Reading:
    """A reading of a cut whose outline is known: what lies in it is metal, all else is not."""
    inner = np.zeros(reading.metal.shape, np.uint8)
    cv2.fillPoly(inner, [np.round(reading.from_photograph(outline_px) * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
    return with_metal(reading, np.where(inner > 0, 1 - 1e-3, 1e-3))


def with_metal(reading: Reading, chance: np.ndarray) -> Reading:
    """The same with other chances of being metal, (rows, columns); those of the tissues keep their proportions."""
    rest = chance / np.maximum(reading.metal, 1e-6)
    return replace(reading, tissue=np.concatenate([1 - chance[None], reading.tissue[1:] * rest]).astype(np.float32))


def read_far(rgb: np.ndarray, mm_per_px: float, cell_mm: float = FAR_MM) -> Reading:
    """The whole photograph, read coarsely; `mm_per_px` about its middle."""
    return _read("far", rgb, np.zeros(2, int), min(mm_per_px / cell_mm, 1.0))


def read_near(
    rgb: np.ndarray,
    mm_per_px: float,
    low_px: np.ndarray,
    high_px: np.ndarray,
    cell_mm: float = NEAR_MM,
    *,
    mirrored: bool = False,
) -> Reading:
    """A box of the photograph from pixel `low_px` to before `high_px`, read finely; `mirrored`: as it is seen in a mirror."""
    low = np.clip(np.floor(low_px), 0, None).astype(int)
    high = np.minimum(np.ceil(high_px), rgb.shape[1::-1]).astype(int)
    piece = rgb[low[1] : high[1], low[0] : high[0]]
    return _read("near", piece, low, min(mm_per_px / cell_mm, 1.0), mirrored=mirrored)


def read_whole(rgb: np.ndarray, mm_per_px: float) -> Reading:
    """The whole photograph by the network for cuts seen near, at twice its cells: for a cut that fills the picture."""
    return _read("near", rgb, np.zeros(2, int), min(mm_per_px / WHOLE_MM, 1.0))


def read_round(rgb: np.ndarray, mm_per_px: float, outline_px: np.ndarray) -> Reading:
    """What lies within an outline and AROUND_MM round it, read finely."""
    around = AROUND_MM / mm_per_px
    return read_near(rgb, mm_per_px, outline_px.min(axis=0) - around, outline_px.max(axis=0) + around)


def read_lines(rgb: np.ndarray, mm_per_px: float, outline_px: np.ndarray) -> Reading:
    """As `read_round`; a photograph coarser than the network's finest cells is read enlarged as well, for what is thin.

    Log-odds of imperfections, of their kinds and of gaps are the means of both readings.
    """
    one = read_round(rgb, mm_per_px, outline_px)
    zoom = min(mm_per_px / NEAR_MM, ENLARGED)
    if zoom < LEAST_ENLARGED:
        return one
    around = AROUND_MM / mm_per_px
    low = np.clip(np.floor(outline_px.min(axis=0) - around), 0, None).astype(int)
    high = np.minimum(np.ceil(outline_px.max(axis=0) + around), rgb.shape[1::-1]).astype(int)
    large = _read("near", rgb[low[1] : high[1], low[0] : high[0]], low, zoom)
    size = one.metal.shape[::-1]

    def shared(own: np.ndarray, other: np.ndarray) -> np.ndarray:
        return (own + cv2.resize(other, size, interpolation=cv2.INTER_AREA)) / 2

    gap = TISSUES.index("gap")
    tissue = one.tissue.copy()
    odds = [np.log((part.tissue[gap] + EVEN_TISSUE) / (1 - part.tissue[gap] + EVEN_TISSUE)) for part in (one, large)]
    tissue[gap] = 1 / (1 + np.exp(-shared(*odds)))
    tissue[:gap] *= (1 - tissue[gap]) / np.maximum(tissue[:gap].sum(axis=0), EVEN_TISSUE)
    kind = np.stack([shared(*pair) for pair in zip(one.kind, large.kind, strict=True)])
    return replace(one, tissue=tissue, feature=shared(one.feature, large.feature), kind=kind)


def read_steady(rgb: np.ndarray, mm_per_px: float, outline_px: np.ndarray) -> Reading:
    """As `read_round`, with its tissues read at coarser cells and in a mirror as well: the mean of their log-odds.

    What one sampling shows of grain and grinding marks another does not, and the network errs less where both agree.
    """
    around = AROUND_MM / mm_per_px
    box = outline_px.min(axis=0) - around, outline_px.max(axis=0) + around
    cells = [max(NEAR_MM, mm_per_px)]
    for cell in STEADY_MM:
        if cell > APART * cells[-1]:
            cells.append(cell)
    finest, *coarser = read_lines(rgb, mm_per_px, outline_px), *(read_near(rgb, mm_per_px, *box, cell) for cell in cells[1:])
    rows, columns = finest.metal.shape
    odds, seen = np.log(finest.tissue + EVEN_TISSUE), finest.seen
    others = [*coarser, read_near(rgb, mm_per_px, *box, cells[-1], mirrored=True)]
    for other in others:
        for k, chance in enumerate(other.tissue):
            odds[k] += np.log(cv2.resize(chance, (columns, rows), interpolation=cv2.INTER_LINEAR) + EVEN_TISSUE)
        seen = seen + cv2.resize(other.seen, (columns, rows), interpolation=cv2.INTER_LINEAR)
    tissue = np.exp(odds / (1 + len(others)))
    gap = TISSUES.index("gap")
    tissue[gap] = 0.0
    tissue *= (1 - finest.tissue[gap]) / tissue.sum(axis=0)
    tissue[gap] = finest.tissue[gap]  # a thin one shows at the finest cells alone
    return replace(finest, tissue=tissue, seen=seen / (1 + len(others)))


def _read(name: str, piece: np.ndarray, low: np.ndarray, zoom: float, *, mirrored: bool = False) -> Reading:
    zoom = min(zoom, float(np.sqrt(MOST_CELLS[name] / (piece.shape[0] * piece.shape[1]))))
    if zoom != 1:
        size = (max(round(piece.shape[1] * zoom), 8), max(round(piece.shape[0] * zoom), 8))
        piece = cv2.resize(piece, size, interpolation=cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC)
    coded = piece.astype(np.float32) / np.float32(np.iinfo(piece.dtype).max)
    answer = run(name, prepared(coded[:, ::-1]))[..., ::-1] if mirrored else run(name, prepared(coded))
    split = len(TISSUES)
    tissue = np.exp(answer[:split] - answer[:split].max(axis=0))
    return Reading(
        tissue=np.ascontiguousarray(tissue / tissue.sum(axis=0)),
        seen=1 / (1 + np.exp(-answer[split])),
        feature=answer[split + 1],
        share=1 / (1 + np.exp(-answer[split + 2])),
        kind=answer[split + 3 :],
        light=np.log(luminance(piece) + np.float32(1e-3)),
        zoom=zoom,
        offset_px=low.astype(float),
    )


def prepared(coded: np.ndarray) -> np.ndarray:
    """The network's input, float32 (1, 3, H, W), of a coded picture (H, W, 3) from 0 to 1: its median in the middle."""
    middle = max(float(np.median(coded.mean(axis=2))), 0.02)
    return np.ascontiguousarray((np.clip(coded * np.float32(0.5 / middle), 0, 2) * 2 - 1).transpose(2, 0, 1)[None], np.float32)


def run(name: str, picture: np.ndarray) -> np.ndarray:
    """Log-odds (PLANES, H, W) of one of the two networks for an input (1, 3, H, W) of any size."""
    height, width = picture.shape[2:]
    pad = ((0, 0), (0, 0), (0, -height % STEP), (0, -width % STEP))
    padded = np.pad(picture, pad, mode="reflect" if min(height, width) > STEP else "edge")
    return np.clip(networks.unfolded(networks.answer(MODELS[name], padded))[:, :height, :width], -12, 12)
