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

from server.media.cicp import CAMERA_REC2020
from server.media.errors import MediaError
from server.media.primaries import (
    CHROMATICITIES,
    StatedSpace,
    are_colours,
    camera_curve,
    chromaticities_of,
    known_primaries,
    parse_space,
    same_colours,
)

__all__ = [
    "CAMERA_REC2020",
    "DECIDED",
    "Colour",
    "InputSpace",
    "Origin",
    "config_source",
    "load_colour",
]

Float32 = npt.NDArray[np.float32]

BUILT_IN_CONFIG = "ocio://studio-config-latest"
# Y row of AP0 to XYZ. Source: SMPTE ST 2065-1.
_AP0_LUMINANCE = np.array([0.3439664498, 0.7281660966, -0.0721325464])
_AP1_LUMINANCE = (0.2722287, 0.6740818, 0.0536895)

OCIO_ERRORS = (ocio.Exception, ocio.ExceptionMissingFile)

Origin = Literal["override", "metadata", "file rule", "assumed"]


DECIDED: dict[Origin, str] = {
    "override": "as asked for",
    "metadata": "stated by the file",
    "file rule": "by a rule of the colour configuration",
    "assumed": "assumed, as the file does not state it",
}
"""How a colour space was decided, in words for people."""


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
        if name == CAMERA_REC2020 or self._stated(name) is not None:
            return name
        for candidate in self.names():
            if candidate.lower() == name.lower():
                return candidate
        raise MediaError(
            f"the colour space '{name}' is not in the config {self.source}; {self._nearest(name)}"
        )

    def _stated(self, name: str) -> StatedSpace | None:
        """A space of stated primaries, which needs the config's ACES interchange role."""
        return parse_space(name) if self.config.hasRole("aces_interchange") else None

    def _knows(self, name: str) -> bool:
        if name == CAMERA_REC2020 or self._stated(name) is not None:
            return True
        return self.config.getColorSpace(name) is not None

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

    def chromaticities(self, name: str) -> tuple[float, ...] | None:
        """CIE xy of the primaries and white of a linear space, to tag an EXR with; None if unknown.

        Those of a config's own space are told from its conversion, adapted to the white of ACES.
        """
        stated = self._stated(name)
        if stated is not None:
            return stated.chromaticities
        tag = self.interop_id(name)
        if tag in CHROMATICITIES:
            return CHROMATICITIES[tag]
        if not self.config.hasRole("aces_interchange"):
            return None
        units = np.eye(3, dtype=np.float32).reshape(3, 1, 3)
        ends = self.resolve(name), self.resolve("aces_interchange")
        aces = self._convert(units, *ends).reshape(3, 3).astype(np.float64)
        half = self._convert(units * np.float32(0.5), *ends).reshape(3, 3)
        if not np.allclose(2 * half, aces, rtol=1e-4, atol=1e-5):
            return None
        found = chromaticities_of(aces)
        return found if are_colours(found) else None

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
        stated = self._stated(source)
        if stated is not None:
            group.appendTransform(stated.to_aces())
            ends[0] = self.resolve("aces_interchange")
        if source == CAMERA_REC2020 and self.config.getColorSpace(source) is None:
            group.appendTransform(camera_curve(ocio.TRANSFORM_DIR_FORWARD))
            ends[0] = self.resolve("lin_rec2020_scene")
        tail = None
        if target == CAMERA_REC2020 and self.config.getColorSpace(target) is None:
            tail = camera_curve(ocio.TRANSFORM_DIR_INVERSE)
            ends[1] = self.resolve("lin_rec2020_scene")
        stated = self._stated(target)
        if stated is not None:
            tail = stated.to_aces()
            tail.setDirection(ocio.TRANSFORM_DIR_INVERSE)
            ends[1] = self.resolve("aces_interchange")
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
        Tags that the config does not know are passed over; primaries that it has no space for make
        one. Raises MediaError for primaries that are none.
        """
        if override is not None:
            return InputSpace(self.resolve(override), "override")
        for tag in tags:
            if self._knows(tag):
                return InputSpace(self.resolve(tag), "metadata")
        if chromaticities is not None:
            return InputSpace(self._of_primaries(path, chromaticities), "metadata")
        if self._has_rule_for(path, guess):
            name, _rule = self.config.getColorSpaceFromFilepath(str(path))
            return InputSpace(self.resolve(str(name)), "file rule")
        if guess is not None and self._knows(guess):
            return InputSpace(self.resolve(guess), "assumed")
        if floating or self.config.getColorSpace("srgb_rec709_scene") is None:
            return InputSpace(self.working_space, "assumed")
        return InputSpace(self.resolve("srgb_rec709_scene"), "assumed")

    def _has_rule_for(self, path: Path, guess: str | None) -> bool:
        """Tell whether the config has a rule for a file.

        The built-in configs' rules go by the ending alone (all EXR are ACES2065-1 to them), which
        nobody has chosen: where more is known of a file, they don't count.
        """
        if self.config.filepathOnlyMatchesDefaultRule(str(path)):
            return False
        if guess is None or not self.source.startswith("ocio://"):
            return True
        name, _rule = self.config.getColorSpaceFromFilepath(str(path))
        return self._knows(guess) and self.resolve(str(name)) == self.resolve(guess)

    def _of_primaries(self, path: Path, stated: Sequence[float]) -> str:
        """The linear space of a file's own primaries: the config's, else one made of them."""
        if not are_colours(stated):
            raise MediaError(
                f"'{path}' states primaries that are no colours; give its colour space with "
                "--colourspace"
            )
        for name in known_primaries(stated):
            if self.config.getColorSpace(name) is not None:
                return self.resolve(name)
        own = self.chromaticities(self.working_space)
        if own is not None and same_colours(own, stated):
            return self.working_space
        made = str(StatedSpace("linear", tuple(stated)))
        if self._stated(made) is None:
            raise MediaError(
                f"'{path}' states primaries of its own and the colour config {self.source} has no "
                "aces_interchange role to convert them by; give a colour space with --colourspace"
            )
        return made


def apply_processor(processor: Any, pixels: Float32, in_place: bool = False) -> Float32:
    """A CPU processor applied to planar pixels (3, H, W); a new float32 array unless in place."""
    copy = None if in_place else True
    result = np.array(pixels, dtype=np.float32, order="C", copy=copy)
    if not processor.isNoOp() and result.size:
        _, height, width = result.shape
        processor.apply(ocio.PlanarImageDesc(result[0], result[1], result[2], width, height))
    return result


def _first_line(error: Exception) -> str:
    return " ".join(str(error).split())[:160].rstrip(". ")
