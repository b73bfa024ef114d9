"""Small generated set-ups with exact truth: a figure with hair before a screen, one trouble each.

Light is mixed in the working space as alpha F + (1 - alpha) c, blurred by a lens, then noise with
variance a x + b, then whatever the set-up spoils. Everything is our own invention.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

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
    """What makes a set-up. Stops, shares and colours in the working space."""

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
    seed: int = 1


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


def make(look: Look, width: int = 480, height: int = 270) -> Setup:
    """Make a set-up; deterministic in its look."""
    rng = np.random.default_rng(look.seed)
    alpha, paint = _figure(look, width, height, rng)
    clean = _screen(look, width, height, rng)
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


def _figure(look: Look, width: int, height: int, rng: np.random.Generator) -> tuple[Image, Image]:
    """Return the figure's coverage (h, w) and its paint (3, h, w)."""
    w, h = width * SCALE, height * SCALE
    cx = 0.5 + rng.uniform(-0.06, 0.06)
    body = np.zeros((h, w), np.uint8)
    head = np.zeros((h, w), np.uint8)
    hair = np.zeros((h, w), np.uint8)
    cv2.ellipse(
        body,
        (int(cx * w), int(1.02 * h)),
        (int(0.17 * w), int(0.45 * h)),
        0,
        0,
        360,
        255,
        -1,
        cv2.LINE_AA,
    )
    middle, radius = (int(cx * w), int(0.42 * h)), int(0.14 * h)
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


def _screen(look: Look, width: int, height: int, rng: np.random.Generator) -> Image:
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    spot = (rng.uniform(0.3, 0.6), rng.uniform(0.3, 0.6))
    far = np.hypot((x / width - spot[0]) / 0.6, (y / height - spot[1]) / 0.6)
    stops = look.level_stops - look.falloff_stops * np.minimum(far, 1.3) ** 2 / 1.3
    screen = colour(SCREENS[look.primary]) * np.exp2(stops) + look.ambient
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
    wall = (x < left * width) | (x >= right * width)
    return np.where(wall, colour((0.2, 0.18, 0.16)), screen).astype(np.float32)


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


def battery() -> list[Look]:
    """Return 36 set-ups, good to hopeless."""
    good = [Look(f"good {n}", seed=n) for n in range(1, 5)]
    blue = Look("blue", primary="blue", seed=5)
    red = Look("red", primary="red", seed=6, body=(0.10, 0.16, 0.30), head=(0.2, 0.3, 0.35))
    return [
        *good,
        blue,
        replace(blue, name="blue noisy", noise_a=6e-4, noise_b=6e-5),
        replace(blue, name="blue uneven", falloff_stops=1.8, seed=7),
        red,
        replace(red, name="red dim", level_stops=-2.5, seed=8),
        *(Look(f"uneven {s}", falloff_stops=s, seed=9) for s in (1.0, 1.9, 3.2)),
        *(Look(f"under-lit {s}", level_stops=-s, noise_b=2e-5, seed=10) for s in (2, 3.2, 4.5)),
        *(Look(f"noisy {n}", noise_a=n, noise_b=n / 8, seed=11) for n in (4e-4, 1.5e-3, 5e-3)),
        Look("clipped some", level_stops=1.6, falloff_stops=1.0, clip_at=0.95, seed=12),
        Look("clipped much", level_stops=2.6, falloff_stops=0.8, clip_at=0.95, seed=12),
        Look("clipped all", level_stops=4.0, clip_at=0.95, seed=12),
        *(Look(f"costume {g}", body=(0.16, g, 0.12), seed=13) for g in (0.21, 0.27, 0.33)),
        *(Look(f"spill {s}", spill=s, seed=14) for s in (0.15, 0.35, 0.6)),
        *(Look(f"washed {a}", ambient=a, seed=15) for a in (0.08, 0.25, 0.6)),
        Look("half screen", screen=(0.22, 0.8), seed=16),
        Look("half screen noisy", screen=(0.22, 0.8), noise_a=8e-4, noise_b=1e-4, seed=16),
        Look("half chroma", halve_chroma=True, seed=17),
        Look("half chroma noisy", halve_chroma=True, noise_a=8e-4, noise_b=1e-4, seed=17),
        Look("soft", lens_px=2.5, seed=18),
        Look("dim, noisy, uneven", level_stops=-2.5, falloff_stops=1.6, noise_b=5e-5, seed=19),
        Look("no screen 1", has_screen=False, seed=20),
        Look("no screen 2", has_screen=False, seed=21),
    ]
