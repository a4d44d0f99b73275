"""Broken ends for the path tracer: the face between its notches, its relief and skin, as fields over x and y in mm."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

LOOKS = ("fractal", "cleavage", "fibrous", "mixed", "dimpled", "columnar", "ridged", "flat")
SKINS = ("fresh", "fresh", "dull", "rusty", "tempered", "oily", "stained")


@dataclass(kw_only=True)
class End:
    """The broken end as fields (rows along y, columns along x) over places `x`, `y` in mm, `step_mm` apart."""

    x: np.ndarray
    y: np.ndarray
    step_mm: float
    height: np.ndarray
    colour: np.ndarray  # (rows, columns, 3)
    metal: np.ndarray
    rough: np.ndarray
    grain: np.ndarray  # how far single grains are tilted
    grain_mm: float
    cloud: np.ndarray  # noise of unit scatter, for what features are mottled by
    grey: float  # the bare break's tone
    face: np.ndarray  # (N, 2) outline in mm
    low: np.ndarray  # (2, N): x and y along the root
    high: np.ndarray  # (2, N): x and y along the face's other long side
    body: np.ndarray
    features: list[dict] = field(default_factory=list)

    def heights(self, points: np.ndarray) -> np.ndarray:
        """Height (N,) at the grid's place nearest to each point (N, 2)."""
        column = np.abs(self.x[0][None] - points[:, :1]).argmin(axis=1)
        row = np.abs(self.y[:, column].T - points[:, 1:]).argmin(axis=1)
        return self.height[row, column]


# ------------------------------------------------------------------ fields of noise


def spectral(rng: np.random.Generator, shape, step: float, power: float, finest_mm: float, stretch=(1.0, 1.0)) -> np.ndarray:
    """Noise of unit scatter whose amplitude falls as frequency to the power, smooth below `finest_mm`; stretched along x, y."""
    fy = np.fft.fftfreq(shape[0], step)[:, None] * stretch[1]
    fx = np.fft.rfftfreq(shape[1], step)[None] * stretch[0]
    reach = np.hypot(fx, fy)
    gain = (reach + 1.0 / 30) ** -power * np.exp(-((reach * finest_mm) ** 2))
    white = rng.normal(size=gain.shape) + 1j * rng.normal(size=gain.shape)
    made = np.fft.irfft2(white * gain, s=shape)
    return (made - made.mean()) / made.std()


def facets(rng: np.random.Generator, x: np.ndarray, y: np.ndarray, size: float, tilt: float) -> np.ndarray:
    """Cleavage: each grain a plane of its own tilt; the planes meet in steps. One grain to a cell of a grid, off its middle."""
    column, row = ((v - v.min()) / size for v in (x, y))
    many = int(row.max()) + 4, int(column.max()) + 4
    off = rng.uniform(-0.5, 0.5, (*many, 2))
    slope, lift = rng.normal(0, tilt, (*many, 2)), 0.2 * size * tilt * rng.normal(size=many)
    nearest, height = np.full(x.shape, np.inf), np.zeros(x.shape)
    for i in (0, 1, 2):
        for j in (0, 1, 2):
            r, c = row.astype(int) + i, column.astype(int) + j
            dx, dy = column - (c - 0.5 + off[r, c, 0]), row - (r - 0.5 + off[r, c, 1])
            own = dx**2 + dy**2
            better = own < nearest
            plane = size * (dx * slope[r, c, 0] + dy * slope[r, c, 1]) + lift[r, c]
            nearest, height = np.where(better, own, nearest), np.where(better, plane, height)
    return height


def wave(rng: np.random.Generator, at: np.ndarray) -> np.ndarray:
    """A smooth random curve of about unit scatter along places in mm."""
    total = np.zeros(len(at))
    for k in range(1, 9):
        total += rng.normal(0, 1 / k) * np.sin(2 * np.pi * k * at / 55 + rng.uniform(0, 2 * np.pi))
    return total


def relief(rng: np.random.Generator, look: str, x: np.ndarray, y: np.ndarray, step: float) -> np.ndarray:
    """Height in mm of a broken face."""
    shape = x.shape
    height = rng.uniform(0.1, 0.5) * (0.4 if look == "flat" else 1.0) * spectral(rng, shape, step, 1.9, 0.6)
    if look in ("fractal", "mixed"):
        height = height + rng.uniform(0.05, 0.18) * spectral(rng, shape, step, 1.25, 0.1)
    if look in ("cleavage", "mixed"):
        size = float(np.exp(rng.uniform(np.log(0.25), np.log(1.3))))
        height = height + facets(rng, x, y, size, rng.uniform(0.12, 0.38)) + facets(rng, x, y, 0.4 * size, 0.2)
    if look == "fibrous":
        way = (8.0, 1.0) if rng.random() < 0.5 else (1.0, 5.0)
        height = height + rng.uniform(0.05, 0.12) * spectral(rng, shape, step, 1.0, 0.15, way)
        height = height + 0.03 * spectral(rng, shape, step, 0.6, 0.12)
    if look == "dimpled":
        height = height + rng.uniform(0.02, 0.06) * spectral(rng, shape, step, 0.4, float(rng.uniform(0.12, 0.3)))
    if look == "columnar":  # solidification grains, long through the wall, leaning
        size, long = float(rng.uniform(0.2, 0.7)), float(rng.uniform(3, 7))
        lean = x + rng.normal(0, 0.3) * y + 0.4 * spectral(rng, shape, step, 2.0, 2.0)
        height = height + facets(rng, lean, y / long, size, rng.uniform(0.15, 0.4))
        height = height + 0.03 * spectral(rng, shape, step, 0.8, 0.12)
    if look == "ridged":  # ridges that spread from where it began to break
        off, down = rng.uniform(x.min(), x.max()), y.min() - rng.uniform(1, 12)
        angle = np.arctan2(x - off, y - down) * rng.uniform(10, 40) + 0.8 * spectral(rng, shape, step, 1.8, 0.5)
        height = height + rng.uniform(0.05, 0.2) * np.abs(np.sin(angle)) + 0.05 * spectral(rng, shape, step, 1.0, 0.12)
    if look == "flat":
        height = height + rng.uniform(0.01, 0.04) * spectral(rng, shape, step, 0.9, 0.12)
    if rng.random() < 0.15:  # terraces
        deep = rng.uniform(0.2, 0.6)
        height = height + 0.7 * (deep * np.round(height / deep) - height)
    return height


# ------------------------------------------------------------------ the end


def end(rng: np.random.Generator, test: str, look: str, skin: str, step: float) -> tuple[End, dict]:
    """A broken end without features, and its sizes."""
    nick = test == "nick-break"
    width = float(rng.uniform(22, 45) if nick else rng.uniform(28, 60))
    thick = float(rng.uniform(8, 22) if nick else rng.uniform(5, 11))
    plate = 0.0 if nick else float(rng.uniform(3, 8))
    notch = rng.uniform(2.0, 5.5, 2) if nick else rng.uniform(2.0, 6.0, 2) * (rng.random(2) < 0.5)
    line = np.linspace(-width / 2, width / 2, int(width / step) + 1)
    low = -thick / 2 + 0.15 * wave(rng, line) * (plate == 0)
    high = thick / 2 + rng.uniform(0.1, 0.45) * wave(rng, line) + rng.uniform(0, 0.9) * (1 - (2 * line / width) ** 2)
    share = np.linspace(0, 1, int((thick + plate) / step) + 1)[:, None]
    x = np.repeat(line[None], len(share), axis=0)
    y = (low - plate) + share * (high - low + plate)
    left = -width / 2 + notch[0] + (0.25 * wave(rng, y[:, 0]) * (notch[0] > 0))
    right = width / 2 - notch[1] + (0.25 * wave(rng, y[:, 0]) * (notch[1] > 0))
    height = relief(rng, look, x, y, step)
    edge = np.minimum(y - low, high - y)
    lips = rng.uniform(0.0, 1.0, 2) * (rng.random(2) < 0.6)
    wide = rng.uniform(0.8, 2.2)
    for lip, away in zip(lips, (y - low, high - y), strict=True):
        height += rng.choice([-1, 1]) * lip * np.clip(1 - away / wide, 0, 1) ** 1.5
    torn = np.clip(1 - edge / wide, 0, 1) * lips.max()
    grey = float(rng.uniform(0.28, 0.62))
    colour, metal, rough = skinned(rng, skin, grey, x, y, step)
    made = End(
        x=x, y=y, step_mm=step, height=height, colour=colour, metal=metal, rough=np.clip(rough + 0.12 * torn, 0.05, 1),
        grain=np.full(x.shape, float(rng.choice([0.0, rng.uniform(0.05, 0.7)]))) * (1 - 0.6 * np.clip(torn, 0, 1)),
        grain_mm=float(np.exp(rng.uniform(np.log(0.07), np.log(0.45)))), cloud=spectral(rng, x.shape, step, 0.9, 0.12),
        grey=grey, face=_ring(line, low, high, left, right, y, notch), low=np.array([line, low]), high=np.array([line, high]),
        body=_round(line, low - plate, high, y[:, -1], y[:, 0], width),
    )  # fmt: skip
    _cut_ends(rng, made, (x < left[:, None]) & (notch[0] > 0), (x > right[:, None]) & (notch[1] > 0))
    if plate:
        _plate(rng, made, y < low)
    return made, {"width": width, "thick": thick, "plate": plate}


def skinned(rng: np.random.Generator, skin: str, grey: float, x, y, step: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Colour (rows, columns, 3), metal and roughness of a break: bare, aged, rusted, heated, oily, stained."""

    def patches(power: float, finest: float, share: float) -> np.ndarray:
        field = spectral(rng, x.shape, step, power, finest)
        return np.clip((field - np.quantile(field, 1 - share)) * rng.uniform(0.5, 2.5), 0, 1)

    tone = 1 + rng.uniform(0.04, 0.16) * spectral(rng, x.shape, step, 1.2, 0.2)
    tone = tone + rng.uniform(0.03, 0.15) * spectral(rng, x.shape, step, 1.8, 1.0)
    colour = grey * (1 + 0.03 * rng.normal(size=3)) * np.clip(tone, 0.4, 1.6)[..., None]
    metal, rough = np.ones(x.shape), np.full(x.shape, float(rng.uniform(0.25, 0.75)))
    if skin == "dull":
        metal *= rng.uniform(0.2, 0.7)
        colour = colour * rng.uniform(0.5, 0.9)
        rough += 0.2
    elif skin == "tempered":  # colours of the heat: straw, brown, purple, blue, grey, from one side on
        stops = np.array(
            [[0.5, 0.48, 0.44], [0.55, 0.4, 0.16], [0.4, 0.2, 0.1], [0.25, 0.12, 0.25], [0.12, 0.18, 0.4], [0.3, 0.33, 0.36]]
        )
        way = rng.uniform(0, 2 * np.pi)
        at = (np.cos(way) * x + np.sin(way) * y) / rng.uniform(8, 25) + rng.uniform(-0.5, 0.5)
        at = np.clip((at + 0.15 * spectral(rng, x.shape, step, 1.8, 1.0)) * 5, 0, 5)
        tint = np.stack([np.interp(at, np.arange(6), stops[:, k]) for k in range(3)], axis=-1)
        colour = colour * (1 + rng.uniform(0.3, 0.9) * (tint / 0.45 - 1))
    elif skin == "oily":
        wet = patches(1.8, 0.8, rng.uniform(0.2, 0.7))
        colour = colour * (1 - (rng.uniform(0.2, 0.5) * wet)[..., None] * np.array([0.8, 1.0, 1.25]))
        rough = rough - wet * (rough - 0.15)
    if skin in ("rusty", "stained") or rng.random() < 0.15:
        share = rng.uniform(0.2, 0.9) if skin == "rusty" else rng.uniform(0.02, 0.2)
        stain = patches(rng.uniform(1.0, 1.8), 0.2, share) * rng.uniform(0.4, 1.0)
        brown = np.array([0.22, 0.1, 0.045]) if skin == "rusty" or rng.random() < 0.6 else np.array([0.06, 0.055, 0.05])
        brown = brown * rng.uniform(0.5, 1.6) * (1 + 0.15 * rng.normal(size=3))
        colour = colour * (1 - stain[..., None]) + np.clip(brown, 0.01, 0.5) * stain[..., None]
        metal, rough = metal * (1 - stain), rough + 0.3 * stain
    return np.clip(colour, 0.01, 0.85), metal, rough


def _cut_ends(rng: np.random.Generator, made: End, *ends: np.ndarray) -> None:
    """The sawn, ground or burnt notches."""
    cut = spectral(rng, made.x.shape, made.step_mm, 0.8, 0.1, (1.0, 14.0) if rng.random() < 0.5 else (14.0, 1.0))
    burnt, bright = rng.random() < 0.15, rng.uniform(0.3, 0.6)
    for where in ends:
        made.height[where] = (rng.normal(0, 0.8) + (0.06 if burnt else 0.012) * cut)[where]
        made.colour[where] = ((0.07 if burnt else bright) * (1 + 0.08 * cut))[where][:, None]
        made.metal[where], made.rough[where] = (0.1, 0.7) if burnt else (1.0, 0.35)
        made.grain[where] = 0.0


def _plate(rng: np.random.Generator, made: End, under: np.ndarray) -> None:
    """The plate beside the root: steel with more or less scale on it."""
    scale = spectral(rng, made.x.shape, made.step_mm, 1.5, 0.3) > rng.normal(0, 0.7)
    made.height[under] = (-rng.uniform(0.2, 1.2) + 0.01 * made.cloud)[under]
    dark = np.array([0.05, 0.05, 0.055]) * rng.uniform(0.5, 3.0)
    made.colour[under] = np.where(scale[..., None], dark, np.array([0.35, 0.34, 0.33]) * rng.uniform(0.5, 1.3))[under]
    made.metal[under], made.rough[under] = np.where(scale, 0.2, 1.0)[under], 0.55
    made.grain[under] = 0.0


def _round(line, low, high, right, left, width: float) -> np.ndarray:
    """The end's outline as seen from above."""
    return np.concatenate(
        [
            np.column_stack([line, low]), np.column_stack([right * 0 + width / 2, right])[1:],
            np.column_stack([line, high])[::-1][1:], np.column_stack([left * 0 - width / 2, left])[::-1][1:-1],
        ]
    )  # fmt: skip


def _ring(line, low, high, left, right, y, notch) -> np.ndarray:
    """The face's outline between the notches."""
    at = np.linspace(0, 1, 160)

    def side(edge):
        x = np.interp(at, np.linspace(0, 1, len(edge)), edge)
        bottom, top = np.interp(x, line, low), np.interp(x, line, high)
        own = np.interp(bottom + at * (top - bottom), y[:, 0], edge)
        return np.column_stack([own, np.interp(own, line, low) + at * (np.interp(own, line, high) - np.interp(own, line, low))])

    one = side(left) if notch[0] else np.column_stack([np.full(160, line[0]), low[0] + at * (high[0] - low[0])])
    two = side(right) if notch[1] else np.column_stack([np.full(160, line[-1]), low[-1] + at * (high[-1] - low[-1])])
    bottom = line[(line > one[0, 0]) & (line < two[0, 0])]
    top = line[(line > one[-1, 0]) & (line < two[-1, 0])][::-1]
    return np.concatenate(
        [
            np.column_stack([bottom, np.interp(bottom, line, low)]),
            two,
            np.column_stack([top, np.interp(top, line, high)]),
            one[::-1],
        ]
    )


def marked(rng: np.random.Generator, made: End) -> None:
    """Dust, fibres, spots of rust and a stroke of a marker, painted on where no feature is."""
    paints = {
        "dust": (int(rng.poisson(3)), (0.6, 0.58, 0.55)),
        "dirt": (int(rng.poisson(2)), (0.03, 0.028, 0.025)),
        "rust": (int(rng.poisson(1)), (0.2, 0.08, 0.03)),
        "fibre": (int(rng.poisson(0.4)), (0.5, 0.5, 0.55)),
        "marker": (int(rng.random() < 0.1), tuple(rng.choice([0.02, 0.1, 0.5], 3))),
    }
    low, high = made.face.min(axis=0), made.face.max(axis=0)
    for kind, (count, paint) in paints.items():
        for _ in range(count):
            spot, turn = rng.uniform(low, high), rng.uniform(0, 2 * np.pi)
            long = {"fibre": rng.uniform(2, 6), "marker": rng.uniform(3, 10)}.get(kind, rng.uniform(0, 0.3))
            wide = {"fibre": 0.06, "marker": rng.uniform(0.5, 1.2)}.get(
                kind, float(np.exp(rng.uniform(np.log(0.06), np.log(0.3))))
            )
            t = np.linspace(-0.5, 0.5, 12)
            line = spot + np.column_stack(
                [np.cos(turn) * long * t, np.sin(turn) * long * t + 0.4 * long * rng.normal() * (t**2)]
            )
            if any(np.linalg.norm(one["outline"][:, None] - line[None], axis=2).min() < wide + 0.4 for one in made.features):
                continue
            box = (made.x > line[:, 0].min() - wide) & (made.x < line[:, 0].max() + wide)
            index = np.nonzero(box & (made.y > line[:, 1].min() - wide) & (made.y < line[:, 1].max() + wide))
            points = np.column_stack([made.x[index], made.y[index]])
            away = np.linalg.norm(points[:, None] - line[None], axis=2).min(axis=1, initial=np.inf)
            hides = np.clip((wide - away) / (0.3 * wide), 0, 1) * rng.uniform(0.5, 1)
            made.colour[index] += hides[:, None] * (np.array(paint) - made.colour[index])
            made.metal[index] *= 1 - hides
            made.rough[index] += hides * (0.7 - made.rough[index])
