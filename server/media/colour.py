"""Colour management with OpenColorIO: into the working space, out of it, and on to a display.

The working space is the config's `scene_linear` role (ACEScg in the built-in studio config).
The config is the one given, else the one named by the environment variable OCIO, else the
built-in one. Pictures are planar (3, H, W) float32; values outside 0..1 survive every conversion
that the config itself does not clamp.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import PyOpenColorIO as ocio

from server.media.errors import MediaError

Float32 = npt.NDArray[np.float32]

BUILT_IN_CONFIG = "ocio://studio-config-latest"
CAMERA_REC2020 = "Camera Rec.2020"
"""BT.2020 recorded by a camera: its transfer curve undone, Rec. 2020 primaries. Offered by us
when the config has no space of this name. Source: ITU-R BT.2020-2, table 4."""

# Y row of AP0 to XYZ. Source: SMPTE ST 2065-1.
_AP0_LUMINANCE = np.array([0.3439664498, 0.7281660966, -0.0721325464])
_AP1_LUMINANCE = (0.2722287, 0.6740818, 0.0536895)

# CIE xy of red, green, blue, white -> interop identifier of the linear space.
# Source: SMPTE ST 2065-1; S-2014-004; ITU-R BT.709-6; ITU-R BT.2020-2; SMPTE RP 431-2 with D65.
CHROMATICITIES: dict[str, tuple[float, ...]] = {
    "lin_ap1_scene": (0.713, 0.293, 0.165, 0.830, 0.128, 0.044, 0.32168, 0.33767),
    "lin_ap0_scene": (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767),
    "lin_rec709_scene": (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290),
    "lin_rec2020_scene": (0.708, 0.292, 0.170, 0.797, 0.131, 0.046, 0.3127, 0.3290),
    "lin_p3d65_scene": (0.680, 0.320, 0.265, 0.690, 0.150, 0.060, 0.3127, 0.3290),
}

OCIO_ERRORS = (ocio.Exception, ocio.ExceptionMissingFile)

Origin = Literal["override", "metadata", "file rule", "assumed"]


@dataclass(frozen=True)
class InputSpace:
    """A shot's colour space and how it is known; `assumed` means that nothing states it."""

    name: str
    origin: Origin


@lru_cache(maxsize=8)
def load_colour(source: str | None = None) -> Colour:
    """The colour management of one config, cached; see `config_source` for the choice."""
    return Colour(config_source(source))


def config_source(source: str | None) -> str:
    """The config in force: the given one, else that of the variable OCIO, else the built-in."""
    return source or os.environ.get("OCIO") or BUILT_IN_CONFIG


class Colour:
    """One OpenColorIO config: conversions, names and displays. Processors are cached."""

    def __init__(self, source: str) -> None:
        self.source = source
        try:
            self.config: Any = ocio.Config.CreateFromFile(source)
            self.config.validate()
        except OCIO_ERRORS as error:
            raise MediaError(
                f"the colour config '{source}' cannot be used ({_first_line(error)}); "
                "give another with --ocio or correct the variable OCIO"
            ) from None
        if not self.config.hasRole("scene_linear"):
            raise MediaError(
                f"the colour config '{source}' has no scene_linear role; "
                "add the role or give another config with --ocio"
            )
        self._processors: dict[tuple[str, str], Any] = {}

    @cached_property
    def working_space(self) -> str:
        """Name of the scene-linear space that everything is keyed in."""
        return str(self.config.getColorSpace("scene_linear").getName())

    @cached_property
    def luminance_weights(self) -> tuple[float, float, float]:
        """Luminance of the working primaries, from the config's ACES interchange role."""
        if self.working_space == "ACEScg":
            return _AP1_LUMINANCE
        if not self.config.hasRole("aces_interchange"):
            red, green, blue = (float(w) for w in self.config.getDefaultLumaCoefs())
            return (red, green, blue)
        units = np.eye(3, dtype=np.float32).reshape(3, 1, 3)
        ap0 = self.from_working(units, "aces_interchange").reshape(3, 3)
        red, green, blue = (float(w) for w in _AP0_LUMINANCE @ ap0)
        return (red, green, blue)

    def names(self) -> list[str]:
        """Names of every colour space that may be given as the input or output space."""
        found = [str(space.getName()) for space in self.config.getColorSpaces()]
        return found if CAMERA_REC2020 in found else [*found, CAMERA_REC2020]

    def resolve(self, name: str) -> str:
        """The config's own name for a colour space, alias, role or interop identifier.

        Raises MediaError with the nearest names when there is none.
        """
        space = self.config.getColorSpace(name)
        if space is not None:
            return str(space.getName())
        if name == CAMERA_REC2020:
            return name
        for candidate in self.names():
            if candidate.lower() == name.lower():
                return candidate
        raise MediaError(
            f"the colour space '{name}' is not in the config {self.source}; {self._nearest(name)}"
        )

    def _nearest(self, name: str) -> str:
        folded = {candidate.lower(): candidate for candidate in self.names()}
        for space in self.config.getColorSpaces():
            own = str(space.getName())
            folded.update({str(alias).lower(): own for alias in space.getAliases()})
        close = difflib.get_close_matches(name.lower(), list(folded), n=12, cutoff=0.4)
        within = [key for key in folded if name.lower() in key] if len(name) > 2 else []
        nearest = list(dict.fromkeys(folded[key] for key in [*close, *within]))[:4]
        if not nearest:
            return f"use one of its {len(self.names())} names, such as {self.working_space}"
        return "the nearest names are " + ", ".join(f"'{n}'" for n in nearest)

    def interop_id(self, name: str) -> str | None:
        """The interop identifier to tag a file in this space with; None if the config has none."""
        space = self.config.getColorSpace(name)
        getter = getattr(space, "getInteropID", None)
        return (str(getter()) or None) if getter is not None else None

    def to_working(self, pixels: Float32, colourspace: str, *, in_place: bool = False) -> Float32:
        """Pixels (3, H, W) of a colour space as scene-linear working values, float32.

        in_place: `pixels`, contiguous float32, may be overwritten and given back.
        """
        return self._convert(pixels, self.resolve(colourspace), self.working_space, in_place)

    def from_working(self, pixels: Float32, colourspace: str) -> Float32:
        """Scene-linear working pixels (3, H, W) encoded in a colour space, float32."""
        return self._convert(pixels, self.working_space, self.resolve(colourspace))

    def _convert(
        self, pixels: Float32, source: str, target: str, in_place: bool = False
    ) -> Float32:
        key = (source, target)
        if key not in self._processors:
            self._processors[key] = self._processor(source, target)
        return apply_processor(self._processors[key], pixels, in_place)

    def _processor(self, source: str, target: str) -> Any:
        group = ocio.GroupTransform()
        ends = [source, target]
        if source == CAMERA_REC2020 and self.config.getColorSpace(source) is None:
            group.appendTransform(_camera_curve(ocio.TRANSFORM_DIR_FORWARD))
            ends[0] = self.resolve("lin_rec2020_scene")
        tail = None
        if target == CAMERA_REC2020 and self.config.getColorSpace(target) is None:
            tail = _camera_curve(ocio.TRANSFORM_DIR_INVERSE)
            ends[1] = self.resolve("lin_rec2020_scene")
        group.appendTransform(ocio.ColorSpaceTransform(ends[0], ends[1]))
        if tail is not None:
            group.appendTransform(tail)
        try:
            return self.config.getProcessor(group).getDefaultCPUProcessor()
        except OCIO_ERRORS as error:
            raise MediaError(
                f"the colour config {self.source} cannot convert '{source}' to '{target}' "
                f"({_first_line(error)}); choose another colour space"
            ) from None

    def displays(self) -> list[str]:
        """Names of the displays, the config's default first."""
        default = str(self.config.getDefaultDisplay())
        found = [str(name) for name in self.config.getDisplays()]
        return sorted(found, key=lambda name: name != default)

    def views(self, display: str) -> list[str]:
        """Names of a display's views, its default first."""
        self.check_display(display)
        default = str(self.config.getDefaultView(display))
        found = [str(name) for name in self.config.getViews(display)]
        return sorted(found, key=lambda name: name != default)

    def looks(self) -> list[str]:
        """Names of the config's looks."""
        return [str(look.getName()) for look in self.config.getLooks()]

    def check_display(self, display: str, view: str | None = None) -> None:
        """Raise MediaError naming the choices if a display or its view does not exist."""
        for kind, name, choices in (
            ("display", display, list(self.config.getDisplays())),
            ("view", view, list(self.config.getViews(display))),
        ):
            if name is not None and name not in choices:
                raise MediaError(
                    f"the {kind} '{name}' is not in the config {self.source}; "
                    f"use one of {', '.join(repr(str(c)) for c in choices)}"
                )

    def input_space(
        self,
        path: Path,
        *,
        override: str | None,
        tags: Sequence[str],
        chromaticities: Sequence[float] | None,
        floating: bool,
        guess: str | None = None,
    ) -> InputSpace:
        """The colour space of a file: override, its own tags, file rules, else an assumption.

        Assumed are `guess`, else linear working light for floating point and sRGB for integers.
        Tags that the config does not know are passed over.
        """
        if override is not None:
            return InputSpace(self.resolve(override), "override")
        for tag in (*tags, *_from_chromaticities(chromaticities)):
            if self.config.getColorSpace(tag) is not None or tag == CAMERA_REC2020:
                return InputSpace(self.resolve(tag), "metadata")
        if not self.config.filepathOnlyMatchesDefaultRule(str(path)):
            name, _rule = self.config.getColorSpaceFromFilepath(str(path))
            return InputSpace(self.resolve(str(name)), "file rule")
        if guess is not None and self.config.getColorSpace(guess) is not None:
            return InputSpace(self.resolve(guess), "assumed")
        if floating or self.config.getColorSpace("srgb_rec709_scene") is None:
            return InputSpace(self.working_space, "assumed")
        return InputSpace(self.resolve("srgb_rec709_scene"), "assumed")


def apply_processor(processor: Any, pixels: Float32, in_place: bool = False) -> Float32:
    """A CPU processor applied to planar pixels (3, H, W); a new float32 array unless in place."""
    copy = None if in_place else True
    result = np.array(pixels, dtype=np.float32, order="C", copy=copy)
    if not processor.isNoOp() and result.size:
        _, height, width = result.shape
        processor.apply(ocio.PlanarImageDesc(result[0], result[1], result[2], width, height))
    return result


def _camera_curve(direction: Any) -> Any:
    """Linear light from the camera curve of BT.709 and BT.2020 (forward), or the inverse.

    V = 4.5 L below 0.018, 1.099 L^0.45 - 0.099 above. Source: ITU-R BT.709-6, item 1.2; mirrored
    below zero so that negative values survive.
    """
    return ocio.ExponentWithLinearTransform(
        gamma=[1 / 0.45, 1 / 0.45, 1 / 0.45, 1.0],
        offset=[0.099, 0.099, 0.099, 0.0],
        negativeStyle=ocio.NEGATIVE_LINEAR,
        direction=direction,
    )


def _from_chromaticities(values: Sequence[float] | None) -> list[str]:
    if values is None:
        return []
    return [
        name
        for name, known in CHROMATICITIES.items()
        if np.allclose(values, known, rtol=0.0, atol=0.0015)
    ]


def _first_line(error: Exception) -> str:
    return " ".join(str(error).split())[:160].rstrip(". ")
