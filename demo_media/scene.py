"""Truth shots: one frame before a screen with its exact alpha, foreground, screen and noise."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.background import evening_lights
from demo_media.camera import Noise, expose, lens_blur
from demo_media.codec import through_codec
from demo_media.effects import breathe_smoke, hang_bulbs, stand_glass, throw_sparks
from demo_media.raster import Canvas
from demo_media.screen import ScreenLook, make_screen
from demo_media.shade import Lamp, Lights
from demo_media.shapes import Painter
from demo_media.subjects import grow_hair, stand_figure, swing_arm

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

KINDS = (
    "hair",
    "motion",
    "smoke",
    "glass",
    "overrange",
    "uneven",
    "spill",
    "codec",
    "blue",
    "blue_codec",
)
"""What a seed shows: KINDS[seed % 10]."""


@dataclass(frozen=True)
class TruthShot:
    """A plate and everything that made it. Images (3, h, w), mattes (h, w), float32, linear ACEScg.

    Before the camera, light = alpha·foreground + (1 − alpha)·clean_plate, exactly; all four are
    already through the lens. `foreground` is straight and has the spill in it, `foreground_clean`
    has none. `plate` is what the camera (and, where `codec`, an 8-bit 4:2:0 H.264) made of it.
    """

    name: str
    kind: str
    seed: int
    primary: str
    plate: Image
    alpha: Image
    foreground: Image
    foreground_clean: Image
    clean_plate: Image
    background: Image
    noise: Noise
    codec: bool

    @property
    def light(self) -> Image:
        """What falls on the sensor: the plate without noise, mosaic and codec."""
        return self.alpha * self.foreground + (1 - self.alpha) * self.clean_plate

    @property
    def composite(self) -> Image:
        """The perfect result: the spill-free subject over the background."""
        return self.alpha * self.foreground_clean + (1 - self.alpha) * self.background

    @property
    def edge_mask(self) -> Mask:
        """Partly covered pixels (0.005 < alpha < 0.995) and two pixels around them."""
        partly = (self.alpha > 0.005) & (self.alpha < 0.995)
        grown = cv2.dilate(partly.astype(np.uint8), np.ones((5, 5), np.uint8))
        return np.asarray(grown > 0)

    @property
    def core_mask(self) -> Mask:
        """Solid subject away from any edge."""
        return np.asarray((self.alpha >= 0.995) & ~self.edge_mask)

    @property
    def screen_mask(self) -> Mask:
        """Clean screen away from any edge."""
        return np.asarray((self.alpha <= 0.005) & ~self.edge_mask)


def truth_shot(
    seed: int, *, width: int = 960, height: int = 540, kind: str | None = None, frame: int = 0
) -> TruthShot:
    """Make the truth shot of `seed`; deterministic in all arguments.

    `kind` is one of KINDS, KINDS[seed % 10] by default; `frame` moves the subject and renews the
    noise. Width and height must be even.
    """
    chosen = KINDS[seed % len(KINDS)] if kind is None else kind
    if chosen not in KINDS:
        raise ValueError(f"expected one of {', '.join(KINDS)}, got {chosen!r}")
    if width % 2 or height % 2 or width < 16 or height < 16:
        raise ValueError(f"expected an even size of at least 16 x 16, got {width} x {height}")
    primary = "blue" if chosen.startswith("blue") else "green"
    rng = np.random.default_rng([seed, KINDS.index(chosen)])
    look = _screen_look(rng, chosen, primary)
    screen = make_screen(look, width, height, rng)
    canvas = _subject(rng, seed, chosen, primary, mean_colour(screen), (width, height), frame)
    sigma = float(rng.uniform(0.55, 0.8)) * max(height / 540, 0.5)
    strength = float(rng.uniform(0.4, 1.0))
    noise = Noise(
        slope=(1.5e-4 * strength, 0.9e-4 * strength, 1.7e-4 * strength),
        floor=(9e-6 * strength, 6e-6 * strength, 10e-6 * strength),
        exact="codec" not in chosen,
    )
    background = evening_lights(width, height, rng)
    fresh = np.random.default_rng([seed, KINDS.index(chosen), 1 + frame])
    return _photograph(canvas, screen, background, sigma, noise, fresh, seed, chosen, primary)


def _screen_look(rng: np.random.Generator, kind: str, primary: str) -> ScreenLook:
    uneven = kind == "uneven"
    return ScreenLook(
        primary=primary,
        level=float(rng.uniform(0.8, 1.1)),
        falloff_stops=float(rng.uniform(1.2, 1.8) if uneven else rng.uniform(0.25, 0.6)),
        hot_spot=(float(rng.uniform(0.3, 0.7)), float(rng.uniform(0.25, 0.55))),
        creases=3 if uneven else int(rng.integers(0, 2)),
        markers=12 if uneven else 0,
    )


def mean_colour(screen: Image) -> tuple[float, float, float]:
    """The light that the whole screen sends to a subject before it, on average."""
    red, green, blue = screen.mean(axis=(1, 2))
    return float(red), float(green), float(blue)


def _lights(rng: np.random.Generator, kind: str, screen: tuple[float, float, float]) -> Lights:
    side = float(rng.choice((-1, 1)))
    key, fill = float(rng.uniform(0.7, 1.0)), float(rng.uniform(0.15, 0.35))
    return Lights(
        lamps=(
            Lamp((0.7 * side, -0.6, 0.6), (key * 1.05, key * 0.97, key * 0.86)),
            Lamp((-0.8 * side, -0.2, 0.5), (fill * 0.85, fill * 0.95, fill * 1.15)),
            Lamp((-0.6 * side, -0.5, -0.45), (0.5, 0.47, 0.42)),
        ),
        screen=screen,
        spill=float(rng.uniform(0.9, 1.2) if kind == "spill" else rng.uniform(0.25, 0.45)),
    )


def _subject(
    rng: np.random.Generator,
    seed: int,
    kind: str,
    primary: str,
    screen: tuple[float, float, float],
    size: tuple[int, int],
    frame: int,
) -> Canvas:
    width, height = size
    canvas = Canvas.empty(width, height)
    painter = Painter(canvas, _lights(rng, kind, screen), seed)
    sway = 2.0 * float(np.sin(frame / 7))
    figure = stand_figure(painter, rng, primary, sway)
    hairy = {"hair": 900, "spill": 350, "codec": 650, "blue": 800, "uneven": 300}
    if kind in hairy:
        length = float(rng.uniform(1.3, 2.0))
        grow_hair(painter, rng, figure, count=hairy[kind], length=length, sway=sway)
    if kind in ("motion", "blue_codec"):
        swing_arm(painter, rng, primary, figure, 8.0 * frame)
    if kind == "smoke":
        dense = float(rng.uniform(1.2, 2.4))
        breathe_smoke(painter, rng, figure.spout, density=dense, drift=frame)
        spot = (width * float(rng.uniform(0.1, 0.25)), height * 1.0)
        breathe_smoke(painter, rng, spot, density=0.6 * dense, drift=frame)
    if kind == "glass":
        for share in (0.16, 0.84):
            base = (width * (share + float(rng.uniform(-0.04, 0.04))), height * 0.93)
            stand_glass(painter, rng, base, height * float(rng.uniform(0.45, 0.65)))
    if kind == "overrange":
        throw_sparks(painter, rng, (figure.spout[0], figure.spout[1]), 130)
        hang_bulbs(painter, rng, figure)
    return canvas


def _photograph(
    canvas: Canvas,
    screen: Image,
    background: Image,
    sigma: float,
    noise: Noise,
    rng: np.random.Generator,
    seed: int,
    kind: str,
    primary: str,
) -> TruthShot:
    alpha = lens_blur(canvas.alpha, sigma)
    alpha = np.asarray(np.where(alpha < 1e-4, 0, np.minimum(alpha, 1)), np.float32)
    clean = lens_blur(canvas.clean, sigma)
    full = clean + lens_blur(canvas.spill, sigma)
    screen = lens_blur(screen, sigma)
    foreground = straight_colour(full, alpha)
    light = alpha * foreground + (1 - alpha) * screen
    plate = expose(light, noise, rng)
    if not noise.exact:
        plate = through_codec(plate)
    return TruthShot(
        name=f"{kind}-{seed}",
        kind=kind,
        seed=seed,
        primary=primary,
        plate=plate,
        alpha=alpha,
        foreground=foreground,
        foreground_clean=straight_colour(clean, alpha),
        clean_plate=screen,
        background=lens_blur(background, sigma),
        noise=noise,
        codec=not noise.exact,
    )


def straight_colour(premultiplied: Image, alpha: Image) -> Image:
    """Divide by alpha; where nothing is, carry the nearest colours on (a pyramid of averages)."""
    colour = np.where(alpha > 0, premultiplied / np.where(alpha > 0, alpha, 1), 0)
    weight = np.asarray(np.minimum(alpha * 20, 1), np.float32)
    filled = _pull_push(np.asarray(colour, np.float32), weight)
    return np.asarray(np.where(alpha > 0, colour, filled), np.float32)


def _pull_push(colour: Image, weight: Image) -> Image:
    """Weighted averages of ever larger areas, filled in from coarse to fine."""
    height, width = weight.shape
    if min(height, width) <= 2:
        total = max(float(weight.sum()), 1e-6)
        mean = (colour * weight).sum(axis=(1, 2)) / total
        return np.asarray(np.broadcast_to(mean[:, None, None], colour.shape), np.float32)
    size = ((width + 1) // 2, (height + 1) // 2)
    area = cv2.INTER_AREA
    small_weight = np.asarray(cv2.resize(weight, size, interpolation=area), np.float32)
    small = np.stack([cv2.resize(c * weight, size, interpolation=area) for c in colour])
    small = np.asarray(small / np.maximum(small_weight, 1e-6), np.float32)
    coarse = _pull_push(small, np.minimum(small_weight * 4, 1))
    grown = np.stack(
        [cv2.resize(c, (width, height), interpolation=cv2.INTER_LINEAR) for c in coarse]
    )
    return np.asarray(weight * colour + (1 - weight) * grown, np.float32)
