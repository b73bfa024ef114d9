"""The two generators that keying is reported on: exact, deterministic, and what they claim."""

from __future__ import annotations

import ast
from functools import lru_cache
from importlib import import_module
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from demo_media.families import KINDS, PAINTS, Scene, SceneFrame, default_primary
from demo_media.families.harbour.layers import Pane, Stack
from demo_media.families.shot import GLOSS, NEAR_HUE, OFF_SCREEN, SEE_THROUGH, SHADOW
from demo_media.families.theatre.boards import Boards

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


@both
@pytest.mark.parametrize(
    "kind", ["hair", "motion_blur", "smoke", "steam", "spray", "moving_camera"]
)
def test_moving_kinds_move(family: str, kind: str) -> None:
    """Our own rule, no outside source."""
    one, two = made(family, kind).frames
    assert np.abs(one.alpha - two.alpha).max() > 0.1


@both
def test_some_kinds_hold_still(family: str) -> None:
    """Our own rule, no outside source: a locked-off shot must not move below the noise."""
    one, two = made(family, "contact_shadow").frames
    np.testing.assert_array_equal(one.alpha, two.alpha)


@both
def test_rim_hair_is_far_over_range(family: str) -> None:
    """Our own rule, no outside source: rim light of 4 and more on partly covered pixels."""
    scene = made(family, "rim_hair")
    frame = scene.frames[0]
    soft = (frame.alpha > 0.1) & (frame.alpha < 0.9)
    assert scene.over_range
    assert frame.foreground.max(axis=0)[frame.alpha > 0.02].max() > 4
    assert frame.foreground_clean.max(axis=0)[soft].max() > 3


@both
def test_highlights_are_over_range_and_added_light_is_there(family: str) -> None:
    """Our own rule, no outside source."""
    scene = made(family, "highlights")
    frame = scene.frames[0]
    assert scene.over_range
    assert frame.foreground.max() > 3
    assert frame.extra is not None
    assert frame.extra.max() > 0.02


@both
@pytest.mark.parametrize("kind", ["smoke", "steam", "veil", "spray", "glass"])
@pytest.mark.parametrize("seed", [1, 4])
def test_see_through_things_are_labelled_and_never_solid(family: str, kind: str, seed: int) -> None:
    """Our own rule, no outside source: the thick middle of what is seen through isn't solid."""
    frame = made(family, kind, seed=seed).frames[0]
    marked = labelled(frame, SEE_THROUGH)
    assert marked.mean() > 0.004
    assert frame.alpha[marked].max() <= 0.97
    assert frame.alpha[marked].max() > 0.3
    if kind in ("smoke", "steam"):
        beside = made_empty(family, kind, seed) < 0.01
        assert beside.mean() > 0.3
        assert frame.alpha[beside].max() <= 0.97


def made_empty(family: str, kind: str, seed: int) -> Image:
    """Alpha of the same shot without what is seen through: the subject alone, (h, w)."""
    primary = default_primary(family, kind, seed)
    paint = PAINTS[primary]["bright"]
    key = KINDS.index(kind)
    if family == "harbour":
        from demo_media.families.harbour.shoot import Shoot

        shoot = Shoot(kind, (seed, key, 7919), primary, paint, WIDTH, HEIGHT)
        return shoot.body.drawn(shoot.sway(0), WIDTH, HEIGHT).alpha
    from demo_media.families.theatre.play import Play, put_piece

    play = Play(kind, (4201, key, seed), primary, paint, WIDTH, HEIGHT, 2)
    boards = Boards(WIDTH, HEIGHT)
    stance = play.stance(0)
    parts = (play.puppet.body, play.puppet.head, *play.puppet.arms)
    for piece, name in zip(parts, ("body", "head", "left", "right"), strict=True):
        put_piece(boards, piece, [stance[name]], 0.0)
    return np.asarray(boards.own[..., 3])


@both
def test_smoke_takes_the_screen_s_light_by_the_same_share_as_alpha(family: str) -> None:
    """Source: Beer–Lambert law: the darker of two screens differs by (1 − alpha) through smoke."""
    make = import_module(f"demo_media.families.{family}").make
    frame = make("smoke", 2, "green", WIDTH, HEIGHT, 1).frames[0]
    light = light_of(frame)
    dimmed = frame.alpha * frame.foreground + (1 - frame.alpha) * 0.5 * frame.clean_plate
    lost = (light - dimmed)[1] / (0.5 * frame.clean_plate[1])
    np.testing.assert_allclose(lost, 1 - frame.alpha, atol=1e-4)


@both
def test_near_hue_costume_is_labelled_and_near_the_screen_s_hue(family: str) -> None:
    """Our own rule, no outside source: on green the screen's primary isn't the costume's least
    channel; on blue it is its largest."""
    for seed in (0, 1):
        frame = made(family, "near_hue", seed=seed).frames[0]
        marked = labelled(frame, NEAR_HUE) & (frame.alpha > 0.99)
        assert marked.mean() > 0.04
        red, green, blue = (float(np.median(c[marked])) for c in frame.foreground_clean)
        if default_primary(family, "near_hue", seed) == "green":
            assert green > min(red, blue)
            assert green > 0.8 * max(red, blue)
        else:
            assert blue > max(red, green)


@both
def test_gloss_throws_back_more_screen_light_than_cloth(family: str) -> None:
    """Our own rule, no outside source: spill as a share of the screen."""

    def share(kind: str, label: int | None) -> float:
        frame = made(family, kind).frames[0]
        where = frame.alpha > 0.99
        if label is not None:
            where &= labelled(frame, label)
            assert where.mean() > 0.05
        spill = (frame.foreground - frame.foreground_clean)[:, where].sum()
        return float(spill / where.sum() / frame.clean_plate.mean())

    assert share("gloss", GLOSS) > 2 * share("plain", None)


@both
def test_contact_shadow_darkens_the_screen_and_not_the_matte(family: str) -> None:
    """Our own rule, no outside source."""
    frame = made(family, "contact_shadow").frames[0]
    marked = labelled(frame, SHADOW) & (frame.alpha < 0.005)
    assert marked.mean() > 0.02
    assert frame.empty_plate is not None
    ratio = (frame.clean_plate / frame.empty_plate)[:, marked]
    assert ratio.max() < 1
    assert ratio.min() < 0.8
    assert (frame.clean_plate <= frame.empty_plate + 1e-6).all()


@both
def test_moving_camera_moves_the_screen_and_shows_its_end(family: str) -> None:
    """Our own rule, no outside source."""
    one, two = made(family, "moving_camera").frames
    assert np.abs(one.clean_plate - two.clean_plate).max() > 0.05
    off = labelled(one, OFF_SCREEN)
    assert 0.02 < off.mean() < 0.6
    k = {"green": 1, "blue": 2}[default_primary(family, "moving_camera", 1)]
    inside = ~off & (one.alpha < 0.005)
    assert np.median(one.clean_plate[k][off]) < 0.5 * np.median(one.clean_plate[k][inside])


@both
def test_dark_low_and_soft_kinds_are_so(family: str) -> None:
    """Our own rule, no outside source."""
    dark = made(family, "plain_dark").frames[0]
    solid = dark.alpha > 0.995
    assert np.median(dark.foreground_clean[:, solid]) < 0.06
    assert made(family, "low_light").exposure < 0.3

    def partly(kind: str) -> float:
        alpha = made(family, kind).frames[0].alpha
        return float(((alpha > 0.02) & (alpha < 0.98)).mean())

    assert partly("defocus") > partly("plain") * 1.5
    assert partly("motion_blur") > partly("plain")
    assert partly("hair_420") > partly("plain") * 1.5


@both
def test_foreground_varies_inside_hair(family: str) -> None:
    """Our own rule, no outside source: hair whose colour were one constant would flatter keyers."""
    frame = made(family, "hair").frames[0]
    soft = (frame.alpha > 0.2) & (frame.alpha < 0.9)
    green = frame.foreground_clean[1][soft]
    assert green.std() > 0.2 * green.mean()


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
