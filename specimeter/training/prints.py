"""Ground that is no metal: print, paper, coded squares, rules, cloth, wood, threads, rooms; where nothing is an opening."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.training.noise import smooth, spectral

FONTS = (cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_COMPLEX, cv2.FONT_HERSHEY_SCRIPT_COMPLEX)
SIGNS = list("0123456789ABCDEFGHIJKLMNOPRSTUVWXYZabcdefghiklmnoprstuvxyz.,:-+/()%#")


def ground(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Linear light (size, size, 3) of such a ground filling the picture, and its dark marks, uint8 (size, size)."""
    rgb, marks = GROUNDS[int(rng.choice(len(GROUNDS), p=ODDS))](rng, size)
    light = np.exp(rng.uniform(0, 0.5) * smooth(rng, size, int(rng.integers(1, 4))))[..., None]
    return (rgb * light).astype(np.float32), marks


def _ink(rng: np.random.Generator, drawn: np.ndarray) -> np.ndarray:
    """Linear light of paper printed with `drawn` (uint8, 255 is ink); a little soft, ink thin here and there, or reversed."""
    size = drawn.shape[0]
    paper = np.exp(rng.uniform(np.log(0.3), np.log(0.9))) * (1 + rng.normal(0, rng.choice([0.02, 0.2]), 3))
    dark = np.exp(rng.uniform(np.log(0.006), np.log(0.15))) * (1 + rng.choice([0, 0, 0, 3.0]) * rng.uniform(0, 1, 3))
    share = cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), rng.uniform(0.3, 1.2))[..., None]
    share = share * (1 - rng.choice([0, 0, 0.15]) * rng.random() * np.abs(spectral(rng, size, power=0.5))[..., None])
    if rng.random() < 0.12:
        share = 1 - share
    grain = np.exp(rng.uniform(0, 0.06) * spectral(rng, size, power=rng.uniform(0, 1.5)))[..., None]
    return (paper * (1 - share) + np.minimum(dark, paper) * share) * grain


def _turned(rng: np.random.Generator, drawn: np.ndarray, size: int) -> np.ndarray:
    """A drawing of twice the size turned, tilted and cut to size."""
    centre = drawn.shape[0] / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32) * size / 2
    angle = rng.choice([rng.normal(0, 0.1), rng.uniform(0, 2 * np.pi)])
    spin = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    there = corners @ spin.T * rng.uniform(0.7, 1.0) + rng.normal(0, rng.choice([0.005, 0.06]), (4, 2)) * size + centre
    matrix = cv2.getPerspectiveTransform(there.astype(np.float32), corners + np.float32(size / 2))
    return cv2.warpPerspective(drawn, matrix, (size, size), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REFLECT)


def _squares(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Chessboards, at times with a coded square in each light field."""
    n = 2 * size
    pitch = float(np.exp(rng.uniform(np.log(8), np.log(160))))
    y, x = np.mgrid[:n, :n]
    drawn = (((x // pitch + y // pitch) % 2) * 255).astype(np.uint8)
    if rng.random() < 0.3 and pitch > 30:
        for row in range(int(n // pitch)):
            for column in range(row % 2, int(n // pitch), 2):
                _coded(rng, drawn, (int((column + 0.22) * pitch), int((row + 0.22) * pitch)), int(0.56 * pitch))
    drawn = _turned(rng, drawn, size)
    return _ink(rng, drawn), drawn


def _coded(rng: np.random.Generator, drawn: np.ndarray, at: tuple[int, int], across: int) -> None:
    """One coded square: a dark frame, cells dark or light inside."""
    count = int(rng.integers(4, 9))
    cells = (rng.random((count, count)) < 0.5).astype(np.uint8) * 255
    cells = np.pad(cells, 1, constant_values=255)
    tile = cv2.resize(cells, (max(across, 4),) * 2, interpolation=cv2.INTER_NEAREST)
    part = drawn[at[1] : at[1] + across, at[0] : at[0] + across]
    part[:] = tile[: part.shape[0], : part.shape[1]]


def _tags(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Coded squares, few or many, large or small, with words beside them."""
    n = 2 * size
    drawn = np.zeros((n, n), np.uint8)
    across = int(np.exp(rng.uniform(np.log(16), np.log(260))))
    step = int(across * rng.uniform(1.2, 2.0))
    for top in range(int(rng.integers(0, step)), n - across, step):
        for left in range(int(rng.integers(0, step)), n - across, step):
            if rng.random() < 0.8:
                _coded(rng, drawn, (left, top), across)
    if rng.random() < 0.5:
        _words(rng, drawn, 4)
    drawn = _turned(rng, drawn, size)
    return _ink(rng, drawn), drawn


def _words(rng: np.random.Generator, drawn: np.ndarray, lines: int) -> None:
    n = drawn.shape[0]
    for _ in range(lines):
        text = "".join(rng.choice(SIGNS, int(rng.integers(2, 30))))
        scale = np.exp(rng.uniform(np.log(0.4), np.log(5)))
        at = (int(rng.integers(-50, n)), int(rng.integers(0, n)))
        cv2.putText(drawn, text, at, int(rng.choice(FONTS)), scale, 255, max(1, int(scale * rng.uniform(1, 4))), cv2.LINE_AA)


def _text(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """A printed page, a label, a table."""
    n = 2 * size
    drawn = np.zeros((n, n), np.uint8)
    scale = float(np.exp(rng.uniform(np.log(0.35), np.log(4))))
    font, thick = int(rng.choice(FONTS)), max(1, int(scale * rng.uniform(1, 3.5)))
    for row in np.arange(0, n, 30 * scale * rng.uniform(1.0, 2.0)):
        text = "".join(rng.choice([*SIGNS, *" " * 12], 90))
        cv2.putText(drawn, text, (int(rng.integers(-20, 20)), int(row)), font, scale, 255, thick, cv2.LINE_AA)
    if rng.random() < 0.4:
        for at in np.arange(0, n, rng.uniform(30, 200)):
            one, two = ((0, int(at)), (n, int(at))) if rng.random() < 0.6 else ((int(at), 0), (int(at), n))
            cv2.line(drawn, one, two, 255, int(rng.integers(1, 6)))
    drawn = _turned(rng, drawn, size)
    return _ink(rng, drawn), drawn


def _rule(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Graduations of a rule or a scale card: marks of several lengths, numbers, an edge; bars and bar codes."""
    n = 2 * size
    drawn = np.zeros((n, n), np.uint8)
    pitch, thick = float(np.exp(rng.uniform(np.log(2.5), np.log(60)))), rng.uniform(0.15, 0.5)
    uneven = rng.random() < 0.25
    at, k = 0.0, 0
    while at < n:
        long = n * 0.2 * (1.6 if k % 10 == 0 else 1.3 if k % 5 == 0 else 1.0)
        wide = max(1, round(pitch * thick * (rng.uniform(0.5, 4) if uneven else 1)))
        cv2.rectangle(drawn, (round(at), n // 3), (round(at) + wide - 1, n if uneven else int(n // 3 + long)), 255, -1)
        if k % 10 == 0 and not uneven:
            place = (int(at), int(n // 3 + 1.6 * n * 0.2 + 12 * pitch**0.5))
            cv2.putText(drawn, str(k // 10), place, FONTS[0], pitch**0.5 / 2.5, 255, max(1, int(pitch**0.5 / 2)), cv2.LINE_AA)
        at, k = at + pitch * (rng.uniform(0.6, 2) if uneven else 1) + (wide if uneven else 0), k + 1
    drawn = _turned(rng, drawn, size)
    return _ink(rng, drawn), drawn


def _raster(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Print dots, perforated sheet, grids of rings or lines, a knurl."""
    pitch = np.exp(rng.uniform(np.log(3.5), np.log(50)))
    turn = rng.uniform(0, np.pi)
    y, x = np.mgrid[:size, :size].astype(np.float32)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    wave = np.cos(2 * np.pi * u / pitch) + np.cos(2 * np.pi * v / pitch) * rng.choice([1.0, 1.0, 0.0])
    drawn = (np.clip((wave - rng.uniform(-0.8, 1.2)) * pitch / 3 + 0.5, 0, 1) * 255).astype(np.uint8)
    return _ink(rng, drawn), drawn


def _cloth(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Woven threads, plain or twill, folded into soft shadows."""
    pitch, turn = np.exp(rng.uniform(np.log(2.5), np.log(20))), rng.uniform(0, np.pi)
    y, x = np.mgrid[:size, :size].astype(np.float32)
    u = x * np.cos(turn) + y * np.sin(turn) + 1.5 * smooth(rng, size, 6)
    v = y * np.cos(turn) - x * np.sin(turn) + 1.5 * smooth(rng, size, 6)
    over = np.sin(np.pi * (u + rng.choice([0, 1]) * v) / pitch) * np.sin(np.pi * v / pitch) > 0
    thread = np.where(over, np.abs(np.sin(np.pi * u / pitch)), np.abs(np.sin(np.pi * v / pitch)))
    tone = np.exp(rng.uniform(0.3, 1.5) * thread + 0.3 * spectral(rng, size, power=0.6) + 0.5 * smooth(rng, size, 4))
    colour = np.exp(rng.normal(0, 0.4, 3)) * rng.uniform(0.05, 0.5)
    return tone[..., None] * colour / np.median(tone), (thread < 0.3).astype(np.uint8) * 255


def _wood(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Grain: warped rings cut lengthwise, dark vessels along it, now and then a knot."""
    turn = rng.uniform(0, np.pi)
    y, x = np.mgrid[:size, :size].astype(np.float32)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    v = (
        v
        + 10 * smooth(rng, size, 2)
        + rng.choice([0, 40]) * np.exp(-((np.hypot(u - rng.uniform(0, size), v - rng.uniform(0, size)) / 60) ** 2))
    )
    rings = np.sin(2 * np.pi * v / np.exp(rng.uniform(np.log(5), np.log(40))) + smooth(rng, size, 5))
    vessels = spectral(rng, size, power=0.4, stretch=25, angle=turn) > rng.uniform(1.4, 2.6)
    tone = np.exp(rng.uniform(0.1, 0.4) * rings + 0.1 * spectral(rng, size, power=0.8, stretch=15, angle=turn))
    tone = tone * (1 - rng.uniform(0.2, 0.7) * cv2.GaussianBlur(vessels.astype(np.float32), (0, 0), 0.7))
    return tone[..., None] * np.array([0.4, 0.25, 0.13]) * rng.uniform(0.5, 1.8), vessels.astype(np.uint8) * 255


def _thread(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Screw threads, ribs, coiled wire, knurls, heads of screws: shaded cylinders and flanks."""
    pitch, turn = np.exp(rng.uniform(np.log(6), np.log(60))), rng.uniform(0, np.pi)
    y, x = np.mgrid[:size, :size].astype(np.float32) - size / 2
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    half = size * rng.uniform(0.15, 0.8)
    round_ = np.sqrt(np.clip(1 - (v / half) ** 2, 0.02, 1))
    phase = (u + v * rng.uniform(-0.2, 0.2)) / pitch % 1
    flank = np.abs(phase - 0.5) * 2 if rng.random() < 0.5 else 0.5 + 0.5 * np.sin(2 * np.pi * phase)
    tone = (0.03 + flank ** rng.uniform(0.7, 4)) * round_ * np.exp(0.1 * spectral(rng, size, power=0.8))
    marks = (flank < 0.2).astype(np.uint8) * 255
    if rng.random() < 0.4:  # the screw's head over it
        at, radius = rng.uniform(0.2, 0.8, 2) * size, rng.uniform(0.08, 0.3) * size
        head = np.hypot(x + size / 2 - at[0], y + size / 2 - at[1]) < radius
        slot = np.zeros((size, size), np.uint8)
        for angle in rng.uniform(0, np.pi) + np.array([0, np.pi / 2])[: int(rng.integers(1, 3))]:
            way = np.array([np.cos(angle), np.sin(angle)]) * radius * rng.uniform(0.5, 0.95)
            one, two = ([int(c) for c in at + sign * way] for sign in (-1, 1))
            cv2.line(slot, one, two, 255, max(2, int(radius * rng.uniform(0.1, 0.3))))
        tone = np.where(head, rng.uniform(0.3, 0.9), tone) * (1 - 0.9 * (slot > 0) * head)
        marks = np.where(head, slot, marks)
    return tone[..., None] * (1 + rng.normal(0, 0.05, 3)) * rng.uniform(0.2, 0.7), marks


def _room(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Things before things: polygons and discs of any tone, each hiding those behind (dead leaves)."""
    rgb = np.full((size, size, 3), rng.uniform(0.05, 0.6), np.float32)
    marks = np.zeros((size, size), np.uint8)
    grain = spectral(rng, size, power=rng.uniform(0.3, 1.2))
    for _ in range(int(rng.integers(8, 60))):
        radius = size * 0.5 * np.exp(rng.uniform(-2.8, 0))
        count = 40 if rng.random() < 0.35 else int(rng.integers(3, 7))
        angle = np.sort(rng.uniform(0, 2 * np.pi, count)) if count < 40 else np.linspace(0, 2 * np.pi, count)
        points = np.column_stack([np.cos(angle), np.sin(angle) * rng.uniform(0.1, 1)]) * radius
        turn = rng.choice([0.0, rng.uniform(0, np.pi)])
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        points = points @ spin + rng.uniform(0, size, 2)
        low = np.clip(np.floor(points.min(axis=0)) - 4, 0, size - 1).astype(int)
        high = np.clip(np.ceil(points.max(axis=0)) + 5, low + 1, size).astype(int)
        box = np.s_[low[1] : high[1], low[0] : high[0]]
        shape = np.zeros((high - low)[::-1], np.uint8)
        cv2.fillPoly(shape, [np.round((points - low) * 16).astype(np.int32).reshape(-1, 1, 2)], 255, cv2.LINE_AA, 4)
        y, x = np.mgrid[box].astype(np.float32) / size
        tone = np.exp(rng.uniform(np.log(0.005), np.log(0.9))) * (1 + rng.normal(0, rng.choice([0.03, 0.4]), 3))
        shade = np.exp(rng.normal() * (x - 0.5) + rng.normal() * (y - 0.5) + rng.choice([0.02, 0.2]) * grain[box])[..., None]
        share = cv2.GaussianBlur(shape, (0, 0), rng.uniform(0.4, 1.5))[..., None] / np.float32(255)
        rgb[box] = rgb[box] * (1 - share) + share * np.clip(tone, 0.003, None) * shade
        marks[box][shape > 127] = 255 if tone.mean() < 0.1 else 0
    return rgb, marks


GROUNDS = (_squares, _tags, _text, _rule, _raster, _cloth, _wood, _thread, _room)
ODDS = np.array([2, 2, 2, 1.5, 1, 0.7, 0.7, 0.8, 2.5]) / 13.2
