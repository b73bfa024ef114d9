"""The two generators that keying is reported on: exact, deterministic, unlike each other."""

from __future__ import annotations

import ast
from functools import lru_cache
from importlib import import_module
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from demo_media.families import KINDS, Scene, SceneFrame, default_primary
from demo_media.families.harbour.fibre import Fibres, painted
from demo_media.families.harbour.layers import Pane, Stack, coverage
from demo_media.families.shot import OFF_SCREEN, SEE_THROUGH
from demo_media.families.theatre.boards import Boards
from demo_media.families.theatre.gels import cover_of
from demo_media.families.theatre.plumage import Ribbons, ribbon_layer

Image = NDArray[np.float32]

FAMILIES = ("harbour", "theatre")
WIDTH, HEIGHT = 160, 90
ROOT = Path(__file__).parents[2] / "demo_media" / "families"

both = pytest.mark.parametrize("family", FAMILIES)


@lru_cache(maxsize=64)
def made(family: str, kind: str, seed: int = 1, frames: int = 2) -> Scene:
    make = import_module(f"demo_media.families.{family}").make
    scene: Scene = make(kind, seed, default_primary(family, kind, seed), WIDTH, HEIGHT, frames)
    return scene


def light_of(frame: SceneFrame) -> Image:
    mix = frame.alpha * frame.foreground + (1 - frame.alpha) * frame.clean_plate
    return mix if frame.extra is None else mix + frame.extra


def labelled(frame: SceneFrame, label: int) -> NDArray[np.bool_]:
    assert frame.labels is not None
    return np.asarray(frame.labels == label)


def test_coverage_is_the_shapes_area() -> None:
    """Source: geometry: a disc's area is pi r², a straight fibre's its length times its width.

    Outlines filled by an integer rasteriser include their border samples, a sixteenth of a pixel
    on either side: what was painted is the truth, this bounds how much larger it is.
    """
    radius, centre = 20.3, (40.2, 44.7)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32) + 0.5
    distance = np.asarray(np.hypot(x - centre[0], y - centre[1]) - radius, np.float32)
    marched = coverage(distance, np.eye(2, 3), WIDTH, HEIGHT)
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    ring = np.stack([np.cos(turn), np.sin(turn)], 1) * radius + np.asarray(centre)
    filled = cover_of([ring], WIDTH, HEIGHT)
    assert marched.sum() == pytest.approx(np.pi * radius**2, rel=2e-3)
    assert 1 <= filled.sum() / (np.pi * radius**2) < (1 + 1 / 14 / radius) ** 2
    for cover in (marched, filled):
        middle = ((cover * x).sum() / cover.sum(), (cover * y).sum() / cover.sum())
        np.testing.assert_allclose(middle, centre, atol=0.02)


@pytest.mark.parametrize("wide", [0.5, 1.0, 3.0])
def test_a_fibre_covers_its_length_times_its_width(wide: float) -> None:
    """Source: geometry; an eighth of a pixel wider at most, as samples at its border count."""
    steps, long = 40, float(np.hypot(10, 50))
    x, y = np.linspace(20, 30, steps)[None, :], np.linspace(20, 70, steps)[None, :]
    width, none = np.full((1, steps), wide), np.zeros((3, 1, steps), np.float32)
    marks = Fibres(*(v.astype(np.float32) for v in (x, y, width)), none, none)
    flat = np.zeros((1, steps, 3))
    quads = ribbon_layer(Ribbons(x, y, width, flat, flat), WIDTH, HEIGHT)[0][..., 3]
    for cover in (painted(marks, WIDTH, HEIGHT).alpha, quads):
        assert long * wide <= cover.sum() < (long + 1) * (wide + 0.15)
        assert cover.max() <= 1


@both
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_whole(family: str, kind: str) -> None:
    """Our own rule, no outside source: shapes, ranges and types that the cameras rely on."""
    scene = made(family, kind)
    assert len(scene.frames) == 2
    for frame in scene.frames:
        assert frame.alpha.shape == (HEIGHT, WIDTH)
        assert frame.alpha.dtype == np.float32
        assert frame.alpha.min() >= 0
        assert frame.alpha.max() <= 1
        assert frame.alpha.max() > 0.99
        assert frame.alpha.min() < 0.1
        pictures = (frame.foreground, frame.foreground_clean, frame.clean_plate, frame.background)
        for picture in pictures:
            assert picture.shape == (3, HEIGHT, WIDTH)
            assert picture.dtype == np.float32
            assert np.isfinite(picture).all()
            assert picture.min() > -1e-5
        if frame.extra is not None:
            assert frame.extra.shape == (3, HEIGHT, WIDTH)
            assert frame.extra.min() >= 0
        assert frame.labels is not None
        assert frame.labels.dtype == np.uint8
        assert frame.labels.max() <= OFF_SCREEN


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "defocus"])
def test_harbour_light_is_what_painting_over_the_wall_gives(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: Porter & Duff 1984, "over" is associative: layers painted one by one over the screen
    give alpha·foreground + (1 − alpha)·screen + extra of the whole."""
    panes: list[Pane] = []
    put = Stack.put

    def noted(self: Stack, pane: Pane) -> None:
        panes.append(pane)
        put(self, pane)

    monkeypatch.setattr(Stack, "put", noted)
    frame = (
        import_module("demo_media.families.harbour")
        .make(kind, 3, "green", WIDTH, HEIGHT, 1)
        .frames[0]
    )
    picture = frame.clean_plate
    for pane in panes:
        picture = pane.own + pane.spill + (1 - pane.alpha) * picture
        if pane.glow is not None:
            picture = picture + pane.glow
    np.testing.assert_allclose(light_of(frame), picture, atol=5e-4, rtol=1e-4)


@pytest.mark.parametrize("kind", [k for k in KINDS if k not in ("defocus", "gloss")])
def test_theatre_light_is_what_painting_over_the_drape_gives(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: Porter & Duff 1984, "over" is associative. Shadows between layers are put in by
    repeating what the boards do to the light that lies below."""
    plate = {"picture": np.zeros((HEIGHT, WIDTH, 3), np.float32)}
    frame_of = import_module("demo_media.families.theatre").make
    truth = frame_of(kind, 3, "blue", WIDTH, HEIGHT, 1).frames[0]
    plate["picture"] = np.moveaxis(truth.clean_plate, 0, -1).copy()
    add = Boards.add

    def noted(self: Boards, own: Image, spill: Image, **more: object) -> None:
        before = self.own[..., :3] + self.spill
        alone = Boards(self.width, self.height)
        add(alone, own, spill, **more)  # type: ignore[arg-type]
        add(self, own, spill, **more)  # type: ignore[arg-type]
        through = 1 - alone.own[..., 3:]
        dimmed = self.own[..., :3] + self.spill - alone.own[..., :3] - alone.spill
        lost = through * before - dimmed  # what the layer's shadow took from the cast below
        plate["picture"] = (
            alone.own[..., :3] + alone.spill + alone.shine + through * plate["picture"] - lost
        )

    monkeypatch.setattr(Boards, "add", noted)
    frame_of(kind, 3, "blue", WIDTH, HEIGHT, 1)
    painted = np.moveaxis(plate["picture"], -1, 0)
    np.testing.assert_allclose(light_of(truth), painted, atol=5e-4, rtol=1e-3)


@both
@pytest.mark.parametrize("kind", ["hair", "smoke", "spray", "moving_camera"])
def test_same_seed_same_light_and_other_seed_other_light(family: str, kind: str) -> None:
    """Our own rule, no outside source: a shot is decided by its arguments."""
    first = made(family, kind)
    made.cache_clear()
    again, other = made(family, kind), made(family, kind, seed=101)
    for one, two in zip(first.frames, again.frames, strict=True):
        np.testing.assert_array_equal(light_of(one), light_of(two))
        np.testing.assert_array_equal(one.alpha, two.alpha)
    assert np.abs(light_of(first.frames[0]) - light_of(other.frames[0])).max() > 0.05


def test_screens_fall_off_between_a_fifth_and_two_stops() -> None:
    """Our own rule, no outside source: both families light their screens evenly and badly."""
    for family in FAMILIES:
        stops = []
        for seed in range(8):
            plate = made(family, "plain", seed=seed, frames=1).frames[0].clean_plate
            broad = cv2.GaussianBlur(plate.sum(axis=0), (0, 0), 6)
            stops.append(float(np.log2(broad.max() / broad.min())))
        assert min(stops) > 0.1
        assert max(stops) < 2.5
        assert max(stops) - min(stops) > 0.4


def test_the_families_differ_in_their_statistics() -> None:
    """Our own rule, no outside source: cloth is rougher than a rolled wall, and puffs of stage
    smoke are denser than carried smoke, over several seeds."""

    def roughness(family: str, seed: int) -> float:
        plate = made(family, "plain", seed=seed, frames=1).frames[0].clean_plate[1]
        return float((plate / cv2.GaussianBlur(plate, (0, 0), 4)).std())

    def thickness(family: str, seed: int) -> float:
        frame = made(family, "smoke", seed=seed, frames=1).frames[0]
        smoke = labelled(frame, SEE_THROUGH) & (frame.alpha > 0.05) & (frame.alpha < 0.98)
        return float(np.median(frame.alpha[smoke]))

    wall = [roughness("harbour", s) for s in range(6)]
    drape = [roughness("theatre", s) for s in range(6)]
    assert np.median(drape) > 1.5 * np.median(wall)
    carried = [thickness("harbour", s) for s in range(4)]
    puffs = [thickness("theatre", s) for s in range(4)]
    assert np.median(puffs) > np.median(carried)


@both
def test_families_stand_alone(family: str) -> None:
    """Our own rule, no outside source: what is reported on shares no generator with what we tune
    on, nor with the other family; only the description of a shot is common."""
    shared = ("demo_media.families", "demo_media.families.scene", "demo_media.families.shot")
    seen = set()
    for path in (ROOT / family).glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module:
                assert node.level == 0
                seen.add(node.module)
            elif isinstance(node, ast.Import):
                seen |= {alias.name for alias in node.names}
    own = f"demo_media.families.{family}"
    ours = {m for m in seen if m.split(".")[0] in ("demo_media", "kernels", "server")}
    assert ours
    assert all(m in shared or m == own or m.startswith(own + ".") for m in ours), ours
