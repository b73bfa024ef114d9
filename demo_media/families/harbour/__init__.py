"""Harbour: solids marched by distance before a rolled wall; curl-noise fibres; carried fog.

One of the generators that keying is reported on and never tuned on.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families import KINDS, default_paint
from demo_media.families.harbour.layers import Stack
from demo_media.families.harbour.shoot import Shoot, fill_stack
from demo_media.families.harbour.views import quay
from demo_media.families.scene import PAINTS, Scene, SceneFrame
from demo_media.families.shot import NOTHING, OFF_SCREEN, SEE_THROUGH, SHADOW

Image = NDArray[np.float32]


def make(kind: str, seed: int, primary: str, width: int, height: int, frames: int) -> Scene:
    """The noiseless frames of a shot: see `demo_media.families.family_shot` for the arguments."""
    paint = PAINTS[primary][default_paint("harbour", kind, seed, primary)]
    shoot = Shoot(kind, (seed, KINDS.index(kind), 7919), primary, paint, width, height)
    background = quay(shoot.rng(20), width, height)
    made = tuple(_frame(shoot, n, frames, background) for n in range(frames))
    dim = float(shoot.rng(21).uniform(0.10, 0.2)) if kind == "low_light" else 1.0
    return Scene(made, over_range=kind in ("highlights", "rim_hair", "gloss"), exposure=dim)


def _frame(shoot: Shoot, number: int, frames: int, background: Image) -> SceneFrame:
    view = shoot.camera(number, frames, 1.0)
    wall, off = shoot.wall.seen(view, shoot.width, shoot.height)
    stack = fill_stack(shoot, number, frames, wall)
    alpha, foreground, clean = stack.straight()
    solid = (stack.labels == SEE_THROUGH) & (alpha > 0.97)
    labels = np.where(solid, NOTHING, stack.labels)
    labels = np.where((off > 0.01) & (alpha < 0.995), OFF_SCREEN, labels).astype(np.uint8)
    empty = None
    plate = wall
    if shoot.kind == "contact_shadow":
        share = _cast(shoot, stack)
        empty = wall
        tint = np.asarray((1.0, 0.96, 0.90), np.float32)[:, None, None]
        plate = np.asarray(wall * (1 - share * tint), np.float32)
        labels = np.where((share > 0.04) & (alpha < 0.5), SHADOW, labels).astype(np.uint8)
    return SceneFrame(
        alpha=alpha,
        foreground=foreground,
        foreground_clean=clean,
        clean_plate=plate,
        background=background,
        extra=stack.glow if float(stack.glow.max()) > 0 else None,
        labels=labels,
        empty_plate=empty,
    )


def _cast(shoot: Shoot, stack: Stack) -> Image:
    """Share of the wall's light that the subject holds off, (h, w): a near and a wide shadow."""
    rng, h = shoot.rng(22), shoot.height
    side = -float(np.sign(shoot.rig.lamps[0].towards[0]))
    total = np.zeros_like(stack.alpha)
    for distance, soft, dark in ((0.07, 0.012, 0.42), (-0.05, 0.05, 0.2)):
        across = side * distance * h * float(rng.uniform(0.8, 1.3))
        move = np.array([[1, 0, across], [0, 1, abs(0.5 * distance) * h]], np.float64)
        size = (shoot.width, h)
        moved = cv2.warpAffine(stack.alpha, move, size, borderMode=cv2.BORDER_REPLICATE)
        blurred = np.asarray(cv2.GaussianBlur(moved, (0, 0), soft * h), np.float32)
        total = 1 - (1 - total) * (1 - np.float32(dark) * blurred)
    return np.asarray(total, np.float32)
