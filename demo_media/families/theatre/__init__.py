"""Theatre: layered puppets with normal maps before a pleated drape; arcs of hair; melted puffs.

One of the generators that keying is reported on and never tuned on.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families import KINDS, default_paint
from demo_media.families.scene import PAINTS, Scene, SceneFrame
from demo_media.families.shot import NOTHING, OFF_SCREEN, SEE_THROUGH, SHADOW
from demo_media.families.theatre.boards import Boards
from demo_media.families.theatre.house import auditorium
from demo_media.families.theatre.play import Play, perform

Image = NDArray[np.float32]

_HOT = ("highlights", "rim_hair", "gloss")


def make(kind: str, seed: int, primary: str, width: int, height: int, frames: int) -> Scene:
    """The noiseless frames of a shot: see `demo_media.families.family_shot` for the arguments."""
    paint = PAINTS[primary][default_paint("theatre", kind, seed, primary)]
    play = Play(kind, (4201, KINDS.index(kind), seed), primary, paint, width, height, frames)
    behind = auditorium(play.dice(20), width, height)
    scenes = tuple(_frame(play, number, behind) for number in range(frames))
    dim = float(play.dice(21).uniform(0.09, 0.18)) if kind == "low_light" else 1.0
    return Scene(scenes, over_range=kind in _HOT, exposure=dim)


def _frame(play: Play, number: int, behind: Image) -> SceneFrame:
    drape, other = play.drape.framed(play.camera(number, 1.0), play.width, play.height)
    boards = perform(play, number, drape)
    alpha, foreground, clean = boards.truth()
    solid = (boards.labels == SEE_THROUGH) & (alpha > 0.97)
    labels = np.where(solid, NOTHING, boards.labels)
    labels = np.where((other > 0.01) & (alpha < 0.995), OFF_SCREEN, labels)
    plate, empty = drape, None
    if play.kind == "contact_shadow":
        dark = _shadow_on_drape(play, boards)
        plate, empty = np.asarray(drape * (1 - dark), np.float32), drape
        labels = np.where((dark.max(axis=0) > 0.04) & (alpha < 0.5), SHADOW, labels)
    shine = np.ascontiguousarray(np.moveaxis(boards.shine, -1, 0))
    return SceneFrame(
        alpha=alpha,
        foreground=foreground,
        foreground_clean=clean,
        clean_plate=plate,
        background=behind,
        extra=shine if float(shine.max()) > 0 else None,
        labels=labels.astype(np.uint8),
        empty_plate=empty,
    )


def _shadow_on_drape(play: Play, boards: Boards) -> Image:
    """Share of the drape's light that is missing, (3, h, w): two lamps' shadows, one warm one cool.

    Each shadow is softer the higher up it is, as the drape hangs away from the puppet there.
    """
    dice, h, w = play.dice(22), play.height, play.width
    total = np.ones((3, h, w), np.float32)
    up = np.clip(1 - np.arange(h, dtype=np.float32)[:, None] / h, 0, 1)
    for beam, strength in zip(play.light.beams[:2], (0.5, 0.3), strict=True):
        reach = float(dice.uniform(0.04, 0.10)) * h
        shift = (-np.sign(beam.source[0]) * reach, 0.35 * reach)
        move = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], np.float64)
        cast = cv2.warpAffine(boards.own[..., 3], move, (w, h), borderMode=cv2.BORDER_REPLICATE)
        hard, soft = (cv2.GaussianBlur(cast, (0, 0), s * h) for s in (0.006, 0.03))
        shade = np.asarray(hard * (1 - up) + soft * up, np.float32)
        colour = np.asarray(beam.colour, np.float32)
        share = np.float32(strength) * colour / colour.max()
        total *= 1 - share[:, None, None] * shade
    return np.asarray(1 - total, np.float32)
