"""What stays the same from frame to frame, held by the engine once: stills, background, masks."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

from numpy.typing import NDArray

from kernels.engine import Engine, Inputs
from kernels.inputs import mask_planes, masks_key
from kernels.recipe import Recipe

Image = NDArray[Any]


class HeldStills:
    """The inputs of one frame after another; used by one thread at a time."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._last: dict[str, tuple[Hashable, Any, Any]] = {}
        """by plane: a key, what the key names and keeps alive, the engine's handle"""

    def _kept(self, name: str, key: Hashable, named: Any, make: Any) -> Any:
        found = self._last.get(name)
        if found is None or found[0] != key:
            found = self._last[name] = (key, named, make())
        return found[2]

    def _held(self, name: str, image: Image) -> Any:
        return self._kept(name, id(image), image, lambda: self.engine.hold(image))

    def inputs(
        self,
        recipe: Recipe,
        frame: int,
        *,
        plate: Image,
        denoised: Image | None = None,
        clean: Image | None = None,
        background: Image | None = None,
        plate_alpha: Image | None = None,
        pixel_aspect: float = 1.0,
    ) -> Inputs:
        """Return what `kernels.inputs.gather` does; images that are the same array are held once.

        Raises ValueError when pictures that must have the plate's size do not.
        """
        height, width = plate.shape[-2:]
        planes: dict[str, Any] = {"plate": self.engine.hold(plate)}
        for name, image in (("denoised", denoised), ("clean", clean), ("plate_alpha", plate_alpha)):
            if image is None:
                continue
            if image.shape[-2:] != (height, width):
                raise ValueError(
                    f"{name} is {image.shape[-1]}x{image.shape[-2]}, the plate {width}x{height}"
                )
            planes[name] = self._held(name, image)
        planes["background"] = self._background(recipe, frame, background, width, height)
        masks = self._kept(
            "masks",
            (masks_key(recipe, frame), width, height),
            None,
            lambda: self._masks(recipe, frame, width, height, pixel_aspect),
        )
        return Inputs(key=object(), width=width, height=height, planes=planes | masks)

    def _background(
        self, recipe: Recipe, frame: int, image: Image | None, width: int, height: int
    ) -> Any:
        settings = recipe.at(frame).assemble.background
        picture = None if image is None else self._held("picture", image)
        return self._kept(
            "background",
            (settings.model_dump_json(), id(image), width, height),
            image,
            lambda: self.engine.place(picture, settings, width, height),
        )

    def _masks(
        self, recipe: Recipe, frame: int, width: int, height: int, pixel_aspect: float
    ) -> dict[str, Any]:
        masks = mask_planes(recipe, frame, width, height, pixel_aspect=pixel_aspect)
        return {name: self.engine.hold(mask) for name, mask in masks.items()}
