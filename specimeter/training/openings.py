"""Openings drawn on any surface: dark or slag-filled, partly lit walls, lips of either sign; and dark things that are none."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.scene import shapes
from specimeter.training.sample import cover
from specimeter.training.texture import smooth, soft_step, spectral

KIND_ODDS = np.array([1, 1, 1, 1, 1, 1, 1, 1, 1, 2, 1, 1, 1, 1, 1, 1]) / 17  # of the marks in `distract`
WORDS = "0123456789ABCDEFHKLMNRSTXabehkns+-/"


def outline(rng: np.random.Generator, size: int) -> tuple[np.ndarray, bool]:
    """A closed outline [x, y] about the origin, and whether it is a crack; of 6 px to half the picture, or a long crack."""
    length = float(np.exp(rng.uniform(np.log(6), np.log(0.5 * size))))
    kind = int(rng.integers(8))
    if kind >= 6:
        return _long_crack(rng, size), True
    if kind == 0:
        return shapes.ribbon(
            rng, length, max(2.0, length * rng.uniform(0.15, 0.6)), blunt=rng.uniform(0.35, 1.1), bend=rng.normal(0, 0.06),
            ragged=rng.uniform(0, 0.4), lopsided=rng.uniform(-0.9, 0.9), skew=rng.uniform(-0.4, 0.4),
        ), False  # fmt: skip
    if kind == 1:
        length = min(length, 80.0)
        return shapes.cavity(rng, length, length * rng.uniform(0.4, 1.0), rough=rng.uniform(0.0, 0.4)), False
    if kind == 2:  # rectangular or polygonal: broken-out slag
        angle = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 9))))
        radius = rng.uniform(0.6, 1.0, len(angle)) * min(length, 60.0) / 2
        corners = np.column_stack([radius * np.cos(angle), rng.uniform(0.3, 1.0) * radius * np.sin(angle)])
        return (corners, False) if np.ptp(angle) > 3.5 else (shapes.cavity(rng, 12.0, 7.0), False)
    length = max(length, 16.0)
    width = max(1.0, length * rng.uniform(0.015, 0.13))
    if kind == 3:
        return shapes.ribbon(
            rng, length, width, blunt=rng.uniform(0.3, 0.9), ragged=rng.uniform(0, 1.3), bend=rng.normal(0, 0.1)
        ), True
    count = 60  # a path that wanders, with a width that comes and goes
    heading = np.cumsum(rng.normal(0, rng.uniform(0.02, 0.35), count)) * np.sqrt(length / 60)
    path = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0) * length / count
    path -= path.mean(axis=0)
    taper = np.sqrt(np.clip(np.minimum(np.arange(count), np.arange(count)[::-1]) / (0.25 * count), 0.02, 1))
    half = width / 2 * taper * np.exp(0.4 * shapes.smooth_noise(rng, count, 0.1))
    normal = np.gradient(path, axis=0) @ np.array([[0, 1], [-1, 0]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-9
    return np.concatenate([path + half[:, None] * normal, (path - half[:, None] * normal)[::-1]]), True


def _long_crack(rng: np.random.Generator, size: int) -> np.ndarray:
    """A crack from a tenth of the picture to beyond it, 0.8 to 6 px wide, its width fading to nearly nothing here and there."""
    length = float(np.exp(rng.uniform(np.log(0.1 * size), np.log(1.5 * size))))
    count = max(24, int(length / 3))
    rough = rng.uniform(0.0, 0.5)
    heading = rng.normal(0, 0.35) * np.linspace(-1, 1, count) + rough * np.cumsum(rng.normal(0, 0.25, count)) * np.sqrt(
        20 / count
    )
    heading = heading + rough * rng.normal(0, 0.6, count)
    path = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0) * length / count
    path -= path.mean(axis=0)
    at = np.linspace(0, 1, count)
    taper = np.clip(np.minimum(at, 1 - at) / rng.uniform(0.05, 0.5), 0.02, 1) ** rng.uniform(0.3, 1.0)
    width = float(np.exp(rng.uniform(np.log(0.8), np.log(6.0))))
    half = width / 2 * taper * np.exp(rng.uniform(0.1, 0.7) * shapes.smooth_noise(rng, count, np.clip(20 / count, 0.02, 0.3)))
    normal = np.gradient(path, axis=0) @ np.array([[0, 1], [-1, 0]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-9
    return np.concatenate([path + half[:, None] * normal, (path - half[:, None] * normal)[::-1]])


def stain(rng: np.random.Generator, rgb: np.ndarray, share: np.ndarray) -> None:
    """What gathers along a crack, in place: a dark or rusty bleed, or paint flaked to a light rim; no part of the opening."""
    reach = float(np.exp(rng.uniform(np.log(1.5), np.log(12))))
    near = cv2.GaussianBlur(share, (0, 0), reach)
    near = np.clip(near / max(float(near.max()), 1e-6) * np.exp(0.8 * spectral(rng, rgb.shape[0], power=0.8)), 0, 1)
    colour = np.array([[0.9, 0.55, 0.35], [0.5, 0.5, 0.5], [1.5, 1.45, 1.4]][int(rng.integers(3))]) * rng.uniform(0.8, 1.1)
    if rng.random() < 0.3:  # hairs across it: dust or penetrant drawn along the brush or the lay
        turn, spread = rng.uniform(0, np.pi), rng.uniform(2, 9)
        comb = cv2.GaussianBlur(share, (0, 0), 1.0) * (spectral(rng, rgb.shape[0], power=0.2) > rng.uniform(0.3, 1.5))
        away = np.arange(-round(spread), round(spread) + 1)
        kernel = np.zeros((len(away),) * 2, np.float32)
        cv2.line(
            kernel,
            *[(round(spread + side * spread * np.cos(turn)), round(spread + side * spread * np.sin(turn))) for side in (-1, 1)],
            1.0,
        )
        drawn = np.clip(cv2.filter2D(comb.astype(np.float32), -1, kernel / 3), 0, 1)
        rgb *= 1 - (rng.uniform(0.2, 0.8) * drawn)[..., None]
    rgb *= 1 + (rng.uniform(0.1, 0.7) * near)[..., None].astype(np.float32) * (colour - 1).astype(np.float32)


def carve(rng: np.random.Generator, rgb: np.ndarray, share: np.ndarray) -> None:
    """Take the light out of what `share` (0 to 1) covers, in place: interior, wall, slag, lip, edge softness."""
    size = rgb.shape[0]
    around = cv2.blur(rgb, (61, 61))
    inner = float(np.exp(rng.uniform(np.log(0.02), np.log(0.4))))
    fill = around * inner
    turn = rng.uniform(0, 2 * np.pi)
    towards = np.array([np.cos(turn), np.sin(turn)], np.float32)
    solid = (share > 0.5).astype(np.uint8)
    depth = cv2.distanceTransform(solid, cv2.DIST_L2, 3)
    slope = np.dstack([cv2.Sobel(cv2.GaussianBlur(share, (0, 0), 2.0), cv2.CV_32F, 1, 0), cv2.Sobel(
        cv2.GaussianBlur(share, (0, 0), 2.0), cv2.CV_32F, 0, 1)])  # fmt: skip
    facing = slope @ towards / (np.linalg.norm(slope, axis=2) + 1e-4)
    lot = rng.random()
    if lot < 0.3:  # a wall that catches the light
        reach = rng.uniform(0.1, 0.5) * max(float(depth.max()), 1.0)
        wall = np.clip(facing, 0, 1) * (depth < reach) * rng.uniform(0.15, 0.9)
        fill = fill + around * wall[..., None]
    elif lot < 0.55:  # slag, oxide, facets
        grain = spectral(rng, size, power=rng.uniform(0.2, 1.4))
        fill = around * np.clip(inner * 0.7 + 0.12 + rng.uniform(0.05, 0.2) * grain, 0.01, 0.8)[..., None]
        fill = fill * (1 + rng.normal(0, 0.08, 3))
    else:
        fill = fill * np.exp(rng.uniform(0, 0.5) * smooth(rng, size, 12))[..., None]
    if rng.random() < 0.55:  # a lip, bright on the side that faces the light, dark or absent on the other
        reach = int(rng.integers(1, 7))
        ring = cv2.dilate(share, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)) - share
        ring = cv2.GaussianBlur(ring, (0, 0), 0.5 + reach / 3)
        field = cv2.GaussianBlur(share, (0, 0), 1.0 + reach)
        out = -np.dstack([cv2.Sobel(field, cv2.CV_32F, 1, 0), cv2.Sobel(field, cv2.CV_32F, 0, 1)])
        side = out @ towards / (np.linalg.norm(out, axis=2) + 1e-4)
        gain = rng.uniform(-0.5, 1.5) * side + rng.uniform(-0.2, 0.8)
        rgb *= np.clip(1 + ring * gain, 0.2, 4)[..., None]
    soft = cv2.GaussianBlur(share, (0, 0), float(np.exp(rng.uniform(np.log(0.3), np.log(1.6)))))[..., None]
    rgb *= 1 - soft
    rgb += soft * fill


def distract(rng: np.random.Generator, rgb: np.ndarray, mark: np.ndarray) -> None:
    """Draw one thing that is no opening, in place, and enter it into `mark` (uint8)."""
    size = rgb.shape[0]
    kind = int(rng.choice(16, p=KIND_ODDS))
    x, y = (int(v) for v in rng.integers(0, size, 2))
    drawn = np.zeros((size, size), np.uint8)
    if kind == 0:  # a shadow with a wide soft edge
        shape = cover(
            shapes.turn(shapes.cavity(rng, *(size * rng.uniform(0.1, 0.9, 2))), rng.uniform(0, 3), (x, y)), drawn.shape
        )
        soft = cv2.GaussianBlur(shape.astype(np.float32) / 255, (0, 0), rng.uniform(5, 25))
        rgb *= (1 - rng.uniform(0.2, 0.9) * soft)[..., None]
        return
    if kind in (1, 2):  # ink: letters or strokes of one width, opaque
        thick = int(rng.integers(1, 9))
        if kind == 1:
            word = "".join(rng.choice(list(WORDS), int(rng.integers(1, 6))))
            font = int(rng.choice([cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_SCRIPT_SIMPLEX]))
            cv2.putText(drawn, word, (x - size // 4, y), font, rng.uniform(0.6, 4), 255, thick, cv2.LINE_AA)
            turn = cv2.getRotationMatrix2D((x, y), rng.uniform(0, 360), 1)
            drawn = cv2.warpAffine(drawn, turn, (size, size))
        else:
            _stroke(rng, drawn, (x, y), rng.uniform(0.1, 1.2) * size, thick, rng.normal(0, 0.02))
        colour = rng.choice([0.02, 0.02, 0.05, 0.3]) * np.array([1, 1, 1 + rng.choice([0, 0, 3])]) * rng.uniform(0.5, 1.5, 3)
        opaque = (
            rng.uniform(0.4, 1.0) * cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), rng.uniform(0.4, 1.2))[..., None]
        )
        rgb *= 1 - opaque
        rgb += opaque * colour
    elif kind in (3, 4):  # scratches and ground lines: thin, straight, of even and mostly low contrast, bright or dark
        turn, gain = rng.uniform(0, np.pi), rng.choice([-1, -1, 1]) * rng.uniform(0.1, 0.65)
        for _ in range(int(rng.choice([1, 1, 2, 8]))):
            thick = int(rng.choice([1, 1, 1, 2, 3]))
            at = (int(rng.integers(0, size)), int(rng.integers(0, size)))
            _stroke(rng, drawn, at, rng.uniform(0.1, 1.4) * size, thick, rng.normal(0, 0.004), turn + rng.normal(0, 0.06))
        share = cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), rng.uniform(0.4, 1.0)) * gain
        rgb *= np.clip(1 + share * np.exp(0.4 * smooth(rng, size, 20)), 0.1, 3)[..., None]
    elif kind == 5:  # spots with soft edges: shallow pits, stains, grease
        for _ in range(int(rng.choice([1, 3, 20]))):
            radius = float(np.exp(rng.uniform(np.log(1.5), np.log(14))))
            spot = shapes.cavity(rng, 2 * radius, 2 * radius * rng.uniform(0.5, 1))
            shape = cover(shapes.turn(spot, 0, rng.uniform(0, size, 2)), drawn.shape)
            soft = cv2.GaussianBlur(shape.astype(np.float32) / 255, (0, 0), rng.uniform(0.5, 0.9) * radius)
            rgb *= np.clip(1 - rng.uniform(0.1, 0.5) * soft, 0.05, 1)[..., None]
            drawn = np.maximum(drawn, (soft > 0.4).astype(np.uint8) * 255)
    elif kind == 6:  # rust or paint: tinted, its edge ragged and its contrast low
        away = np.hypot(*(np.mgrid[:size, :size] - np.array([[[y]], [[x]]])))
        field = spectral(rng, size, power=rng.uniform(1.4, 2.2)) - away / (size * rng.uniform(0.03, 0.25))
        share = soft_step(field, rng.uniform(-1, 0.5), rng.uniform(0.1, 0.5))[..., None]
        rgb *= 1 - share * (1 - np.array([0.75, 0.5, 0.35]) * rng.uniform(0.6, 1.2))
        drawn[share[..., 0] > 0.5] = 255
    elif kind == 7:  # a struck mark: its flanks light on one side and dark on the other, its floor metal
        word = "".join(rng.choice(list(WORDS), int(rng.integers(1, 5))))
        thick = int(rng.integers(2, 8))
        cv2.putText(drawn, word, (x - size // 4, y), cv2.FONT_HERSHEY_SIMPLEX, rng.uniform(1, 4), 255, thick, cv2.LINE_AA)
        drawn = cv2.warpAffine(drawn, cv2.getRotationMatrix2D((x, y), rng.uniform(0, 360), 1), (size, size))
        deep = cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), thick * rng.uniform(0.25, 0.5))
        turn = rng.uniform(0, 2 * np.pi)
        flank = np.cos(turn) * cv2.Sobel(deep, cv2.CV_32F, 1, 0) + np.sin(turn) * cv2.Sobel(deep, cv2.CV_32F, 0, 1)
        rgb *= np.clip(1 + rng.uniform(0.3, 2.5) * flank - rng.uniform(0, 0.5) * deep, 0.08, 4)[..., None]
    elif kind == 8:  # flakes of scale: sharp ragged patches, duller than the metal but no holes
        field = spectral(rng, size, power=rng.uniform(0.9, 1.6)) + 0.6 * smooth(rng, size, int(rng.integers(2, 7)))
        share = soft_step(field, rng.uniform(1.5, 2.8), rng.uniform(0.02, 0.15))
        rgb *= (1 - share * rng.uniform(0.3, 0.72))[..., None].astype(np.float32)
        drawn[share > 0.5] = 255
    elif kind == 9:  # dust, chips, droplets: round or angular, lying on the metal with a sharp edge, often with a small shadow
        for _ in range(int(rng.choice([1, 2, 6]))):
            across = float(np.exp(rng.uniform(np.log(2.5), np.log(14))))
            grain = shapes.cavity(rng, across, across * rng.uniform(0.7, 1.0), rough=rng.uniform(0.0, 0.2))
            place = rng.uniform(0, size, 2)
            shape = cover(shapes.turn(grain, rng.uniform(0, 3), place), drawn.shape)
            if rng.random() < 0.6:
                cast = cover(shapes.turn(grain, 0, place + rng.uniform(-0.4, 0.4, 2) * across), drawn.shape)
                rgb *= 1 - rng.uniform(0.2, 0.7) * cv2.GaussianBlur(cast, (0, 0), 0.6)[..., None] / np.float32(255)
            share = cv2.GaussianBlur(shape.astype(np.float32) / 255, (0, 0), rng.uniform(0.3, 1.0))[..., None]
            tone = 0.25 * np.exp(rng.uniform(-1.6, 1.2)) * (1 + rng.normal(0, 0.15, 3))
            shine = np.float32(rng.uniform(0, 1.5)) * cv2.GaussianBlur(shape, (0, 0), across / 5)[..., None] / np.float32(255)
            rgb *= 1 - share
            rgb += share * (tone * (0.6 + shine)).astype(np.float32)
            drawn = np.maximum(drawn, shape)
    elif kind == 10:  # a shadow or reflection with a sharp edge: something long lies across, or stands beside
        turn, across = rng.uniform(0, np.pi), float(np.exp(rng.uniform(np.log(4), np.log(0.5 * size))))
        away = (np.mgrid[:size, :size] - np.array([[[y]], [[x]]])).astype(np.float32)
        from_line = away[1] * np.cos(turn) + away[0] * np.sin(turn) + rng.uniform(0, 6) * smooth(rng, size, 4)
        share = soft_step(-np.abs(from_line), -across / 2, rng.uniform(0.5, 4))
        rgb *= (1 + share * (np.exp(rng.uniform(-1.4, 0.7)) - 1))[..., None].astype(np.float32)
    elif kind == 11:  # a label: light, with a border, writing, a dark edge and its shadow
        _label(rng, rgb, drawn, (x, y))
    elif kind >= 14:  # a felt pen's line drawn by hand: bows and corners, of even width, ink thinner on high spots, ends blunt
        thick = int(np.exp(rng.uniform(np.log(3), np.log(34))))
        count = int(rng.integers(6, 40))
        heading = np.cumsum(rng.normal(0, 0.2, count) + rng.choice([0, 0, 0, 1.4], count) * rng.choice([-1, 1])) + rng.uniform(
            0, 6
        )
        path = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0) * rng.uniform(0.01, 0.06) * size + [x, y]
        points = np.round(path * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(drawn, [points], bool(rng.random() < 0.2), 255, thick, cv2.LINE_AA, 4)
        fray = rng.uniform(0, 2.5) * spectral(rng, size, power=0.7)
        body = cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), 0.8 + thick / 30)
        share = soft_step(body + 0.05 * fray, 0.5, 0.08) * np.clip(
            1 - np.clip(rng.uniform(0, 0.5) * spectral(rng, size, power=0.6), 0, 0.9), 0, 1
        )
        ink = rng.uniform(0.005, 0.06) * (1 + rng.uniform(0, 1, 3) * rng.choice([0, 3]))
        share = (share * rng.uniform(0.75, 1.0))[..., None].astype(np.float32)
        rgb *= 1 - share
        rgb += share * ink
    elif kind == 12:  # a fibre or hair, curled, thin, even in width
        heading = np.cumsum(rng.normal(0, 0.12, 60)) + rng.uniform(0, 6)
        path = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0) * rng.uniform(0.3, 4) + [x, y]
        points = [np.round(path * 16).astype(np.int32).reshape(-1, 1, 2)]
        cv2.polylines(drawn, points, False, 255, int(rng.choice([1, 1, 2])), cv2.LINE_AA, 4)
        share = cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), rng.uniform(0.4, 0.8))[..., None]
        rgb *= 1 - share * np.float32(rng.uniform(0.2, 0.8))
    else:  # dust, fibres, pinpoint sparkle: too small to be judged
        for _ in range(int(rng.integers(1, 40))):
            at = tuple(int(v) for v in rng.integers(0, size, 2))
            cv2.circle(drawn, at, int(rng.choice([0, 0, 1])), 255, -1)
        share = cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), 0.5)[..., None]
        rgb *= np.clip(1 + share * rng.choice([-0.8, 1.5]), 0.05, 3)
    np.maximum(mark, drawn, out=mark)


def _label(rng, rgb, drawn, at) -> None:
    size = rgb.shape[0]
    wide, tall = rng.uniform(0.2, 0.9) * size, rng.uniform(0.06, 0.3) * size
    box = np.array([[-wide, -tall], [wide, -tall], [wide, tall], [-wide, tall]]) / 2
    turn = rng.normal(0, 0.3)
    shape = cover(shapes.turn(box, turn, at), drawn.shape)
    cast = cover(shapes.turn(box, turn, np.array(at) + rng.uniform(-6, 6, 2)), drawn.shape)
    rgb *= 1 - np.float32(rng.uniform(0.2, 0.9)) * cast[..., None] / np.float32(255)
    print_on = np.zeros_like(drawn)
    frame = np.round(shapes.turn(box * 0.9, turn, at) * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(print_on, [frame], True, int(rng.choice([0, 255])), int(rng.integers(1, 4)), cv2.LINE_AA, 4)
    word = "".join(rng.choice(list(WORDS), int(rng.integers(2, 9))))
    corner = (int(at[0] - 0.4 * wide), int(at[1] + 0.2 * tall))
    cv2.putText(print_on, word, corner, cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, tall / 45, 255, int(rng.integers(1, 4)), cv2.LINE_AA)
    paper = 0.25 * np.exp(rng.uniform(0.2, 1.3)) * (1 - (print_on[..., None] / 255.0) * rng.uniform(0.5, 0.95, 3))
    share = (shape / 255.0)[..., None]
    rgb *= 1 - share
    rgb += share * paper
    np.maximum(drawn, np.minimum(shape, print_on), out=drawn)


def _stroke(rng, drawn, at, length, thick, bow, turn=None) -> None:
    turn = rng.uniform(0, np.pi) if turn is None else turn
    t = np.linspace(-0.5, 0.5, 24)[:, None]
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    points = np.array(at) + length * (t * along + bow * (1 - 4 * t * t) * across)
    cv2.polylines(drawn, [np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)], False, 255, thick, cv2.LINE_AA, 4)
