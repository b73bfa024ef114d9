"""Each kind of the two reporting generators shows what it claims to show."""

from __future__ import annotations

from importlib import import_module

import numpy as np
import pytest
from numpy.typing import NDArray

from demo_media.families import KINDS, PAINTS, default_primary
from demo_media.families.harbour.shoot import Shoot
from demo_media.families.shot import GLOSS, NEAR_HUE, OFF_SCREEN, SEE_THROUGH, SHADOW
from demo_media.families.theatre.boards import Boards
from demo_media.families.theatre.play import Play, put_piece
from tests.demo_media.test_families_reporting import HEIGHT, WIDTH, both, labelled, light_of, made

Image = NDArray[np.float32]


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
        shoot = Shoot(kind, (seed, key, 7919), primary, paint, WIDTH, HEIGHT)
        return shoot.body.drawn(shoot.sway(0), WIDTH, HEIGHT).alpha
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
