"""What a family's shot holds: plates through a real camera, and everything that made them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]
Labels = NDArray[np.uint8]

NOTHING, NEAR_HUE, GLOSS, SEE_THROUGH, SHADOW, OFF_SCREEN = range(6)
"""Values of `labels`: nothing particular, near-hue costume, gloss, see-through material, contact
shadow on the screen, and what stands behind the subject but is no screen (stands, cloth's end)."""

FULL, NOTHING_LEFT = 0.995, 0.005


class NoiseModel(Protocol):
    """Noise of a plate: the covariance (3, 3, ...) of working-space colours (3, ...) as shot.

    `exact` is False where quantising, clipping, sharpening or a codec changed it afterwards.
    """

    @property
    def exact(self) -> bool: ...

    def covariance(self, working: NDArray[np.floating]) -> NDArray[np.float64]: ...


@dataclass(frozen=True)
class TruthFrame:
    """One frame. Images (3, h, w), mattes (h, w), float32, linear ACEScg, all behind the lens.

    `light` = alpha·foreground + (1 − alpha)·clean_plate + extra, exactly, is what falls on the
    sensor. `foreground` is straight and has the spill in it, `foreground_clean` has none.
    `clean_plate` is what is behind the subject in this frame, a contact shadow and things at the
    border included; `empty_plate`, where given, is the stage without the subject, hence without
    its shadow. `plate` is what the camera made of `light`. `extra` is highlight light over the mix
    (3, h, w), or None.
    """

    plate: Image
    alpha: Image
    foreground: Image
    foreground_clean: Image
    clean_plate: Image
    background: Image
    noise: NoiseModel
    extra: Image | None = None
    labels: Labels | None = None
    empty_plate: Image | None = None

    @property
    def light(self) -> Image:
        """What falls on the sensor: the plate without noise, mosaic, clipping and codec."""
        mix = self.alpha * self.foreground + (1 - self.alpha) * self.clean_plate
        return mix if self.extra is None else mix + self.extra

    @property
    def composite(self) -> Image:
        """The perfect result: the spill-free subject over the background, highlights on top."""
        mix = self.alpha * self.foreground_clean + (1 - self.alpha) * self.background
        return mix if self.extra is None else mix + self.extra

    @property
    def edge_mask(self) -> Mask:
        """Partly covered pixels (0.005 < alpha < 0.995) and two pixels around them."""
        partly = (self.alpha > NOTHING_LEFT) & (self.alpha < FULL)
        grown = cv2.dilate(partly.astype(np.uint8), np.ones((5, 5), np.uint8))
        return np.asarray(grown > 0)

    @property
    def core_mask(self) -> Mask:
        """Solid subject away from any edge."""
        return np.asarray((self.alpha >= FULL) & ~self.edge_mask)

    @property
    def screen_mask(self) -> Mask:
        """Bare screen away from any edge, in shadow or not; never stands or the cloth's end."""
        return np.asarray((self.alpha <= NOTHING_LEFT) & ~self.edge_mask & self.counted_mask)

    @property
    def counted_mask(self) -> Mask:
        """All but what is labelled OFF_SCREEN: a garbage matte takes that, so it isn't scored."""
        if self.labels is None:
            return np.ones(self.alpha.shape, np.bool_)
        return np.asarray(self.labels != OFF_SCREEN)


@dataclass(frozen=True)
class FamilyShot:
    """Some moving frames (five by default) of one kind, through one camera.

    `subsampled`: the camera is 4:2:0 or 4:2:2. `over_bound`: the noise model holds for the sensor
    only (clipping, sharpening, eight bits or a codec came after it), so that no method need reach
    the Cramér–Rao bound.
    """

    family: str
    kind: str
    seed: int
    camera: str
    primary: str
    subsampled: bool
    over_bound: bool
    frames: tuple[TruthFrame, ...]

    @property
    def name(self) -> str:
        return f"{self.family}-{self.kind}-{self.seed}-{self.camera}-{self.primary}"
