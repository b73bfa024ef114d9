"""Each measure of the survey against a screen on which it is known."""

from __future__ import annotations

import numpy as np
import pytest

from demo_media import truth_shot
from kernels.measure.edges import edge_width
from kernels.measure.motion import Motion, measure_motion, screen_shift
from kernels.measure.survey import Measures, measure_frame
from tests.server.survey.batteries import tuning
from tests.server.survey.screens import GREEN, encoded, flat, noisy, ramped, with_disc, with_markers
from tests.server.survey.setups import make, moved_px


def measured(image: np.ndarray, with_code: bool = False) -> Measures:
    code = encoded(image) if with_code else None
    return measure_frame(image, code, bits=10, detail=False).measures


@pytest.mark.parametrize("stops", [0.0, 0.25, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("noise", [(0.0, 0.0), (1e-4, 1e-5)])
def test_evenness_meets_a_known_falloff(stops: float, noise: tuple[float, float]) -> None:
    """Common practice, no source: a ramp of s stops over 60 columns: P98 - P2 is 57/60 s."""
    seen = measured(noisy(ramped(stops), *noise)).evenness_stops
    assert seen == pytest.approx(0.95 * stops, abs=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_a_flat_screen_at_20_db_is_even(seed: int) -> None:
    """Noise alone must not read as uneven light. Our own rule, no outside source."""
    m = measured(noisy(flat(), 0.0, 0.036**2, seed))
    assert m.snr_db is not None
    assert m.snr_db[1] == pytest.approx(20.0, abs=0.3)
    assert m.evenness_stops == pytest.approx(0.0, abs=0.02)


def test_evenness_without_the_noise_correction_would_be_off() -> None:
    """Common practice, no source: the block means' own noise is what the correction takes off."""
    from kernels.measure.light import block_means, spread_stops

    plane = noisy(flat(), 0.0, 0.036**2)[1]
    means, _, size = block_means(plane, np.ones(plane.shape, bool))
    stops = np.log2(means / 0.36)
    assert spread_stops(stops, 0.0) > 0.03
    assert spread_stops(stops, 0.1 / size / np.log(2)) < 0.02


@pytest.mark.parametrize("stops", [-2.0, 0.0, 1.5])
def test_level_saturation_and_code(stops: float) -> None:
    """Source: the definition of a stop, a factor of 2; saturation 1 - min/max (Smith 1978)."""
    image = (noisy(flat(), 1e-5, 1e-7) * 2.0**stops * 0.5).astype(np.float32)
    m = measured(image, with_code=True)
    assert m.level_stops == pytest.approx(stops + np.log2(0.36 / 0.18) - 1, abs=0.01)
    assert m.saturation == pytest.approx(1 - 0.12 / 0.36, abs=0.005)
    assert m.level_code == pytest.approx(1023 * (0.18 * 2.0**stops) ** (1 / 2.4), rel=0.01)


def test_noise_by_channel_and_by_level() -> None:
    """Source: Foi et al. 2008 for variance = a x + b; the noise put in."""
    m = measured(noisy(flat(), 2e-4, 2e-5))
    assert m.noise_sigma == pytest.approx(np.sqrt(2e-4 * np.array(GREEN) + 2e-5), rel=0.05)
    m = measured(noisy(ramped(2.0), 2e-4, 2e-5, seed=3))
    assert m.noise is not None
    assert m.noise.gain == pytest.approx((2e-4,) * 3, rel=0.1)
    assert m.noise.offset == pytest.approx((2e-5,) * 3, rel=0.25)
    assert np.abs(m.noise.correlation).max() < 0.02


def test_noise_that_hangs_together_between_channels_and_pixels() -> None:
    """Source: a matrix M turns covariance S into M S M^T; a blur keeps a known share."""
    import cv2

    mix = np.array([[0.9, 0.3, 0.0], [0.1, 0.8, 0.1], [0.0, 0.3, 0.9]])
    white = np.random.default_rng(2).standard_normal((3, 540, 960)) * 0.01
    white = np.stack([cv2.blur(p, (2, 2)) * 2 for p in white])
    noise = np.tensordot(mix, white, axes=1)
    m = measured((flat() + noise).astype(np.float32))
    expected = 1e-4 * mix @ mix.T
    assert m.noise_sigma == pytest.approx(np.sqrt(np.diag(expected)), rel=0.05)
    assert m.noise is not None
    corr = expected / np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert m.noise.correlation == pytest.approx((corr[0, 1], corr[0, 2], corr[1, 2]), abs=0.03)


@pytest.mark.parametrize("share", [0.0, 0.02, 0.1, 0.3])
@pytest.mark.parametrize("with_code", [False, True])
def test_clipped_share(share: float, with_code: bool) -> None:
    """Common practice, no source: the share of the screen put over the recording's ceiling."""
    image = flat()
    image[:, :, : int(960 * share)] *= 4.5
    image = np.minimum(noisy(image, 1e-5, 1e-6), 1.0).astype(np.float32)
    m = measured(image, with_code)
    assert m.clipped_share == pytest.approx(share, abs=0.001)
    if share:
        assert m.clipped_box is not None
        assert m.clipped_box[2] == pytest.approx(share, abs=0.02)


@pytest.mark.parametrize("sigma_px", [0.6, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("noise", [0.0, 0.005, 0.02])
def test_edge_width(sigma_px: float, noise: float) -> None:
    """Source: a normal distribution rises from 10 to 90 % over 2.563 deviations."""
    image, _ = with_disc(flat(), sigma_px)
    seen = edge_width(noisy(image, 0.0, noise**2), flat(), "green")
    assert seen is not None
    assert seen.median_px == pytest.approx(2.563 * np.hypot(sigma_px, np.sqrt(1 / 12)), abs=0.3)


def test_markers_are_counted_and_creases_are_not_markers() -> None:
    """Common practice, no source."""
    places = [(x, y) for x in (100, 300, 500, 700, 860) for y in (80, 260, 440)]
    image = with_markers(flat(), places)
    image[:, :, 400:404] *= 1.25
    image[:, :, 404:408] *= 0.75
    m = measured(noisy(image, 3e-5, 3e-6))
    assert m.markers == 15
    assert 0.003 < m.crease_share < 0.05
    assert m.crease_box is not None
    assert m.crease_box[0] == pytest.approx(400 / 960, abs=0.02)
    assert measured(noisy(flat(), 3e-5, 3e-6)).markers == 0


def test_over_range_and_negative_light_survive() -> None:
    """Common practice, no source."""
    image = noisy(flat(), 1e-5, 1e-7)
    image[:, 200:254, 300:396] = 3.5
    image[2, :4] = -0.01
    m = measured(image)
    assert m.over_range_share == pytest.approx(54 * 96 / (540 * 960), rel=0.05)
    assert m.largest_value == pytest.approx(3.5)
    assert m.screen


def test_separation_and_spill() -> None:
    """Source: the colour difference worked by hand, 1 - e(F)/e(c) (Smith & Blinn 1996)."""
    near, _ = with_disc(flat(), 1.0, colour=(0.2, 0.3, 0.18))
    far, _ = with_disc(flat(), 1.0, colour=(0.4, 0.25, 0.18))
    excess = 0.36 - 0.16
    m = measured(noisy(near, 1e-5, 1e-6))
    assert m.separation_matte == pytest.approx(1 - 0.1 / excess, abs=0.03)
    assert m.spill == pytest.approx((0.3 - 0.19) / (0.36 - 0.14), abs=0.03)
    m = measured(noisy(far, 1e-5, 1e-6))
    assert m.separation_matte == pytest.approx(1 + 0.15 / excess, abs=0.05)
    assert m.spill == 0
    assert (m.separation_delta_e or 0) > 20


def motion_between(first: np.ndarray, second: np.ndarray) -> Motion:
    a, b = (measure_frame(picture, detail=False) for picture in (first, second))
    assert a.areas is not None
    assert a.fit is not None
    assert b.fit is not None
    masks = a.fit.mask, b.fit.mask
    return measure_motion(a.small, b.small, masks, a.areas.edge, a.fit.primary, a.fit.step)


@pytest.mark.parametrize("shift", [0, 3, 9])
def test_motion_of_the_subject(shift: int) -> None:
    """Common practice, no source: a disc with texture moved by whole pixels on a plain screen."""
    import cv2

    rng = np.random.default_rng(4)
    texture = cv2.GaussianBlur(rng.standard_normal((540, 960)).astype(np.float32), (0, 0), 5) * 3
    pictures = []
    for n, dx in enumerate((0, shift)):
        image, alpha = with_disc(flat(), 1.0, colour=(0.3, 0.2, 0.2))
        image = image * (1 + 0.5 * alpha * texture)
        image = np.where(np.roll(alpha, dx, axis=1) > 0.001, np.roll(image, dx, axis=2), flat())
        pictures.append(noisy(image, 1e-5, 1e-6, seed=n))
    motion = motion_between(*pictures)
    assert motion.subject_px == pytest.approx(shift, abs=max(0.5, 0.2 * shift))
    assert motion.camera_px is None


@pytest.mark.parametrize("shift", [(0.0, 0.0), (6.0, 0.0), (-17.0, 9.0), (70.0, 2.0)])
def test_camera_motion_is_read_from_the_markers(shift: tuple[float, float]) -> None:
    """Common practice, no source: markers moved together behind a subject that stays."""
    places = [(x, y) for x in range(-160, 1120, 170) for y in range(-60, 600, 130)]
    pictures = []
    for n, (dx, dy) in enumerate(((0.0, 0.0), shift)):
        moved = [(int(x + dx), int(y + dy)) for x, y in places]
        inside = [(x, y) for x, y in moved if 12 < x < 948 and 12 < y < 528]
        image, alpha = with_disc(flat(), 1.0)
        light = np.where(alpha > 0.001, image, with_markers(flat(), inside))
        pictures.append(noisy(light, 1e-5, 1e-6, seed=n))
    assert motion_between(*pictures).camera_px == pytest.approx(np.hypot(*shift), abs=0.5)


@pytest.mark.parametrize("name", ["pan", "hand-held"])
def test_camera_motion_is_read_from_the_cloth(name: str) -> None:
    """Source: the set-ups' own camera path; a screen without markers, motion blur and all."""
    look = next(look for look in tuning() if look.name == name)
    first, second = (make(look, frame=n).plate for n in (0, 1))
    assert motion_between(first, second).camera_px == pytest.approx(moved_px(look, 0), abs=0.3)


@pytest.mark.parametrize("width", [192, 480])
def test_a_camera_at_rest_is_no_moving_one_however_small_the_picture(width: int) -> None:
    """Source: truth shots of one screen whose subject moves: 0 px, or nothing to go by."""
    size = {"width": width, "height": width * 9 // 16 // 2 * 2}
    for seed in (1, 6, 8):
        first, second = (truth_shot(seed, frame=n, **size).plate for n in (0, 1))
        camera = motion_between(first, second).camera_px
        assert camera is None or camera < 0.5


def test_a_plain_screen_does_not_tell_how_the_camera_moves() -> None:
    """Common practice, no source: noise alone, and one even picture, have no shift."""
    everywhere = np.ones((180, 320), bool)
    a, b = (noisy(flat(320, 180), 1e-4, 1e-5, seed=n) for n in range(2))
    assert screen_shift(a, b, (everywhere, everywhere), "green") is None
    even = flat(320, 180)
    assert screen_shift(even, even, (everywhere, everywhere), "green") is None
    assert screen_shift(a, a, (everywhere, ~everywhere), "green") is None
    assert screen_shift(a, a, (everywhere, everywhere), "green") == (0.0, 0.0)


def test_an_unknown_curve_gives_no_figures_in_stops() -> None:
    """Stops need the transfer curve. Our own rule, no outside source."""
    m = measure_frame(noisy(ramped(1.0), 1e-5, 1e-6), known_curve=False, detail=False).measures
    assert m.screen
    assert m.evenness_stops is None
    assert m.evenness_near_stops is None
    assert m.level_stops is None
    assert m.purity is not None


@pytest.mark.parametrize("primary", ["green", "blue", "red"])
def test_the_primary_is_found(primary: str) -> None:
    """Common practice, no source."""
    colour = {"green": GREEN, "blue": (0.07, 0.12, 0.4), "red": (0.42, 0.06, 0.05)}[primary]
    tone = (0.4, 0.25, 0.18) if primary != "red" else (0.1, 0.2, 0.3)
    image, alpha = with_disc(flat(colour=colour), 1.0, colour=tone)
    m = measured(noisy(image, 5e-5, 5e-6))
    assert m.primary == primary
    assert m.screen_share == pytest.approx((alpha < 0.01).mean(), abs=0.02)
    assert m.screen_colour == pytest.approx(colour, rel=0.01)


def test_no_screen() -> None:
    """Common practice, no source: a grey wall, a face's colours, black, foliage."""
    import cv2

    rng = np.random.default_rng(5)
    leaves = np.stack([cv2.GaussianBlur(rng.random((540, 960)).astype(np.float32), (0, 0), 2)] * 3)
    leaves = np.clip((leaves - 0.5) * 8 + 0.4, 0.02, 2) * np.array([0.3, 0.5, 0.15])[:, None, None]
    for picture in (
        noisy(flat(colour=(0.3, 0.29, 0.27)), 1e-4, 1e-5),
        noisy(flat(colour=(0.45, 0.3, 0.24)), 1e-4, 1e-5),
        np.zeros((3, 540, 960), np.float32),
        noisy(leaves.astype(np.float32), 1e-5, 1e-6),
    ):
        assert not measured(picture).screen


@pytest.mark.parametrize("size", [(1, 1), (2, 7), (17, 31), (61, 127)])
def test_awkward_sizes_give_an_answer(size: tuple[int, int]) -> None:
    """Common practice, no source: nothing breaks and nothing is made up."""
    height, width = size
    m = measure_frame(noisy(flat(width, height), 1e-5, 1e-6), encoded(flat(width, height))).measures
    assert m.markers == 0
    for value in (m.evenness_stops, m.level_stops, m.purity):
        assert value is None or np.isfinite(value)
