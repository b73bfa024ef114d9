"""Honest cameras: from a family's noiseless light to plates, with the truth behind the lens."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.camera import SENSOR_CLIP, Noise, expose, lens_blur
from demo_media.codec import REC709_FROM_ACESCG, linear_from_rec709, rec709_encoded
from demo_media.families.codecs import CODECS, through_codec
from demo_media.families.fill import straight_colour
from demo_media.families.scene import Scene, SceneFrame
from demo_media.families.shot import NoiseModel, TruthFrame
from kernels.reference.colour import acescct_from_linear, linear_from_acescct, luminance

Image = NDArray[np.float32]

CAMERAS = ("half", "sensor", "sharp", "rec709", "h264", "hevc10", "prores422")
SUBSAMPLED = ("h264", "hevc10", "prores422")
DISPLAY_REFERRED = ("rec709", *CODECS)

KNEE = 0.8
SHARPEN_PX, SHARPEN_AMOUNT = 1.1, 0.8
LEAST_ALPHA = 1e-4


@dataclass(frozen=True)
class PlainNoise:
    """Noise without a mosaic: variance slope·x + floor in each working-space channel by itself."""

    slope: tuple[float, float, float]
    floor: tuple[float, float, float]
    exact: bool = True

    def variance(self, working: NDArray[np.floating]) -> NDArray[np.float64]:
        """Variance of colours (3, ...), same shape."""
        shape = (3,) + (1,) * (np.ndim(working) - 1)
        slope, floor = np.reshape(self.slope, shape), np.reshape(self.floor, shape)
        return np.asarray(np.maximum(working, 0) * slope + floor, np.float64)

    def covariance(self, working: NDArray[np.floating]) -> NDArray[np.float64]:
        """Covariance (3, 3, ...) of colours (3, ...): diagonal."""
        variance = self.variance(working)
        return np.asarray(np.eye(3).reshape(3, 3, *(1,) * (variance.ndim - 1)) * variance[None])


def _light_behind_lens(frame: SceneFrame, sigma_px: float) -> dict[str, Image | None]:
    """Alpha, both straight foregrounds, the plates, the background and the extra light, blurred."""
    alpha = lens_blur(frame.alpha, sigma_px)
    alpha = np.asarray(np.where(alpha < LEAST_ALPHA, 0, np.clip(alpha, 0, 1)), np.float32)
    found: dict[str, Image | None] = {"alpha": alpha}
    for name in ("foreground", "foreground_clean"):
        premultiplied = lens_blur(getattr(frame, name) * frame.alpha, sigma_px)
        found[name] = straight_colour(premultiplied, alpha)
    for name in ("clean_plate", "background", "extra", "empty_plate"):
        image = getattr(frame, name)
        found[name] = None if image is None else lens_blur(image, sigma_px)
    return found


def _noise(camera: str, exposure: float, rng: np.random.Generator) -> Noise | PlainNoise:
    """The sensor's noise on the lifted picture: a gain 1/exposure raises photon and read noise."""
    strength = float(np.exp(rng.uniform(np.log(0.5), np.log(2.0))))
    slope = [s * strength / exposure for s in (1.5e-4, 0.9e-4, 1.7e-4)]
    floor = [f * strength / exposure**2 for f in (9e-6, 6e-6, 10e-6)]
    chosen = (slope[0], slope[1], slope[2]), (floor[0], floor[1], floor[2])
    if camera == "half":
        return PlainNoise(*chosen)
    return Noise(*chosen, exact=camera == "sensor")


def _sensed(light: Image, noise: Noise | PlainNoise, rng: np.random.Generator) -> Image:
    if isinstance(noise, Noise):
        return expose(light, noise, rng)
    sigma = np.sqrt(noise.variance(light)).astype(np.float32)
    noisy = light + sigma * rng.standard_normal(light.shape, dtype=np.float32)
    return np.asarray(noisy.astype(np.float16), np.float32)


def sharpened(plate: Image) -> Image:
    """An unsharp mask on the log-encoded brightness, as cameras do it: halos along every edge."""
    encoded = acescct_from_linear(plate)
    brightness = luminance(encoded)
    soft = cv2.GaussianBlur(brightness, (0, 0), SHARPEN_PX)
    lifted = encoded + np.float32(SHARPEN_AMOUNT) * (brightness - soft)
    return np.asarray(np.minimum(linear_from_acescct(lifted), SENSOR_CLIP), np.float32)


def display_signal(working: Image) -> Image:
    """BT.709 signal 0..1 with a knee from 0.8: light above about 1.5 is lost."""
    linear = np.tensordot(REC709_FROM_ACESCG.astype(np.float32), working, axes=1)
    over = np.maximum(linear - KNEE, 0) / (1 - KNEE)
    bent = np.where(linear > KNEE, 1 - (1 - KNEE) * np.exp(-over), linear)
    return rec709_encoded(np.asarray(bent, np.float32))


def working_from_display(signal: Image) -> Image:
    """Linear ACEScg of a BT.709 signal; the knee is not undone: nobody knows it afterwards."""
    back = np.linalg.inv(REC709_FROM_ACESCG).astype(np.float32)
    return np.asarray(np.tensordot(back, linear_from_rec709(signal), axes=1), np.float32)


def developed(plates: list[Image], camera: str, log: bool) -> list[Image]:
    """What comes after the sensor: nothing, sharpening, or a display curve and a codec."""
    if camera == "sharp":
        return [sharpened(p) for p in plates]
    if camera not in DISPLAY_REFERRED:
        return plates
    encode = acescct_from_linear if log else display_signal
    decode = linear_from_acescct if log else working_from_display
    signals = [np.asarray(encode(p), np.float32) for p in plates]
    if camera == "rec709":
        signals = [np.asarray(np.round(np.clip(s, 0, 1) * 255) / 255, np.float32) for s in signals]
    else:
        signals = through_codec(signals, camera)
    return [np.asarray(decode(s), np.float32) for s in signals]


def photograph(scene: Scene, camera: str, key: tuple[int, int, int]) -> tuple[TruthFrame, ...]:
    """All frames of `scene` through `camera`; `key` (family, kind, seed) seeds lens and noise.

    The rec709 camera always has its display curve, so that over-range light clips there; the
    codecs record over-range scenes with the ACEScct curve.
    Subject and screen each go through the lens by themselves and are mixed behind it, so that the
    mix is exact; a real lens blurs their product, which differs only where the screen itself
    changes within the blur of an edge.
    """
    rng = np.random.default_rng([*key, CAMERAS.index(camera), 77])
    noise = _noise(camera, scene.exposure, rng)
    height = scene.frames[0].alpha.shape[0]
    own = float(rng.uniform(0.5, 0.75))
    sigma = max((own if scene.lens_px is None else scene.lens_px) * height / 360, 0.4)
    behind = [_light_behind_lens(frame, sigma) for frame in scene.frames]
    plates = []
    for found in behind:
        light = _truth(found, found["alpha"], noise).light
        plates.append(_sensed(np.asarray(light, np.float32), noise, rng))
    log = scene.over_range and camera != "rec709"
    plates = developed(plates, camera, log)
    labels = [frame.labels for frame in scene.frames]
    return tuple(
        _truth(found, plate, noise, label)
        for found, plate, label in zip(behind, plates, labels, strict=True)
    )


def _truth(
    found: dict[str, Image | None],
    plate: Image | None,
    noise: NoiseModel,
    labels: NDArray[np.uint8] | None = None,
) -> TruthFrame:
    return TruthFrame(plate=plate, noise=noise, labels=labels, **found)  # type: ignore[arg-type]
