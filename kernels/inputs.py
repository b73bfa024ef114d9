"""Gathering the planes of one frame for an engine, shapes rasterised to masks."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.engine import Engine, Inputs
from kernels.recipe import Recipe, Shape, ShapePose
from kernels.reference.shapes import rasterise
from kernels.stages import pixel_aspect_of

Image = NDArray[Any]


def masks_of(recipe: Recipe) -> Iterator[tuple[str, list[Shape]]]:
    """Yield the names and shapes of the masks a recipe needs; areas with no shape on are left out.

    Shapes switched off do not count; a list with none on means what an empty list means.
    """
    lists = [
        ("mask:garbage", recipe.garbage),
        ("mask:keep_solid", recipe.keep_solid),
        ("mask:screen_light", recipe.assemble.screen_light.shapes),
        *((f"mask:{item.id}", item.shapes) for item in [*recipe.extractors, *recipe.despill]),
    ]
    for name, shapes in lists:
        on = [shape for shape in shapes if shape.on]
        if on:
            yield name, on


def mask_planes(
    recipe: Recipe, frame: int, width: int, height: int, *, pixel_aspect: float = 1.0
) -> dict[str, NDArray[np.float32]]:
    """Return the rasterised masks of a recipe at a frame, (height, width), by plane name.

    pixel_aspect: the shot's, where the recipe says nothing else.
    """
    resolved = recipe.at(frame)
    pixel_aspect = pixel_aspect_of(resolved, pixel_aspect)
    return {
        name: np.asarray(
            rasterise(shapes, frame, width, height, pixel_aspect=pixel_aspect), np.float32
        )
        for name, shapes in masks_of(resolved)
    }


def needs_background(recipe: Recipe) -> bool:
    """Tell whether the background takes a picture or movie that has to be read."""
    return recipe.assemble.background.kind == "picture" and bool(recipe.assemble.background.path)


def gather(
    engine: Engine,
    recipe: Recipe,
    frame: int,
    *,
    plate: Image,
    denoised: Image | None = None,
    clean: Image | None = None,
    background: Image | None = None,
    plate_alpha: Image | None = None,
    pixel_aspect: float = 1.0,
    key: Hashable = None,
) -> Inputs:
    """Hold the pictures of one frame in the engine's memory and return them as inputs.

    plate, denoised, clean: (3, H, W) scene-linear. background: its picture of any size, (3, h, w);
    without one a picture background is black. plate_alpha: (H, W). pixel_aspect: the shot's, where
    the recipe says nothing else. Raises ValueError when pictures that must have the plate's size do
    not.
    """
    height, width = plate.shape[-2:]
    planes: dict[str, Any] = {"plate": engine.hold(plate)}
    for name, image in (("denoised", denoised), ("clean", clean), ("plate_alpha", plate_alpha)):
        if image is None:
            continue
        if image.shape[-2:] != (height, width):
            raise ValueError(
                f"{name} is {image.shape[-1]}x{image.shape[-2]}, the plate {width}x{height}"
            )
        planes[name] = engine.hold(image)
    resolved = recipe.at(frame)
    picture = None if background is None else engine.hold(background)
    planes["background"] = engine.place(
        picture,
        resolved.assemble.background,
        width,
        height,
        pixel_aspect=pixel_aspect_of(resolved, pixel_aspect),
    )
    masks = mask_planes(recipe, frame, width, height, pixel_aspect=pixel_aspect)
    planes |= {name: engine.hold(mask) for name, mask in masks.items()}
    return Inputs(
        key=key if key is not None else object(), width=width, height=height, planes=planes
    )


def masks_key(recipe: Recipe, frame: int) -> Hashable:
    """Return a key that changes when any mask of the recipe changes at this frame."""
    shapes_on = tuple((name, _frozen(shapes, frame)) for name, shapes in masks_of(recipe))
    return (recipe.source.pixel_aspect, shapes_on) if shapes_on else ()


def _frozen(shapes: list[Shape], frame: int) -> Hashable:
    return tuple(
        (s.kind, s.inverted, s.model_dump_json(include={"feather_px"}), _poses(s.poses))
        for s in shapes
    ) + ((frame,) if any(_moves(s) for s in shapes) else ())


def _moves(shape: Shape) -> bool:
    return len(shape.poses) > 1 or not isinstance(shape.feather_px, int | float)


def _poses(poses: list[ShapePose]) -> Hashable:
    return tuple((pose.frame, tuple(pose.points)) for pose in poses)
