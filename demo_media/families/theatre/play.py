"""A theatre shot, frame by frame: the puppet before the drape and what each kind adds to it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from demo_media.families.theatre import gels, glitter, mists
from demo_media.families.theatre.boards import Boards, iris
from demo_media.families.theatre.cast import Puppet, assemble
from demo_media.families.theatre.drapes import Drape, hang_drape
from demo_media.families.theatre.limelight import Limelight, Vector, raise_lamps
from demo_media.families.theatre.pieces import Piece
from demo_media.families.theatre.plumage import Ribbons, feathers, ribbon_layer, wig

Image = NDArray[np.float32]
Moves = NDArray[np.float64]
Spot = tuple[float, float]

SEE_THROUGH = 3
WIGGED = {
    "hair": ("raven", "copper", "chestnut", "powder"),
    "blond_hair": ("straw",),
    "rim_hair": ("chestnut", "copper"),
    "hair_420": ("chestnut", "straw", "copper"),
    "moving_camera": ("copper", "powder"),
    "defocus": ("chestnut", "raven"),
    "low_light": ("copper", "raven"),
    "veil": ("chestnut", "raven"),
}
_STILL = ("plain", "glass", "contact_shadow", "low_light", "highlights")
_PLUMED = ("hair", "hair_420", "blond_hair", "moving_camera", "defocus")


def about(pivot: Spot, angle: float) -> Moves:
    """Where a point of the picture was before a turn by `angle` (clockwise) about `pivot`."""
    c, s = float(np.cos(angle)), float(np.sin(angle))
    back = np.array([[c, s], [-s, c]])
    at = np.asarray(pivot)
    return np.hstack([back, (at - back @ at)[:, None]])


def then(first: Moves, second: Moves) -> Moves:
    """The map that applies `first` and afterwards `second`."""
    last = np.array([[0.0, 0.0, 1.0]])
    return np.asarray((np.vstack([second, last]) @ np.vstack([first, last]))[:2])


def carried(spot: Spot, move: Moves) -> Spot:
    """Where a place at rest is in the picture that `move` maps to rest."""
    x, y = np.linalg.solve(move[:, :2], np.asarray(spot) - move[:, 2])
    return float(x), float(y)


@dataclass
class Play:
    """What a shot keeps from frame to frame."""

    kind: str
    key: tuple[int, ...]
    primary: str
    paint: Vector
    width: int
    height: int
    frames: int

    def dice(self, part: int) -> np.random.Generator:
        """A generator for one part of the shot, the same in every frame."""
        return np.random.default_rng([*self.key, part])

    @cached_property
    def drape(self) -> Drape:
        roving = self.kind == "moving_camera"
        margin = int(0.2 * self.height) if roving else 1
        return hang_drape(
            self.dice(1), self.paint, self.width, self.height, margin=margin, wings=roving
        )

    @cached_property
    def light(self) -> Limelight:
        return raise_lamps(self.dice(2), self.drape.mean, heavy=self.kind == "gloss")

    @cached_property
    def puppet(self) -> Puppet:
        return assemble(
            self.dice(3),
            self.kind,
            self.primary,
            self.light,
            self.width,
            self.height,
            hat=self.kind not in WIGGED,
        )

    def camera(self, frame: int, near: float) -> Moves:
        """The moving camera's view: picture to the stage at rest, `near` things moving more."""
        if self.kind != "moving_camera":
            return np.eye(2, 3)
        dice = self.dice(4)
        at = frame - (self.frames - 1) / 2
        room = 0.12 * self.height / max((self.frames - 1) / 2, 1)
        track = float(dice.choice((-1, 1))) * float(dice.uniform(0.6, 1)) * room
        rise = float(dice.uniform(-0.4, 0.2)) * room
        push = 1 - 0.006 * at
        move = about((self.width / 2, self.height / 2), -0.003 * at)
        move[:, :2] *= push
        middle = np.array([self.width, self.height]) / 2
        move[:, 2] = middle - move[:, :2] @ middle + np.array([track, rise]) * at * near
        return move

    def stance(self, frame: int) -> dict[str, Moves]:
        """Picture to rest of body, head and arms in a frame."""
        dice = self.dice(5)
        lively = 0.0 if self.kind in _STILL else 1.0
        beat = 0.55 * frame + dice.uniform(0, 6)
        lean = lively * dice.uniform(0.006, 0.018) * np.sin(beat)
        puppet = self.puppet
        body = then(self.camera(frame, 1.3), about(puppet.foot, float(lean)))
        nod = lively * dice.uniform(0.02, 0.05) * np.sin(1.3 * beat + 1)
        parts = {"body": body, "head": then(body, about(puppet.neck, float(nod)))}
        for name, side, pivot in zip(("left", "right"), (1, -1), puppet.shoulders, strict=True):
            lifted = side * dice.uniform(0.1, 1.1) + lively * 0.06 * np.sin(beat + side)
            parts[name] = then(body, about(pivot, float(lifted)))
        return parts


def put_piece(boards: Boards, piece: Piece, moves: list[Moves], shadow: float) -> None:
    """Lay a moved piece on the boards with its labels."""
    own, spill = piece.seen(moves, boards.width, boards.height)
    mark = spill[..., 3] / np.maximum(own[..., 3], 1e-3)
    wanted = 2 if float(piece.spill[..., 3].max()) > 1.5 else 1
    label = np.where(mark > 0.5 * wanted, wanted, 0).astype(np.uint8)
    boards.add(own, np.ascontiguousarray(spill[..., :3]), label=label, shadow=shadow)


def perform(play: Play, frame: int, screen: Image) -> Boards:
    """Everything before the drape in one frame."""
    w, h, kind = play.width, play.height, play.kind
    boards = Boards(w, h)
    if kind == "highlights":
        own, spill, shine = glitter.bulb_string(play.dice(6), w, h, float(frame))
        boards.add(own, spill, shine=shine)
    stance = play.stance(frame)
    put_piece(boards, play.puppet.body, [stance["body"]], 0.0)
    if kind == "highlights":
        robe, _ = play.puppet.body.seen([stance["body"]], w, h)
        boards.add(*glitter.sequins(play.dice(7), play.light, robe, float(frame), h / 52), label=2)
    for name, piece in zip(("left", "right"), play.puppet.arms, strict=True):
        moves = [stance[name]]
        if kind == "motion_blur":
            moves = _waved(play, frame, name)
        put_piece(boards, piece, moves, 0.4)
    put_piece(boards, play.puppet.head, [stance["head"]], 0.45)
    if kind in WIGGED:
        boards.add(*_hair(play, frame, carried(play.puppet.face, stance["head"])), shadow=0.4)
    _special(play, frame, screen, boards, stance)
    if kind == "defocus":
        boards.soften(iris(float(play.dice(8).uniform(4.0, 7.5)) * h / 360))
    return boards


def _waved(play: Play, frame: int, name: str) -> list[Moves]:
    """Moments of an arm thrown up and down: the shutter is open for half a frame."""
    dice = play.dice(9)
    side = 1 if name == "left" else -1
    pivot = play.puppet.shoulders[0 if side > 0 else 1]
    middle, reach = dice.uniform(1.3, 1.9), dice.uniform(0.5, 0.8)
    speed, start = dice.uniform(0.5, 0.8), dice.uniform(0, 6)
    moments = frame + (np.arange(28) + 0.5) / 28 * 0.5
    lifts = side * (middle + reach * np.sin(speed * moments + start + 1.5 * (side > 0)))
    return [about(pivot, float(lift)) for lift in lifts]


def _hair(play: Play, frame: int, face: Spot) -> tuple[Image, Image]:
    dice, h = play.dice(10), play.height
    dyes = WIGGED[play.kind]
    thin = play.kind == "hair_420"
    style = ("frizz", "fall", "crest")[int(dice.integers(3))]
    swing = 0.0 if play.kind in _STILL else 0.10 * float(np.sin(0.7 * frame + dice.uniform(0, 6)))
    ribbons: Ribbons = wig(
        dice,
        play.light,
        face,
        play.puppet.face_size,
        dye=dyes[int(dice.integers(len(dyes)))],
        style=style,
        count=int(dice.integers(900, 1500)) * (3 if thin else 2) // 2,
        fine=h / 360 * (0.5 if thin else float(dice.uniform(0.8, 1.1))),
        swing=swing,
        rim=float(dice.uniform(5.0, 8.0)) if play.kind == "rim_hair" else 0.0,
    )
    return ribbon_layer(ribbons, play.width, h)


def _special(
    play: Play, frame: int, screen: Image, boards: Boards, stance: dict[str, Moves]
) -> None:
    w, h, kind, light = play.width, play.height, play.kind, play.light
    if kind in _PLUMED:
        dice = play.dice(11)
        name = ("left", "right")[int(dice.integers(2))]
        hand = carried(play.puppet.hands[0 if name == "left" else 1], stance[name])
        dye = ("copper", "powder", "raven", "straw")[int(dice.integers(4))]
        swing = 0.12 * float(np.sin(0.6 * frame))
        length, fine = 0.38 * h, 0.9 * h / 360
        plume = feathers(dice, light, hand, length, dye=dye, swing=swing, fine=fine)
        boards.add(*ribbon_layer(plume, w, h), shadow=0.3)
    elif kind == "motion_blur":
        dice = play.dice(12)
        x, y = play.puppet.foot
        hands = ((x - 0.3 * h, y - 0.45 * h), (x + 0.3 * h, y - 0.45 * h))
        boards.add(*glitter.flying_balls(dice, light, hands, frame, w, h))
    elif kind in ("smoke", "steam", "spray"):
        _air(play, frame, screen, boards)
    elif kind == "glass":
        dice = play.dice(13)
        x, y = play.puppet.foot
        side = float(dice.choice((-1, 1)))
        hinge = (x + side * 0.46 * h, 0.98 * h)
        aim = -np.pi / 2 + side * float(dice.uniform(-0.1, 0.25))
        layers = gels.leaded_fan(dice, light, screen, hinge, 0.52 * h, aim)
        foot = (x - side * float(dice.uniform(0.42, 0.55)) * h, 0.97 * h)
        layers += gels.goblet(dice, light, screen, foot, float(dice.uniform(0.4, 0.55)) * h)
        for k, (own, spill, shine) in enumerate(layers):
            solid = k == len(layers) - 2
            label = 0 if solid else SEE_THROUGH
            boards.add(own, spill, shine=shine, label=label, marks_from=0.5 if solid else 0.05)
    elif kind == "veil":
        crown = carried(
            (play.puppet.face[0], play.puppet.face[1] - 1.08 * play.puppet.face_size[1]),
            stance["head"],
        )
        size = (0.62 * h, h * 1.05 - crown[1])
        own, spill = gels.tulle(play.dice(14), light, crown, size, 0.5 * frame, w, h)
        boards.add(own, spill, label=SEE_THROUGH, marks_from=0.04)


def _air(play: Play, frame: int, screen: Image, boards: Boards) -> None:
    """Smoke from the stage's floor, steam from a kettle's place, or an atomiser's spray."""
    dice, w, h, light = play.dice(15), play.width, play.height, play.light
    x = play.puppet.foot[0]
    side = float(dice.choice((-1, 1)))
    nozzle = (x + side * float(dice.uniform(0.5, 0.62)) * h, h * float(dice.uniform(0.5, 0.75)))
    aim = -np.pi / 2 - side * float(dice.uniform(0.5, 1.0))
    if play.kind == "smoke":
        clouds = [
            mists.Cloud((x + s * h, 1.0 * h), 0.014 * h, d * h, 52, 0.062 * h, 1.2)
            for s, d in ((side * 0.42, -side * 0.002), (-side * 0.5, side * 0.004))
        ]
        tone, thickest, ragged = (0.60, 0.58, 0.60), 0.94, 0.55
    elif play.kind == "steam":
        place = (x + side * float(dice.uniform(0.3, 0.45)) * h, 0.95 * h)
        clouds = [mists.Cloud(place, 0.02 * h, -side * 0.003 * h, 110, 0.028 * h, 0.7)]
        tone, thickest, ragged = (0.85, 0.86, 0.88), 0.85, 0.8
    else:
        ahead = (nozzle[0] - side * 0.03 * h, nozzle[1])
        push = float(np.cos(aim)) * 0.012 * h
        lift = -float(np.sin(aim)) * 0.010 * h
        clouds = [mists.Cloud(ahead, lift, push, 90, 0.048 * h, 0.42)]
        tone, thickest, ragged = (0.70, 0.70, 0.70), 0.8, 0.5
    own, spill = mists.stage_smoke(
        dice, light, clouds, float(frame), w, h, tone=tone, thickest=thickest, ragged=ragged
    )
    boards.add(own, spill, label=SEE_THROUGH, marks_from=0.02)
    if play.kind == "spray":
        own, spill, shine = mists.lens_drops(
            play.dice(16), light, screen, nozzle, aim, float(frame), w, h
        )
        boards.add(own, spill, shine=shine, label=SEE_THROUGH, marks_from=0.08)
