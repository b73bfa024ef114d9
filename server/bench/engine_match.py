"""The same shot rendered on the card and on the processor: how far the results differ."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio
from numpy.typing import NDArray

from demo_media import make_demo
from kernels.engine import Engine
from kernels.engines import choose_engine
from kernels.parity import TOLERANCES, difference
from kernels.recipe import Recipe
from kernels.recipe_file import load_recipe, save_recipe
from server.keying.demo import demo_recipe
from server.keying.render import Renderer
from server.keying.render_job import RenderJob
from server.media import Shot, open_shot
from server.media.companions import open_companions
from server.media.errors import MediaError
from server.media.roots import MediaRoots

LIMITS = {"A": "guide", "alpha": "guide", "straight": "edge"}
"""Row of the tolerance table for a channel's layer; the others are colour."""


def engine_match(shot: str, recipe: str, engines: tuple[Any, Any] = ("cuda", "cpu")) -> Any:
    """Render all frames of `shot` on both engines to float EXRs and compare channel by channel.

    Returns for every channel the largest difference relative to max(1, |value|) and its tolerance,
    and under `over_tolerance` those that are over. Raises EngineError without a card.
    """
    key, source = load_recipe(recipe), open_shot(shot)
    roots = MediaRoots([Path(recipe).resolve().parent])
    with tempfile.TemporaryDirectory(prefix="verdigris-match-") as name:
        folders = []
        for number, engine_name in enumerate(engines):
            engine = choose_engine(engine_name, storage="float32").engine
            folders.append(Path(name) / str(number))
            try:
                _render(source, key, roots, folders[-1], engine)
            finally:
                engine.close()
        largest: dict[str, float] = {}
        for frame in source.frames:
            a, b = (_channels(folder / f"key.{frame:04d}.exr") for folder in folders)
            for channel in a:
                error = difference(a[channel], b[channel])
                largest[channel] = max(largest.get(channel, 0.0), error)
    rows = {channel: [error, _tolerance(channel)] for channel, error in largest.items()}
    over = {channel: row for channel, row in rows.items() if not row[0] <= row[1]}
    return {"frames": len(source.frames), "over_tolerance": over, "channels": rows}


def demo_match() -> Any:
    """Make the demo shot and its first key, and compare all its frames: see `engine_match`."""
    with tempfile.TemporaryDirectory(prefix="verdigris-match-") as name:
        paths = make_demo(Path(name) / "demo")
        recipe = paths.folder / "gardener.json"
        save_recipe(demo_recipe(paths), recipe)
        return engine_match(str(paths.shot), str(recipe))


def _render(source: Shot, key: Recipe, roots: MediaRoots, folder: Path, engine: Engine) -> None:
    job = RenderJob(
        shot=source,
        recipe=key,
        out=str(folder / "key.####.exr"),
        layers=("alpha", "straight", "composite"),
        frames=tuple(source.frames),
        half=False,
        companions=open_companions(key, roots),
    )
    Renderer(job, engine).run()


def _channels(path: Path) -> dict[str, NDArray[np.float32]]:
    image = oiio.ImageInput.open(str(path))
    if image is None:
        raise MediaError(f"'{path}' cannot be read: {oiio.geterror()}")
    try:
        pixels = image.read_image("float")
        if pixels is None:
            raise MediaError(f"'{path}' cannot be read: {image.geterror()}")
        return {c: pixels[..., n] for n, c in enumerate(image.spec().channelnames)}
    finally:
        image.close()


def _tolerance(channel: str) -> float:
    return TOLERANCES[LIMITS.get(channel.split(".")[0], "colour")][0]
