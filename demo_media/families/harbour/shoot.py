"""A harbour shot, frame by frame: what stands, hangs and flies before the wall in every kind."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.harbour import glassware, spray
from demo_media.families.harbour.blur import Swung, turned
from demo_media.families.harbour.crew import Hand, dress, stand, swinging_arm
from demo_media.families.harbour.fibre import fray_rope, grow_locks, painted
from demo_media.families.harbour.fog import Plume, Puffing, lit_fog
from demo_media.families.harbour.lamps import Rig, Sculpture, hang_lamps
from demo_media.families.harbour.layers import Pane, Stack, lens_disc
from demo_media.families.harbour.paintwork import Wall, roll_wall
from demo_media.families.harbour.weather import Breeze

Image = NDArray[np.float32]
Moves = NDArray[np.float64]
Colour = tuple[float, float, float]

HAIR = {
    "hair": ("dark", "auburn", "grey"),
    "blond_hair": ("blond",),
    "rim_hair": ("auburn", "dark"),
    "hair_420": ("dark", "blond", "auburn"),
    "moving_camera": ("auburn", "dark"),
    "defocus": ("auburn", "grey"),
    "contact_shadow": ("dark",),
    "low_light": ("auburn", "dark"),
}
_STILL = ("plain_dark", "defocus", "glass", "contact_shadow", "moving_camera")
_BARE = ("smoke", "steam", "spray", "veil", "rim_hair", "motion_blur")


@dataclass
class Shoot:
    """Everything of a shot that doesn't change from frame to frame."""

    kind: str
    key: tuple[int, ...]
    primary: str
    paint: Colour
    width: int
    height: int

    def rng(self, salt: int) -> np.random.Generator:
        """A fresh generator that is the same in every frame."""
        return np.random.default_rng([*self.key, salt])

    @cached_property
    def wall(self) -> Wall:
        moving = self.kind == "moving_camera"
        margin = int(0.16 * self.height) if moving else 2
        rng = self.rng(1)
        return roll_wall(rng, self.paint, self.width, self.height, margin=margin, border=moving)

    @cached_property
    def rig(self) -> Rig:
        rng = self.rng(2)
        bounce = rng.uniform(1.3, 1.8) if self.kind == "gloss" else rng.uniform(0.4, 0.9)
        rim = rng.uniform(2.0, 3.0) if self.kind == "rim_hair" else rng.uniform(0.3, 0.8)
        side = float(rng.choice((-1, 1)))
        return hang_lamps(rng, self.wall.mean, bounce=float(bounce), rim=float(rim), side=side)

    @cached_property
    def hand(self) -> Hand:
        rng = self.rng(3)
        wear = dress(rng, self.kind, self.primary)
        return stand(
            rng,
            wear,
            self.width / self.height,
            hat=self.kind not in HAIR,
            one_arm=self.kind == "motion_blur",
        )

    @cached_property
    def body(self) -> Sculpture:
        x = self.hand.head[0]
        box = (x - 0.5, 0.12, x + 0.5, 1.06)
        return Sculpture(self.hand.model, self.rig, self.key[0], self.height, box)

    @cached_property
    def gear(self) -> Sculpture | None:
        if self.kind in _BARE or not self.hand.gear.stuff:
            return None
        box = (0.0, 0.55, self.width / self.height, 1.04)
        return Sculpture(self.hand.gear, self.rig, self.key[0] + 1, self.height, box)

    @cached_property
    def breeze(self) -> Breeze:
        return Breeze(self.rng(4), self.height, self.width, 0.12 * self.height)

    @cached_property
    def arm(self) -> Swung:
        tall = 2 * self.height
        box = (-0.12, -0.1, 0.12, 0.82)
        model = swinging_arm(self.hand.wardrobe)
        sculpture = Sculpture(model, self.rig, self.key[0] + 2, tall, box, 2.0)
        return Swung(sculpture, (box[0] * tall, box[1] * tall))

    @cached_property
    def plume(self) -> Plume:
        rng = self.rng(5)
        steam = self.kind == "steam"
        x = self.hand.head[0]
        dense = float(rng.uniform(0.9, 2.2)) * (0.75 if steam else 1.0)
        sources = [
            Puffing(
                (x + side * float(rng.uniform(0.14, 0.4)), float(rng.uniform(0.75, 0.98))),
                float(rng.uniform(0.03, 0.05)) if steam else float(rng.uniform(0.04, 0.075)),
                0.022 if steam else 0.016,
                float(rng.uniform(-0.35, 0.35)),
                dense,
            )
            for side in (-1.0, 1.0)[: 1 + int(rng.integers(2))]
        ]
        return Plume(rng, sources, self.width, self.height, 0.18 if steam else 0.24)

    def sway(self, frame: int) -> Moves:
        """How the body stands in a frame: picture pixels to its place at rest."""
        rng = self.rng(6)
        size = 0.0 if self.kind in _STILL else float(rng.uniform(0.004, 0.012))
        angle = size * float(np.sin(0.7 * frame + rng.uniform(0, 6)))
        foot = np.array([self.hand.head[0] * self.height, 1.05 * self.height])
        c, s = np.cos(angle), np.sin(angle)
        spin = np.array([[c, s], [-s, c]])
        return np.hstack([spin, (foot - spin @ foot)[:, None]])

    def camera(self, frame: int, frames: int, nearness: float) -> Moves:
        """Picture pixels to where things lie with the camera at rest; near things move more."""
        if self.kind != "moving_camera":
            return np.eye(2, 3)
        rng = self.rng(7)
        step = frame - (frames - 1) / 2
        room = 0.10 * self.height / max((frames - 1) / 2, 1)
        pan = np.array([rng.choice((-1, 1)) * rng.uniform(0.5, 1), rng.uniform(-0.3, 0.3)])
        zoom = 1 + 0.004 * step * float(rng.choice((-1, 1)))
        roll = 0.002 * step
        turn = zoom * np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
        middle = np.array([self.width, self.height]) / 2
        shift = middle - turn @ middle + pan * room * step * nearness
        return np.hstack([turn, shift[:, None]])


def joined(first: Moves, then: Moves) -> Moves:
    """The map that applies `first`, then `then`."""
    whole = np.vstack([then, [0, 0, 1]]) @ np.vstack([first, [0, 0, 1]])
    return np.asarray(whole[:2], np.float64)


def fill_stack(shoot: Shoot, frame: int, frames: int, wall: Image) -> Stack:
    """Everything before the wall in one frame."""
    w, h, kind = shoot.width, shoot.height, shoot.kind
    stack = Stack(w, h)
    camera = shoot.camera(frame, frames, 1.25)
    if shoot.gear is not None:
        stack.put(shoot.gear.drawn(camera, w, h))
    pose = joined(camera, shoot.sway(frame))
    body = shoot.body.drawn(pose, w, h)
    hair = _hair(shoot, frame, pose) if kind in HAIR else None
    if hair is not None:
        shadow = cv2.GaussianBlur(np.roll(hair.alpha, int(h / 60), axis=0), (0, 0), h / 90)
        body.own *= 1 - 0.45 * shadow
        body.spill *= 1 - 0.45 * shadow
    stack.put(body)
    if hair is not None:
        stack.put(hair)
    for pane in _special(shoot, frame, wall):
        stack.put(pane)
    if kind == "defocus":
        radius = float(shoot.rng(8).uniform(3.5, 7.0)) * h / 360
        stack.blurred(lens_disc(radius))
    return stack


def _hair(shoot: Shoot, frame: int, pose: Moves) -> Pane:
    rng, h = shoot.rng(9), shoot.height
    turn = np.linalg.inv(np.vstack([pose, [0, 0, 1]]))
    head = turn @ np.array([shoot.hand.head[0] * h, shoot.hand.head[1] * h, 1])
    dyes = HAIR[shoot.kind]
    dye = dyes[int(rng.integers(len(dyes)))]
    thin = shoot.kind == "hair_420"
    still = shoot.kind in _STILL
    fibres = grow_locks(
        rng,
        shoot.breeze,
        0.0 if still else 0.16 * frame,
        shoot.rig,
        (float(head[0]), float(head[1])),
        shoot.hand.head_radius * h,
        dye=dye,
        locks=int(rng.integers(45, 80)),
        each=20 if thin else int(rng.integers(10, 16)),
        length=h * float(rng.uniform(0.2, 0.34)),
        fine=h / 360 * (0.55 if thin else float(rng.uniform(0.85, 1.15))),
        rim=float(rng.uniform(7, 11)) if shoot.kind == "rim_hair" else 0.0,
    )
    return painted(fibres, shoot.width, h)


def _special(shoot: Shoot, frame: int, wall: Image) -> list[Pane]:
    """What is hard in this kind of shot, back to front."""
    w, h, kind = shoot.width, shoot.height, shoot.kind
    if kind == "motion_blur":
        return [_swing(shoot, frame)]
    if kind == "glass":
        return _glasses(shoot, wall)
    if kind == "veil":
        rng = shoot.rng(10)
        flow = shoot.breeze.at(0.0)
        return glassware.net_panes(rng, shoot.rig, flow, float(frame), 0.075 * h)
    if kind == "spray":
        rng = shoot.rng(11)
        side = float(rng.choice((-1, 1)))
        source = ((shoot.hand.head[0] + side * rng.uniform(0.2, 0.45)) * h, 0.98 * h)
        return spray.splash(rng, shoot.rig, source, float(frame), w, h)
    if kind in ("smoke", "steam"):
        if frame:
            shoot.plume.step()
            shoot.plume.step()
        tone = (0.60, 0.60, 0.62) if kind == "smoke" else (0.86, 0.87, 0.88)
        thick = 0.93 if kind == "smoke" else 0.85
        return [lit_fog(shoot.plume.grown(), shoot.rig, tone=tone, thickest=thick, forward=0.35)]
    if kind == "highlights":
        return _hot(shoot, frame)
    if kind in ("hair", "hair_420", "blond_hair", "defocus"):
        return [_rope(shoot, frame)]
    return []


def _swing(shoot: Shoot, frame: int) -> Pane:
    rng, h = shoot.rng(12), shoot.height
    start, speed = rng.uniform(-2.6, -1.4), rng.uniform(0.16, 0.30) * rng.choice((-1, 1))
    pivot = (shoot.hand.shoulder[0] * h, shoot.hand.shoulder[1] * h)
    sweep = abs(0.5 * speed) * 0.75 * h
    count = int(np.clip(np.ceil(sweep), 24, 96))

    def pose(t: float) -> Moves:
        return turned(start + speed * (frame + 0.5 * t), pivot)

    moments = (np.arange(count) + 0.5) / count
    return shoot.arm.seen(pose, moments, shoot.width, h)


def _glasses(shoot: Shoot, wall: Image) -> list[Pane]:
    rng, h = shoot.rng(13), shoot.height
    panes = []
    for side in (-1.0, 1.0):
        bottle = bool(rng.integers(2))
        x = (shoot.hand.head[0] + side * rng.uniform(0.36, 0.52)) * h
        x = float(np.clip(x, 0.15 * h, shoot.width - 0.15 * h))
        size = h * (rng.uniform(0.55, 0.75) if bottle else rng.uniform(0.12, 0.17))
        y = h * (0.98 if bottle else rng.uniform(0.25, 0.5))
        tint = glassware.TINTS[int(rng.integers(len(glassware.TINTS)))]
        if not bottle:
            line = np.array([[x, -5.0], [x + 2, y - 0.5 * size], [x, y - 0.9 * size]])
            rope = fray_rope(rng, shoot.breeze, 0.0, shoot.rig, line, 0.016 * h)
            panes.append(painted(rope, shoot.width, h))
        panes.append(
            glassware.glass(rng, shoot.rig, wall, (x, y), float(size), tint, bottle=bottle)
        )
    return panes


def _hot(shoot: Shoot, frame: int) -> list[Pane]:
    rng, w, h = shoot.rng(14), shoot.width, shoot.height
    side = float(rng.choice((-1, 1)))
    x = shoot.hand.head[0]
    fish = ((x + side * rng.uniform(0.34, 0.44)) * h, 0.46 * h)
    lamp = ((x - side * rng.uniform(0.34, 0.44)) * h, h * rng.uniform(0.22, 0.4))
    return [
        spray.scales(rng, shoot.rig, fish, 0.22 * h, w, h, float(frame)),
        spray.lantern(rng, lamp, 0.09 * h, w, h),
        spray.sparks(rng, ((x + 0.16) * h, 0.62 * h), float(frame), w, h),
    ]


def _rope(shoot: Shoot, frame: int) -> Pane:
    rng, h = shoot.rng(15), shoot.height
    x = (shoot.hand.head[0] + float(rng.choice((-1, 1))) * rng.uniform(0.5, 0.62)) * h
    phase = 0.0 if shoot.kind in _STILL else 0.12 * frame
    bend = 0.02 * h * np.sin(3 * phase + rng.uniform(0, 6))
    line = np.array(
        [[x, -0.02 * h], [x + bend, 0.25 * h], [x + 2 * bend, rng.uniform(0.4, 0.7) * h]]
    )
    size = h * float(rng.uniform(0.018, 0.028))
    return painted(fray_rope(rng, shoot.breeze, phase, shoot.rig, line, size), shoot.width, h)
