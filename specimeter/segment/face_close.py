"""A broken face looked at a second time, closely: its rough place laid straight, a network says where face and bar end."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import skimage

from specimeter import lookup, networks
from specimeter.colour import to_linear

MODEL = Path(__file__).with_name("face_close.onnx")
CELL_MM = 0.1  # of the straightened picture
MOST_CELLS = 900_000
MARGIN_MM = 6.0  # shown beyond the rough place on all sides
STEP = 32  # the network's coarsest grid
REACH_MM = 3.0  # over which the rough place's nearness is told
SPREAD = (0.8, 0.2, 0.25)  # of light, red over green and blue over green, in logarithms
INPUTS = ("light", "red", "blue", "place")
OUTPUTS = ("face", "end")
SMOOTH = 1.0  # cells: of the log-odds before their border is drawn
THIN = 5  # cells: what is thinner and hangs on the face is none of it
BAY_FACE, BAY_END, BAY_BEYOND = -4.5, -3.0, -1.5  # log-odds: within a bay at least, of face and end; beyond it at most, of end
BAY_DEEP, BAY_RIM = 1.4, 15  # cells: half of a bay's depth at least; how far round it is looked at, twice
CORE = 0.15, 0.85  # of the face across: where the bar's ends are looked for
LEAST_ROWS, MOST_SCATTER, MOST_SLANT = 0.7, 1.5, 0.12  # of rows that show an end; cells; between the two ends, radians
NEAR_MM = 1.2  # round the face: what is told there counts for how sure its border is


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Close:
    """A rough place laid straight: float32 (rows, columns, 4) as INPUTS, and how its cells [x, y] lie in the photograph.

    `matrix` (2, 3) takes [x, y, 1] of the straightened picture to the photograph's pixels.
    """

    picture: np.ndarray
    matrix: np.ndarray
    cell_mm: float

    def to_photograph(self, points: np.ndarray) -> np.ndarray:
        """Pixels [x, y] of the photograph of points [x, y]."""
        return np.asarray(points, float) @ self.matrix[:, :2].T + self.matrix[:, 2]


def closely(
    rgb: np.ndarray, corners_px: np.ndarray, mm_per_px: float, along_mm: float | None = None, across_mm: float | None = None
) -> Close:
    """The part of a photograph round a rough rectangle, laid straight.

    Parameters
    ----------
    rgb : array, shape (H, W, 3)
        sRGB-coded, any integer type, or float of 0 to 1.
    corners_px : array, shape (4, 2)
        [x, y]: along the weld from the first to the second, across from the second to the third.
    along_mm, across_mm : float, optional
        The specimen's whole width, so that its ends are shown too; the second where it may lie the other way round.
    """
    corners = np.asarray(corners_px, float)
    along, across = corners[1] - corners[0], corners[3] - corners[0]
    size_px = np.array([np.linalg.norm(along), np.linalg.norm(across)])
    unit = np.array([along / size_px[0], across / size_px[1]])
    asked_mm = np.array([along_mm or 0.0, across_mm or 0.0])
    spare_mm = np.maximum(MARGIN_MM, 1.08 * asked_mm - size_px * mm_per_px + 2.0)
    shown_px = size_px + 2 * spare_mm / mm_per_px
    cell_px = max(CELL_MM / mm_per_px, 1.0, float(np.sqrt(shown_px.prod() / MOST_CELLS)))
    count = np.maximum((shown_px / cell_px).astype(int), STEP)
    origin = corners.mean(axis=0) - (count - 1) / 2 @ unit * cell_px
    matrix = np.column_stack([cell_px * unit[0], cell_px * unit[1], origin])
    low, high = _window(matrix, count, rgb.shape)
    part = rgb[low[1] : high[1], low[0] : high[0]]
    if part.dtype != np.float32:
        part = part.astype(np.float32) / (np.iinfo(part.dtype).max if part.dtype.kind == "u" else 1.0)
    linear: np.ndarray = np.asarray(to_linear(part), np.float32)
    if cell_px > 1.5:
        linear = cv2.GaussianBlur(linear, (0, 0), 0.4 * cell_px)
    own = matrix.copy()
    own[:, 2] -= low
    flat = lookup.turned(linear, own, (int(count[0]), int(count[1])), inverse=True, border=cv2.BORDER_REPLICATE)
    half = size_px / cell_px / 2
    place = placed(count, np.array([(count[0] - 1) / 2, (count[1] - 1) / 2]), half, cell_px * mm_per_px)
    return Close(picture=seen(flat, place), matrix=matrix, cell_mm=cell_px * mm_per_px)


def _window(matrix: np.ndarray, count: np.ndarray, shape: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray]:
    """First and last-plus-one pixel [x, y] of the photograph that the straightened picture needs; at least two each way."""
    ends = np.array([[0, 0], [count[0], 0], count, [0, count[1]]]) @ matrix[:, :2].T + matrix[:, 2]
    most = np.array([shape[1], shape[0]])
    low = np.clip(np.floor(ends.min(axis=0)).astype(int) - 3, 0, most - 2)
    return low, np.clip(np.ceil(ends.max(axis=0)).astype(int) + 4, low + 2, most)


def placed(count: np.ndarray, middle: np.ndarray, half: np.ndarray, cell_mm: float) -> np.ndarray:
    """-1 (far beyond) to 1 (well within) the rough rectangle, (rows, columns)."""
    x = half[0] - np.abs(np.arange(count[0], dtype=np.float32) - middle[0])[None]
    y = half[1] - np.abs(np.arange(count[1], dtype=np.float32) - middle[1])[:, None]
    return np.clip(np.minimum(x, y) * np.float32(cell_mm / REACH_MM), -1, 1).astype(np.float32)


def seen(linear: np.ndarray, place: np.ndarray) -> np.ndarray:
    """What the network sees, float32 (rows, columns, 4), of linear light (rows, columns, 3) and the place's nearness."""
    within = place > 0
    level = float(np.median(linear[within].mean(axis=-1))) if within.any() else float(np.median(linear))
    dark = 0.01 * level + 2e-4
    logs = np.log(np.clip(linear, 0, None) + dark)
    green = logs[..., 1]
    light = (np.log(linear.mean(axis=2) + dark) - np.log(level + dark)) / SPREAD[0]
    colours = [logs[..., k] - green for k in (0, 2)]
    colours = [(c - float(np.median(c[within] if within.any() else c))) / s for c, s in zip(colours, SPREAD[1:], strict=True)]
    return np.dstack([np.clip(light, -4, 4), *(np.clip(c, -4, 4) for c in colours), place]).astype(np.float32)


def log_odds(close: Close) -> np.ndarray:
    """Log-odds, float32 (2, rows, columns), that each cell belongs to the broken face, and to the bar's whole broken end.

    The picture is looked at as it is and turned by half a turn; the two answers are averaged.
    """
    rows, columns = close.picture.shape[:2]
    padded = np.pad(close.picture, [(0, -rows % STEP), (0, -columns % STEP), (0, 0)], mode="edge").transpose(2, 0, 1)
    answers = []
    for way in (1, -1):
        answer = networks.answer(MODEL, padded[None, :, ::way, ::way])
        answers.append(np.clip(networks.unfolded(answer[0]), -8, 8)[:, ::way, ::way])
    return np.asarray(np.mean(answers, axis=0, dtype=np.float32))[:, :rows, :columns]


def outlined(odds: np.ndarray, end: np.ndarray | None = None) -> tuple[np.ndarray, float] | None:
    """The border [x, y] of the largest part that is likelier face than not, and what share of its area is in doubt.

    The doubt is the expected area of cells told wrong, in the face and just round it, over the face's own. None without a face.
    `end`: the log-odds of the bar's whole end; where they are known, bays at the bar's own side belong to the face.
    """
    even = cv2.GaussianBlur(np.ascontiguousarray(odds, np.float32), (0, 0), SMOOTH)
    likely = cv2.morphologyEx((even > 0).astype(np.uint8), cv2.MORPH_OPEN, np.ones((THIN, THIN), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(likely)
    if count < 2:
        return None
    part = labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    own = np.where(part, np.maximum(even, 1e-3), np.minimum(even, -1e-3))
    if end is not None:
        own[_bays(part, even, cv2.GaussianBlur(np.ascontiguousarray(end, np.float32), (0, 0), SMOOTH))] = 0.5
    rings = [ring[:-1, ::-1] - 1.0 for ring in skimage.measure.find_contours(np.pad(own, 1, constant_values=-8.0), 0.0)]
    ring = max(rings, key=lambda one: cv2.contourArea(one.astype(np.float32).reshape(-1, 1, 2)))
    return ring, _doubt(odds, ring)


def _bays(part: np.ndarray, face: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Cells between a face and its hull that belong to it too: an unfused root or a lip in shade.

    A bar's sides are straight, so a face bends inwards at none of them. Told from a notch, or the plate beside a root, by
    what lies beyond the hull: there the bar goes on. What is certainly no face, or no bar, is left out.
    """
    ring = max(cv2.findContours(part.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    hull = cv2.fillPoly(np.zeros(part.shape, np.uint8), [cv2.convexHull(ring)], 1) > 0
    likely = hull & ~part & (face > BAY_FACE) & (end > BAY_END)
    count, labels = cv2.connectedComponents(likely.astype(np.uint8))
    found = np.zeros(part.shape, bool)
    for label in range(1, count):
        bay = labels == label
        if cv2.distanceTransform(np.pad(bay, 1).astype(np.uint8), cv2.DIST_L2, 3).max() < BAY_DEEP:
            continue
        beyond = (cv2.dilate(bay.astype(np.uint8), np.ones((BAY_RIM, BAY_RIM), np.uint8)) > 0) & ~hull
        if beyond.any() and end[beyond].mean() < BAY_BEYOND:
            found |= bay
    return found


def _doubt(odds: np.ndarray, ring: np.ndarray) -> float:
    within = cv2.fillPoly(np.zeros(odds.shape, np.uint8), [np.round(ring).astype(np.int32).reshape(-1, 1, 2)], 1)
    reach = 2 * int(NEAR_MM / CELL_MM) + 1
    round_it = cv2.dilate(within, np.ones((reach, reach), np.uint8)) > 0
    return float((1 / (1 + np.exp(np.abs(odds[round_it])))).sum() / max(int(within.sum()), 1))


def overhangs_mm(odds: np.ndarray, ring: np.ndarray, cell_mm: float) -> tuple[float, float]:
    """How far the bar's end goes on beyond the face, on that side of two opposite ones where it goes less far: along the
    columns, and along the rows.

    `odds`: of face and whole end; `ring`: the face's border.
    """
    low, high = np.quantile(ring, CORE, axis=0).astype(int)
    first, last = ring.min(axis=0).astype(int), np.ceil(ring.max(axis=0)).astype(int)
    end = odds[1] > 0
    reaches = []
    for axis, lines in enumerate((end[low[1] : high[1] + 1], end[:, low[0] : high[0] + 1].T)):
        after = [np.cumprod(line[last[axis] :]).sum() for line in lines]
        before = [np.cumprod(line[first[axis] :: -1]).sum() for line in lines]
        reaches.append(cell_mm * float(min(np.median(before), np.median(after))))
    return reaches[0], reaches[1]


def ends(odds: np.ndarray, ring: np.ndarray) -> np.ndarray | None:
    """The middles [x, y] of the bar's left and right end, shape (2, 2), from the log-odds of face and whole end; None where
    they do not both show as straight lines about square to the face.

    `ring`: the face's border. In each row from the face's middle outwards, the end is where the log-odds first turn.
    """
    low, high = np.quantile(ring[:, 1], CORE)
    rows = np.arange(int(np.ceil(low)), int(high) + 1)
    middle = int(ring[:, 0].mean())
    even = cv2.GaussianBlur(np.ascontiguousarray(odds.max(axis=0), np.float32), (0, 0), 1.5 * SMOOTH)[rows]
    lines = []
    for way in (-1, 1):
        seen = even[:, : middle + 1][:, ::-1] if way < 0 else even[:, middle:]
        beyond = seen < 0
        k = np.where(beyond.any(axis=1), beyond.argmax(axis=1), 0)
        shows = k > 0
        if shows.mean() < LEAST_ROWS or shows.sum() < 8:
            return None
        y, k = rows[shows] - rows.mean(), k[shows]
        before, after = seen[shows, k - 1], seen[shows, k]
        x = middle + way * (k - 1 + before / (before - after))
        kept = np.ones(len(x), bool)
        for _ in range(5):
            slant, at = np.polyfit(y[kept], x[kept], 1)
            off = np.abs(x - at - slant * y)
            scatter = 1.4826 * float(np.median(off[kept]))
            kept = off < 2.5 * (scatter + 0.3)
        if scatter > MOST_SCATTER or kept.mean() < LEAST_ROWS:
            return None
        lines.append((at, slant))
    if abs(lines[0][1] - lines[1][1]) > MOST_SLANT:
        return None
    return np.array([[at, rows.mean()] for at, _ in lines])
