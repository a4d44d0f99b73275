"""Dark and bright things on metal that are no openings, each entered into a map of marks."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.scene import shapes
from specimeter.training import prints
from specimeter.training.noise import smooth, soft_step, spectral
from specimeter.training.sample import cover

KIND_ODDS = np.array(
    [1, 1, 1, 1.2, 1.2, 1, 1, 1, 1.5, 1.7, 1, 1, 0.6, 1, 1.2, 1, 0.8, 1.2, 1, 0.8, 1.3, 0.7, 0.7, 1.5]
)  # in `distract`
INK = (1, 2, 14, 15)  # of the kinds in `distract`
WORDS = "0123456789ABCDEFHKLMNRSTXabehkns+-/"


def distract(rng: np.random.Generator, rgb: np.ndarray, mark: np.ndarray, foreign: np.ndarray) -> None:
    """Draw one thing that is no opening, in place; enter it into `mark`, and what is no metal into `foreign` (uint8)."""
    size = rgb.shape[0]
    kind = int(rng.choice(len(KIND_ODDS), p=KIND_ODDS / KIND_ODDS.sum()))
    x, y = (int(v) for v in rng.integers(0, size, 2))
    drawn: np.ndarray = np.zeros((size, size), np.uint8)
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
            spin = cv2.getRotationMatrix2D((x, y), rng.uniform(0, 360), 1)
            drawn = cv2.warpAffine(drawn, spin, (size, size))
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
        _label(rng, rgb, drawn, foreign, (x, y))
    elif kind >= 16:
        MORE[kind - 16](rng, rgb, drawn, foreign, (x, y))
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
            spot_x, spot_y = (int(v) for v in rng.integers(0, size, 2))
            cv2.circle(drawn, (spot_x, spot_y), int(rng.choice([0, 0, 1])), 255, -1)
        share = cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), 0.5)[..., None]
        rgb *= np.clip(1 + share * rng.choice([-0.8, 1.5]), 0.05, 3)
    np.maximum(mark, drawn, out=mark)
    if kind in INK:  # ink
        np.maximum(foreign, cv2.dilate(drawn, np.ones((5, 5), np.uint8)), out=foreign)


def _label(rng: np.random.Generator, rgb: np.ndarray, drawn: np.ndarray, foreign: np.ndarray, at: tuple[int, int]) -> None:
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
    np.maximum(foreign, shape, out=foreign)


def _stroke(
    rng: np.random.Generator,
    drawn: np.ndarray,
    at: tuple[int, int],
    length: float,
    thick: int,
    bow: float,
    turn: float | None = None,
) -> None:
    turn = rng.uniform(0, np.pi) if turn is None else turn
    t = np.linspace(-0.5, 0.5, 24)[:, None]
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    points = np.array(at) + length * (t * along + bow * (1 - 4 * t * t) * across)
    cv2.polylines(drawn, [np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)], False, 255, thick, cv2.LINE_AA, 4)


def _pits(rng: np.random.Generator, rgb: np.ndarray, drawn: np.ndarray, foreign: np.ndarray, at: tuple[int, int]) -> None:
    """Corrosion: many shallow pits of a few pixels close together, some with a rusty ring."""
    size = rgb.shape[0]
    spread = size * rng.uniform(0.05, 0.4)
    for _ in range(int(rng.integers(8, 120))):
        across = float(np.exp(rng.uniform(np.log(1.5), np.log(8))))
        shape = cover(
            shapes.turn(shapes.cavity(rng, across, across * rng.uniform(0.6, 1)), 0, rng.normal(at, spread)), drawn.shape
        )
        np.maximum(drawn, shape, out=drawn)
    soft = cv2.GaussianBlur(drawn, (0, 0), rng.uniform(0.4, 1.6)) / np.float32(255)
    halo = cv2.GaussianBlur(soft, (0, 0), rng.uniform(1.5, 6))
    rgb *= 1 - rng.uniform(0, 0.8) * np.clip(halo, 0, 1)[..., None] * np.array([0.3, 0.6, 0.8], np.float32)
    rgb *= 1 - rng.uniform(0.1, 0.5) * soft[..., None]


def _bead(rng: np.random.Generator, rgb: np.ndarray, drawn: np.ndarray, foreign: np.ndarray, at: tuple[int, int]) -> None:
    """The toe of a bead, an overlap of paint or a step: a wavy line, light on one side and shaded on the other, soft."""
    size = rgb.shape[0]
    turn = rng.uniform(0, np.pi)
    y, x = np.mgrid[:size, :size].astype(np.float32)
    away = (x - at[0]) * np.cos(turn) + (y - at[1]) * np.sin(turn)
    along = (y - at[1]) * np.cos(turn) - (x - at[0]) * np.sin(turn)
    pitch = np.exp(rng.uniform(np.log(10), np.log(80)))
    away = away + pitch * rng.uniform(0, 0.25) * np.abs(np.sin(np.pi * along / pitch + smooth(rng, size, 4)))
    away = away + rng.uniform(0, 8) * smooth(rng, size, int(rng.integers(2, 14)))
    soft = float(np.exp(rng.uniform(np.log(1), np.log(12))))
    dark = np.exp(-0.5 * (away / soft) ** 2) * np.clip(0.7 + 0.5 * smooth(rng, size, 6), 0, 1)
    beyond = soft_step(away, 0, rng.uniform(0.5, 2) * soft)
    rgb *= (1 + beyond * (np.exp(rng.normal(0, 0.5)) - 1))[..., None].astype(np.float32)
    rgb *= (1 - rng.uniform(0.1, 0.8) * dark)[..., None].astype(np.float32)
    rgb *= (1 + rng.uniform(0, 1.5) * np.exp(-0.5 * ((away - 2 * soft) / soft) ** 2))[..., None].astype(np.float32)
    drawn[dark > 0.5] = 255


def _groove(rng: np.random.Generator, rgb: np.ndarray, drawn: np.ndarray, foreign: np.ndarray, at: tuple[int, int]) -> None:
    """Machined or filed grooves: straight, right across, even, their one flank lit and their floor metal."""
    size = rgb.shape[0]
    turn, wide = rng.uniform(0, np.pi), float(np.exp(rng.uniform(np.log(1), np.log(10))))
    y, x = np.mgrid[:size, :size].astype(np.float32)
    away = (x - at[0]) * np.cos(turn) + (y - at[1]) * np.sin(turn)
    pitch = wide * rng.uniform(2, 12)
    count = int(rng.choice([1, 1, 2, 5, 99]))
    nearest = np.clip(np.round(away / pitch), -(count // 2), (count - 1) // 2)
    off = (away - nearest * pitch) / wide
    floor, flank = np.exp(-0.5 * (off / 0.5) ** 2), np.exp(-0.5 * ((off - 0.7) / 0.3) ** 2)
    steady = np.clip(1 + 0.15 * smooth(rng, size, 12), 0.5, 1.3)
    gain = 1 - rng.uniform(0.2, 0.75) * floor * steady + rng.uniform(0, 1.2) * flank
    rgb *= np.clip(gain, 0.1, 3)[..., None].astype(np.float32)
    drawn[floor > 0.6] = 255


def _stain(rng: np.random.Generator, rgb: np.ndarray, drawn: np.ndarray, foreign: np.ndarray, at: tuple[int, int]) -> None:
    """Stains, burns and dried drops: even or ringed, their edge soft or sharp, the ground's texture seen through."""
    size = rgb.shape[0]
    for _ in range(int(rng.choice([1, 2, 6]))):
        across = float(np.exp(rng.uniform(np.log(4), np.log(0.4 * size))))
        blot = shapes.cavity(rng, across, across * rng.uniform(0.3, 1), rough=rng.uniform(0.02, 0.3))
        shape = cover(shapes.turn(blot, rng.uniform(0, 3), rng.uniform(0, size, 2)), drawn.shape)
        soft = cv2.GaussianBlur(
            shape.astype(np.float32) / 255, (0, 0), float(np.exp(rng.uniform(np.log(0.6), np.log(0.3 * across + 1))))
        )
        ring = np.clip(soft * (1 - soft) * 4, 0, 1) * rng.choice([0, 0, 1])
        see = np.clip(rng.uniform(0.1, 0.6) * soft + rng.uniform(0, 0.4) * ring, 0, 0.75)
        rgb *= 1 - see[..., None] * np.clip(1 + rng.normal(0, rng.choice([0.03, 0.25]), 3), 0.3, 1.25).astype(np.float32)
        np.maximum(drawn, ((see > 0.2) * 255).astype(np.uint8), out=drawn)


def _stuck_on(rng: np.random.Generator, rgb: np.ndarray, drawn: np.ndarray, foreign: np.ndarray, at: tuple[int, int]) -> None:
    """Print, cloth, wood or a tag lying on the metal, cut to a shape with straight sides, its edge dark or not."""
    size = rgb.shape[0]
    ground, marks = prints.ground(rng, size)
    wide, tall = np.exp(rng.uniform(np.log(0.1), np.log(1.0), 2)) * size
    box = np.array([[-wide, -tall], [wide, -tall], [wide, tall], [-wide, tall]]) / 2
    box = shapes.turn(box, rng.uniform(0, 2 * np.pi), at)
    shape = cover(box, drawn.shape)
    cast = cover(box + rng.uniform(-6, 6, 2), drawn.shape)
    rgb *= 1 - np.float32(rng.uniform(0, 0.9)) * cv2.GaussianBlur(cast, (0, 0), rng.uniform(0.5, 3))[..., None] / np.float32(
        255
    )
    share = cv2.GaussianBlur(shape, (0, 0), rng.uniform(0.4, 1.0))[..., None] / np.float32(255)
    rgb *= 1 - share
    rgb += share * ground * np.float32(np.exp(rng.uniform(-0.7, 0.7)))
    drawn[:] = np.minimum(shape, marks)
    np.maximum(foreign, shape, out=foreign)


def _drop(rng: np.random.Generator, rgb: np.ndarray, drawn: np.ndarray, foreign: np.ndarray, at: tuple[int, int]) -> None:
    """Drops of oil or water, beads of spatter: a dark rim, a bright light in it."""
    size = rgb.shape[0]
    for _ in range(int(rng.choice([1, 3, 10]))):
        across, place = float(np.exp(rng.uniform(np.log(4), np.log(40)))), rng.uniform(0, size, 2)
        shape = cover(shapes.turn(shapes.cavity(rng, across, across * rng.uniform(0.7, 1), rough=0.08), 0, place), drawn.shape)
        inner = cv2.GaussianBlur(shape, (0, 0), across / rng.uniform(4, 10)) / np.float32(255)
        rim = (shape / np.float32(255)) * (1 - inner)
        rgb *= 1 - (rng.uniform(0.2, 0.9) * rim + rng.uniform(0, 0.4) * shape / np.float32(255))[..., None]
        spot = np.exp(
            -0.5
            * (
                np.hypot(*(np.mgrid[:size, :size] - (place + rng.normal(0, across / 8, 2))[::-1, None, None]))
                / (across / rng.uniform(6, 12))
            )
            ** 2
        )
        rgb += (rng.uniform(0.1, 1.0) * spot)[..., None].astype(np.float32)
        np.maximum(drawn, shape, out=drawn)


def _glints(rng: np.random.Generator, rgb: np.ndarray, drawn: np.ndarray, foreign: np.ndarray, at: tuple[int, int]) -> None:
    """Streaks and patches of mirrored light with sharp ends; between two of them the metal looks dark."""
    size = rgb.shape[0]
    turn = rng.uniform(0, np.pi)
    field = spectral(rng, size, power=rng.uniform(0.6, 1.6), stretch=rng.uniform(2, 30), angle=turn)
    share = soft_step(field, rng.uniform(-0.6, 1.6), rng.uniform(0.05, 0.5)) * np.clip(smooth(rng, size, 3), 0, 1)
    rgb += (rng.uniform(0.1, 0.8) * share)[..., None].astype(np.float32)


def _scribed(rng: np.random.Generator, rgb: np.ndarray, drawn: np.ndarray, foreign: np.ndarray, at: tuple[int, int]) -> None:
    """Scribed and gauge lines: straight, long, deep and dark, of steady width, skipping here and there; one or two abreast."""
    size = rgb.shape[0]
    turn, wide = rng.uniform(0, np.pi), rng.uniform(0.8, 4.5)
    y, x = np.mgrid[:size, :size].astype(np.float32)
    away = (x - at[0]) * np.cos(turn) + (y - at[1]) * np.sin(turn)
    along = (y - at[1]) * np.cos(turn) - (x - at[0]) * np.sin(turn)
    apart = rng.uniform(0.1, 0.4) * size if rng.random() < 0.4 else 1e6
    away = np.minimum(np.abs(away), np.abs(away - apart)) + rng.uniform(0, 0.4) * smooth(rng, size, 8)
    line = np.clip((wide / 2 + 0.5 - away), 0, 1)
    skips = smooth(rng, size, int(rng.integers(4, 40))) > rng.uniform(-2.5, -0.3)
    ends = (along > rng.uniform(-1.5, 0) * size) & (along < rng.uniform(0, 1.5) * size)
    line = cv2.GaussianBlur((line * skips * ends).astype(np.float32), (0, 0), rng.uniform(0.3, 0.9))
    flank = np.exp(-0.5 * ((away - wide / 2 - 1) / 0.8) ** 2) * skips * ends
    rgb *= np.clip(1 - rng.uniform(0.35, 0.95) * line + rng.uniform(0, 0.8) * flank, 0.03, 3)[..., None].astype(np.float32)
    drawn[line > 0.35] = 255


MORE = (_pits, _bead, _groove, _stain, _stuck_on, _drop, _glints, _scribed)
