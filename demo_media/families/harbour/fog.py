"""Smoke and steam as densities carried by a flow, and light through them (Beer and Lambert)."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.harbour.lamps import Rig
from demo_media.families.harbour.layers import Pane
from demo_media.families.harbour.weather import Breeze, field

Image = NDArray[np.float32]

SEE_THROUGH = 3


@dataclass(frozen=True)
class Puffing:
    """A source: place (picture heights), half width, how fast it rises a frame, lean, density."""

    place: tuple[float, float]
    half_width: float
    rise: float
    lean: float
    density: float


class Plume:
    """A density on a grid of half the picture's lines, fed by sources and carried by a flow."""

    _STEPS_BEFORE = 46
    _PARTS = 3

    def __init__(
        self, rng: np.random.Generator, sources: list[Puffing], width: int, height: int, fine: float
    ) -> None:
        """`fine` is the size of the largest eddies in picture heights."""
        self.width, self.height = width, height
        self._w, self._h = width // 2, height // 2
        self._sources = sources
        self._flow = Breeze(rng, self._h, self._w, fine * self._h, 3.4)
        self._small = Breeze(rng, self._h, self._w, 0.3 * fine * self._h, 3.4)
        self._ragged = [field(rng, self._h, self._w, 0.06 * self._h, 2.4) for _ in range(2)]
        self._time = 0.0
        y, x = np.mgrid[0 : self._h, 0 : self._w].astype(np.float32)
        self._x, self._y = x, y
        self.density = np.zeros((self._h, self._w), np.float32)
        for _ in range(self._STEPS_BEFORE):
            self.step()

    def step(self) -> None:
        """Carry the density on by half a frame and feed it, in small parts."""
        for _ in range(self._PARTS):
            self._part(1 / self._PARTS)

    def _part(self, share: float) -> None:
        phase = 0.055 * self._time
        u, v = self._flow.at(phase)
        su, sv = self._small.at(2.3 * phase)
        first = self._sources[0]
        swirl = np.float32(0.62 * share * first.rise * self._h)
        drift = np.float32(share * first.lean * first.rise * self._h)
        across = swirl * (u + 0.55 * su) + drift
        down = swirl * (v + 0.55 * sv) - np.float32(share * first.rise * self._h)
        moved = cv2.remap(
            self.density,
            self._x - across,
            self._y - down,
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=0,
        )
        self.density = np.clip(np.asarray(moved, np.float32), 0, 6) * np.float32(0.978**share)
        turn = 0.35 * self._time
        ragged = np.cos(turn) * self._ragged[0] + np.sin(turn) * self._ragged[1]
        for source in self._sources:
            dx = (self._x / self._h - source.place[0]) / source.half_width
            dy = (self._y / self._h - source.place[1]) / (0.9 * source.half_width)
            puff = np.exp(-(dx * dx + dy * dy)) * np.clip(0.55 + 0.75 * ragged, 0, None)
            self.density += np.asarray(source.density * 0.5 * share * puff, np.float32)
        self._time += share

    def grown(self) -> Image:
        """Density at the picture's size."""
        size = (self.width, self.height)
        made = cv2.resize(self.density, size, interpolation=cv2.INTER_CUBIC)
        return np.asarray(np.clip(made, 0, None), np.float32)


def lit_fog(
    density: Image,
    rig: Rig,
    *,
    tone: tuple[float, float, float],
    thickest: float,
    forward: float,
) -> Pane:
    """Light through a density (h, w): alpha = 1 − exp(−depth), never above `thickest`.

    The key lamp is weakened on its way through the fog; `forward` is how strongly fog scatters
    the wall's light towards the camera.
    """
    limit = -np.log(1 - thickest)
    depth = limit * np.tanh(density / limit)
    alpha = np.asarray(1 - np.exp(-depth), np.float32)
    alpha = np.asarray(np.clip((alpha - 0.003) / 0.997, 0, thickest), np.float32)
    reach = np.exp(-0.42 * _way_of_light(density, rig))
    powder = 1 - 0.45 * np.exp(-2.5 * density)
    key = np.asarray(rig.lamps[0].colour, np.float32)[:, None, None]
    fill = np.asarray(rig.lamps[1].colour, np.float32) + np.asarray(rig.ambient, np.float32)
    shade = np.asarray(tone, np.float32)[:, None, None]
    own = shade * (0.62 * key * reach * powder + 0.55 * fill[:, None, None])
    wall = np.asarray(rig.wall, np.float32)[:, None, None]
    spill = shade * wall * np.float32(forward) * (0.35 + 0.65 * np.exp(-0.8 * density))
    return Pane(
        np.asarray(own * alpha, np.float32),
        np.asarray(spill * alpha, np.float32),
        alpha,
        None,
        SEE_THROUGH,
        0.02,
    )


def _way_of_light(density: Image, rig: Rig) -> Image:
    """How much fog the key lamp's light has crossed when it arrives, (h, w)."""
    height = density.shape[0]
    towards = np.asarray(rig.lamps[0].towards[:2], np.float32)
    shift = towards / max(float(np.hypot(*towards)), 1e-6) * height * 0.016
    way = np.zeros_like(density)
    soft = cv2.GaussianBlur(density, (0, 0), height / 180)
    for k in range(1, 7):
        matrix = np.array([[1, 0, k * shift[0]], [0, 1, k * shift[1]]], np.float64)
        way += cv2.warpAffine(
            soft,
            matrix,
            (density.shape[1], height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    return np.asarray(way, np.float32)
