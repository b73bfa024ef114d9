"""The card's kernel of unmixing, emulated on the processor, against the reference's mixture."""

from __future__ import annotations

import numpy as np
import pytest

from kernels.cuda.device import args_of, blocks
from kernels.cuda.sources import layout
from kernels.recipe import Noise
from kernels.reference.unmix import UnmixSettings, regional
from kernels.reference.unmix.filters import enlarged
from kernels.reference.unmix.method import Candidate
from kernels.reference.unmix.mixture import mixture
from kernels.reference.unmix.signals import signals
from tests.kernels.cpu.test_compiled_unmix import shot
from tests.kernels.cuda.host import HostDevice, compiler

PX = 4
NOISE = Noise(gain=(1e-4, 1e-4, 1e-4), offset=(1e-5, 1e-5, 1e-5))
OUT = ("alpha", "spread", "through", "colour")

if compiler() is None:
    pytest.skip("no C++ compiler", allow_module_level=True)


@pytest.mark.parametrize(("width", "left_out"), [(64, False), (661, True)])
def test_mixture_agrees_with_the_reference(width: int, left_out: bool) -> None:
    """Our own rule, no outside source: the card's own text, candidates sampled at full size and
    at half of it, the last group beyond the picture's edge; left-out places get what they are said
    to be.
    """
    height, settings = 24, UnmixSettings()
    plate, clean = shot(height, width, "green", NOISE, 12)
    region = regional(plate, clean, NOISE, settings)
    s = signals(plate, clean, NOISE, settings)
    found = [
        Candidate(
            one.name,
            enlarged(one.colour, region.factor, height, width),
            one.tightness,
            enlarged(np.broadcast_to(one.log_prior, region.hue.shape).astype(np.float32).copy(),
                     region.factor, height, width),
        )
        for one in region.found
    ]  # fmt: skip
    wanted = mixture(s, found, settings.shading, settings.clean_error)
    skip = np.zeros((height, width), np.float32)
    if left_out:
        skip[:, 101:203], skip[:, 300:333] = -1, 1
    small = np.empty((len(found), 4, *region.hue.shape), np.float32)
    for planes, one in zip(small, region.found, strict=True):
        planes[:3], planes[3] = one.colour, one.log_prior
    device, pitch = HostDevice(), -(-width // PX) * PX

    def padded(planes: np.ndarray) -> np.ndarray:
        made = device.empty((*planes.shape[:-1], pitch), np.float32)
        made[..., :width] = planes
        return made

    given = {
        "plate": padded(s.plate),
        "clean": padded(s.clean),
        "variance": padded(s.variance),
        "share": padded(s.excess_share),
        "snr": padded(s.snr),
        "skip": padded(skip),
        "candidates": small,
    }
    made = {n: device.empty((3, height, pitch)[n != "colour" :], np.float32) for n in OUT}
    args = args_of(
        layout("unmix", "MixtureArgs"),
        **{name: array.ctypes.data for name, array in (given | made).items()},
        stride=pitch * height,
        small_stride=region.hue.size,
        pitch=pitch,
        width=width,
        height=height,
        small_pitch=region.hue.shape[1],
        small_width=region.hue.shape[1],
        small_height=region.hue.shape[0],
        factor=region.factor,
        count=len(found),
        shading=settings.shading,
        clean_error=settings.clean_error,
        tightness=[one.tightness for one in found] + [0.0] * (24 - len(found)),
    )
    grid = blocks(-(-width // PX), height, 32, 8)
    device.launch("unmix", "unmix_mixture", grid, (32, 8), args)
    alpha = made["alpha"][:, :width]
    solved = skip == 0
    assert np.abs(alpha - wanted.alpha)[solved].max() < 1e-3
    assert np.abs(made["spread"][:, :width] - wanted.variance)[solved].max() < 1e-3
    assert np.abs(made["colour"][..., :width] - wanted.colour)[:, solved].max() < 1e-3
    assert np.abs(made["through"][:, :width] - wanted.see_through)[solved].max() < 0.05
    assert (alpha[skip < 0] == 0).all()
    assert (alpha[skip > 0] == 1).all()
    assert np.array_equal(made["colour"][..., :width][:, skip > 0], s.plate[:, skip > 0])
