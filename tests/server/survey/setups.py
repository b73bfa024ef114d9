"""Small generated set-ups with exact truth: a figure with hair before a screen, one trouble each.

Light is mixed in the working space as alpha F + (1 - alpha) c, blurred by a lens, then noise with
variance a x + b, then whatever the set-up spoils. Everything is our own invention.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
SCALE = 4
SCREENS = {
    "green": (0.16, 0.36, 0.12),
    "blue": (0.07, 0.12, 0.40),
    "red": (0.42, 0.06, 0.05),
}


@dataclass(frozen=True)
class Look:
    """What makes a set-up. Stops, shares and colours in the working space.

    pan_px: what the camera moves a frame; follows: the figure stays in the picture all the same.
    shake_px: deviation of a hand-held camera's place about its mean.
    """

    name: str
    primary: str = "green"
    level_stops: float = 0.0
    falloff_stops: float = 0.25
    noise_a: float = 6e-5
    noise_b: float = 4e-6
    clip_at: float | None = None
    body: tuple[float, float, float] = (0.30, 0.19, 0.15)
    hair: tuple[float, float, float] = (0.07, 0.05, 0.04)
    head: tuple[float, float, float] = (0.45, 0.31, 0.25)
    spill: float = 0.03
    ambient: float = 0.0
    screen: tuple[float, float] = (0.0, 1.0)
    has_screen: bool = True
    halve_chroma: bool = False
    lens_px: float = 0.7
    cloth_stops: float = 0.0
    markers: int = 0
    pan_px: tuple[float, float] = (0.0, 0.0)
    shake_px: float = 0.0
    follows: bool = False
    seed: int = 1

    @property
    def moves(self) -> bool:
        return any(self.pan_px) or self.shake_px > 0


@dataclass(frozen=True, eq=False)
class Setup:
    """A made set-up. plate, clean, foreground: (3, h, w). alpha, counted: (h, w)."""

    look: Look
    plate: Image
    alpha: NDArray[np.float32]
    clean: Image
    foreground: Image
    counted: NDArray[np.bool_] = field(repr=False)


def colour(rgb: tuple[float, float, float]) -> Image:
    """Return a colour as (3, 1, 1) float32."""
    return np.asarray(rgb, np.float32)[:, None, None]


def camera_at(look: Look, frame: int) -> tuple[float, float]:
    """Return where the camera points at a frame, in px from its first place: pan and sway."""
    x, y = (v * frame for v in look.pan_px)
    rng = np.random.default_rng([look.seed, 77])
    for period in (9.0, 15.0, 23.0):
        a, b = rng.uniform(0, 2 * np.pi, 2)
        turn = 2 * np.pi * frame / period
        x += look.shake_px * np.sqrt(2 / 3) * np.sin(turn + a)
        y += look.shake_px * np.sqrt(2 / 3) * np.sin(turn + b)
    return float(x), float(y)


def moved_px(look: Look, frame: int) -> float:
    """Return how far the camera moves from a frame to the next."""
    (x0, y0), (x1, y1) = camera_at(look, frame), camera_at(look, frame + 1)
    return float(np.hypot(x1 - x0, y1 - y0))


def make(look: Look, width: int = 480, height: int = 270, frame: int = 0) -> Setup:
    """Make one frame of a set-up; deterministic in its look. The shutter is open half the time."""
    rng = np.random.default_rng(look.seed)
    at = camera_at(look, frame)
    alpha, paint = _figure(look, width, height, rng, (0.0, 0.0) if look.follows else at)
    clean = _screen(look, width, height, rng, at)
    k = ("red", "green", "blue").index(look.primary)
    spilled = paint + look.spill * np.mean(clean, axis=(1, 2), keepdims=True)
    shade = (
        1
        + 0.25
        * cv2.GaussianBlur(rng.standard_normal((height, width)).astype(np.float32), (0, 0), 9)
        * 20
        / 3
    )
    foreground = np.asarray(spilled * np.clip(shade, 0.5, 1.5), np.float32)
    light = alpha * foreground + (1 - alpha) * clean
    light = np.stack([cv2.GaussianBlur(p, (0, 0), look.lens_px) for p in light])
    blurred = cv2.GaussianBlur(alpha, (0, 0), look.lens_px)
    if look.moves:
        after = camera_at(look, frame + 1)
        smear = _smear((0.5 * (after[0] - at[0]), 0.5 * (after[1] - at[1])))
        clean = np.stack([cv2.filter2D(p, -1, smear) for p in clean])
        if not look.follows:
            light = np.stack([cv2.filter2D(p, -1, smear) for p in light])
            blurred = cv2.filter2D(blurred, -1, smear)
    if frame:
        rng = np.random.default_rng([look.seed, frame])
    sigma = np.sqrt(look.noise_a * np.maximum(light, 0) + look.noise_b)
    plate = light + sigma * rng.standard_normal(light.shape).astype(np.float32)
    if look.clip_at is not None:
        plate = np.minimum(plate, look.clip_at)
    if look.halve_chroma:
        plate = _halved_chroma(plate.astype(np.float32))
    counted = np.zeros((height, width), bool)
    counted[
        :,
        int(look.screen[0] * width) + (4 if look.screen[0] else 0) : int(look.screen[1] * width)
        - (4 if look.screen[1] < 1 else 0),
    ] = True
    assert 0 <= k < 3
    return Setup(look, plate.astype(np.float32), blurred, clean, foreground, counted)


def _smear(by: tuple[float, float]) -> NDArray[np.float32]:
    """Return the kernel of a move by so many px while the shutter is open."""
    reach = int(np.ceil(max(abs(v) for v in by) / 2)) + 1
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    for t in np.linspace(-0.5, 0.5, 33):
        x, y = reach + t * by[0], reach + t * by[1]
        i, j = int(np.floor(x)), int(np.floor(y))
        for dy, wy in ((0, 1 - (y - j)), (1, y - j)):
            for dx, wx in ((0, 1 - (x - i)), (1, x - i)):
                if wx * wy > 0:
                    kernel[j + dy, i + dx] += wx * wy
    return np.asarray(kernel / kernel.sum(), np.float32)


def _figure(
    look: Look, width: int, height: int, rng: np.random.Generator, at: tuple[float, float]
) -> tuple[Image, Image]:
    """Return the figure's coverage (h, w) and its paint (3, h, w), seen by a camera at `at`."""
    w, h = width * SCALE, height * SCALE
    cx = 0.5 + rng.uniform(-0.06, 0.06)
    cx -= at[0] / width
    down = -at[1] * SCALE
    body = np.zeros((h, w), np.uint8)
    head = np.zeros((h, w), np.uint8)
    hair = np.zeros((h, w), np.uint8)
    cv2.ellipse(
        body,
        (int(cx * w), int(1.02 * h + down)),
        (int(0.17 * w), int(0.45 * h)),
        0,
        0,
        360,
        255,
        -1,
        cv2.LINE_AA,
    )
    middle, radius = (int(cx * w), int(0.42 * h + down)), int(0.14 * h)
    cv2.circle(head, middle, radius, 255, -1, cv2.LINE_AA)
    for _ in range(60):
        angle = rng.uniform(-np.pi * 1.15, 0.15 * np.pi)
        length = radius * rng.uniform(1.2, 2.1)
        bend = rng.uniform(-0.5, 0.5)
        t = np.linspace(0.75, 1, 14) * length
        a = angle + bend * np.linspace(0, 1, 14) ** 2
        line = np.stack([middle[0] + t * np.cos(a) * 1.0, middle[1] + t * np.sin(a)], axis=1)
        start = np.array(
            [[middle[0] + 0.8 * radius * np.cos(angle), middle[1] + 0.8 * radius * np.sin(angle)]]
        )
        points = np.concatenate([start, line]).astype(np.int32)[None]
        cv2.polylines(hair, points, False, 255, int(rng.integers(1, 4)), cv2.LINE_AA)
    size = (width, height)
    parts = [
        cv2.resize(p.astype(np.float32) / 255, size, interpolation=cv2.INTER_AREA)
        for p in (hair, body, head)
    ]
    paint = np.broadcast_to(colour(look.hair), (3, height, width)).copy()
    for part, tone in zip(parts[1:], (look.body, look.head), strict=True):
        paint = paint + (part > 0.02) * (colour(tone) - paint)
    alpha = np.clip(parts[0] + parts[1] + parts[2], 0, 1)
    return alpha.astype(np.float32), paint.astype(np.float32)


def _screen(
    look: Look, width: int, height: int, rng: np.random.Generator, at: tuple[float, float]
) -> Image:
    """Return the screen (3, h, w) without the figure, seen by a camera at `at`."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    x, y = x + np.float32(at[0]), y + np.float32(at[1])
    spot = (rng.uniform(0.3, 0.6), rng.uniform(0.3, 0.6))
    far = np.hypot((x / width - spot[0]) / 0.6, (y / height - spot[1]) / 0.6)
    stops = look.level_stops - look.falloff_stops * np.minimum(far, 1.3) ** 2 / 1.3
    if look.cloth_stops > 0:
        stops = stops + look.cloth_stops * _cloth(look, x, y)
    screen = colour(SCREENS[look.primary]) * np.exp2(stops) + look.ambient
    for cross in _crosses(look, x, y, width, height):
        screen = screen * (1 - 0.5 * cross)
    if not look.has_screen:
        blobs = np.stack(
            [
                cv2.GaussianBlur(rng.standard_normal((height, width)).astype(np.float32), (0, 0), s)
                * s
                * 2
                for s in (3, 5, 9)
            ]
        )
        screen = np.clip(0.22 + 0.16 * blobs + 0.05 * blobs[:1], 0.01, 2)
    left, right = look.screen
    wall = ((x < left * width) & (left > 0)) | ((x >= right * width) & (right < 1))
    return np.where(wall, colour((0.2, 0.18, 0.16)), screen).astype(np.float32)


def _cloth(look: Look, x: Image, y: Image) -> Image:
    """Return the weave of the screen at places x, y (h, w), of unit deviation."""
    rng = np.random.default_rng([look.seed, 78])
    grains = []
    for size in (2.0, 6.0, 20.0):
        plane = rng.standard_normal((1024, 1024)).astype(np.float32)
        plane = cv2.GaussianBlur(plane, (0, 0), size)
        grains.append(plane / plane.std())
    whole = np.asarray(np.mean(grains, axis=0) * np.sqrt(3), np.float32)
    places = (x + 256).astype(np.float32), (y + 256).astype(np.float32)
    return np.asarray(cv2.remap(whole, *places, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT))


def _crosses(look: Look, x: Image, y: Image, width: int, height: int) -> list[Image]:
    """Return the coverage (h, w) of each marker, a cross stuck on the screen; they go on outside
    the first frame."""
    if not look.markers:
        return []
    rng = np.random.default_rng([look.seed, 79])
    pitch = width / look.markers
    found = []
    for row in range(-1, int(height / pitch) + 2):
        for column in range(-look.markers, 2 * look.markers + 1):
            cx, cy = ((n + 0.5 + rng.uniform(-0.2, 0.2)) * pitch for n in (column, row))
            dx, dy = np.abs(x - cx), np.abs(y - cy)
            if float(dx.min() + dy.min()) > 8:
                continue
            bar = np.clip(1.2 + 0.5 - dx, 0, 1) * np.clip(4.5 + 0.5 - dy, 0, 1)
            rail = np.clip(1.2 + 0.5 - dy, 0, 1) * np.clip(4.5 + 0.5 - dx, 0, 1)
            found.append(np.maximum(bar, rail).astype(np.float32))
    return found


def _halved_chroma(plate: Image) -> Image:
    """4:2:0 in a square-root encoding: colour differences averaged over 2 x 2, linear between."""
    code = np.sqrt(np.maximum(plate, 0))
    luma = 0.27 * code[0] + 0.67 * code[1] + 0.06 * code[2]
    size = (plate.shape[2], plate.shape[1])
    out = []
    for channel in code:
        half = cv2.resize(
            channel - luma, (size[0] // 2, size[1] // 2), interpolation=cv2.INTER_AREA
        )
        out.append(luma + cv2.resize(half, size, interpolation=cv2.INTER_LINEAR))
    return np.asarray(np.maximum(np.stack(out), 0) ** 2, np.float32)
