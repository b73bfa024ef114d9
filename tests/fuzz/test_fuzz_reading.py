"""Damaged stills, movies and recipes: one sentence or a picture, never anything else.

The pictures are opened and read in a process apart, as the service does it, so that a crash of a
library is seen and counted. VERDIGRIS_FUZZ=N runs N times as many, each round with a seed of its
own; `python -m pytest tests/fuzz -s` prints the table.
"""

from __future__ import annotations

import json
import os
import random
import struct
from collections import Counter
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import OpenEXR
import PIL.Image
import pytest
import tifffile

from kernels.errors import VerdigrisError
from kernels.recipe import starting_recipe
from kernels.recipe_file import load_recipe
from server.media import Limits, MediaError, open_shot, write_exr
from server.media.apart import Apart

pytestmark = pytest.mark.slow
ROUNDS = int(os.environ.get("VERDIGRIS_FUZZ", "1"))
STILLS_A_ROUND, MOVIES_A_ROUND, RECIPES_A_ROUND = 120, 40, 600
SMALL = Limits(side_px=2048, megabytes=128)


def mutate(data: bytes, rng: random.Random) -> bytes:
    """Change bytes, words, runs or lengths; half of the time in the header, where it hurts."""
    torn = bytearray(data)
    for _ in range(rng.choice([1, 1, 2, 4, 16])):
        reach = min(len(torn), rng.choice([64, 400, 2048, len(torn)]))
        at = rng.randrange(max(1, reach))
        way = rng.randrange(7)
        if way == 0:
            torn[at] = rng.randrange(256)
        elif way == 1:
            torn[at] ^= 1 << rng.randrange(8)
        elif way == 2:
            value = rng.choice([0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 0x80000000, rng.randrange(2**32)])
            torn[at : at + 4] = struct.pack(rng.choice("<>") + "I", value)
        elif way == 3:
            torn = torn[: max(1, rng.randrange(len(torn)))]
        elif way == 4:
            del torn[at : at + rng.choice([1, 4, 100])]
        elif way == 5:
            torn[at:at] = rng.randbytes(rng.choice([1, 4, 100]))
        else:
            torn[at : at + 8] = bytes(8)
        if not torn:
            return b"x"
    return bytes(torn)


def stills(folder: Path) -> list[Path]:
    """Good pictures of every format, 16 x 12."""
    folder.mkdir()
    codes = np.random.default_rng(1).integers(0, 256, (12, 16, 3), np.uint8)
    planes = np.moveaxis(codes, -1, 0).astype(np.float32) / 255
    header = {"compression": OpenEXR.PIZ_COMPRESSION, "type": OpenEXR.tiledimage,
              "tiles": OpenEXR.TileDescription(), "owner": "someone"}  # fmt: skip
    channels = {n: np.ascontiguousarray(p) for n, p in zip("RGB", planes, strict=True)}
    with OpenEXR.File(header, channels) as file:
        file.write(str(folder / "tiles.exr"))
    for name in ("zip", "dwaa", "b44", "rle"):
        write_exr(
            folder / f"{name}.exr", {"": planes}, compression=name, interop_id="lin_ap1_scene"
        )
    picture = PIL.Image.fromarray(codes)
    for name in ("a.png", "a.jpg", "lzw.tif"):
        options = {"compression": "tiff_lzw"} if name.endswith("tif") else {}
        picture.save(folder / name, **options)
    picture.quantize(16).save(folder / "palette.png")
    tifffile.imwrite(folder / "deep.tif", codes.astype(np.uint16) * 257, photometric="rgb")
    (folder / "a.dpx").write_bytes(dpx(codes))
    return sorted(folder.iterdir())


def dpx(codes: Any) -> bytes:
    """An 8-bit RGB DPX. Source: SMPTE ST 268-1."""
    height, width, _ = codes.shape
    head = bytearray(2048)
    struct.pack_into(">4sI8sI", head, 0, b"SDPX", 2048, b"V2.0", 2048 + codes.size)
    struct.pack_into(">HHII", head, 768, 0, 1, width, height)
    struct.pack_into(">BBBBHHI", head, 800, 50, 6, 6, 8, 0, 0, 2048)
    return bytes(head) + codes.tobytes()


MOVIES = {
    "a.mp4": ("libx264", "yuv420p"),
    "b.mov": ("prores_ks", "yuv422p10le"),
    "c.mkv": ("libx264", "yuv444p"),
    "d.avi": ("mjpeg", "yuvj420p"),
    "e.mxf": ("mpeg2video", "yuv420p"),
    "f.webm": ("libvpx-vp9", "yuv420p"),
}


def movies(folder: Path) -> list[Path]:
    """Good movies of every container, 64 x 48, five frames."""
    folder.mkdir()
    rng = np.random.default_rng(2)
    for name, (codec, pix_fmt) in MOVIES.items():
        with av.open(str(folder / name), "w") as container:
            stream: Any = container.add_stream(codec, rate=Fraction(25))
            stream.width, stream.height, stream.pix_fmt = 64, 48, pix_fmt
            stream.options = {"g": "3"}
            for n in range(5):
                codes = rng.integers(0, 256, (48, 64, 3), np.uint8)
                frame = av.VideoFrame.from_ndarray(codes, "rgb24").reformat(format=pix_fmt)
                frame.pts = n
                frame.time_base = Fraction(1, 25)
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
    return sorted(folder.iterdir())


def look_at(path: str) -> str:
    """Open and read a picture or the ends of a movie: 'read', 'refused', or what went wrong."""
    av.logging.set_level(None)
    try:
        shot = open_shot(path, missing="hold", limits=SMALL)
        for frame in dict.fromkeys([shot.frames[0], shot.frames[-1]]):
            pixels = shot.read(frame).pixels
            if pixels.shape != (3, shot.height, shot.width) or not np.isfinite(pixels).all():
                return f"wrong pixels {pixels.shape}"
    except MediaError as error:
        text = str(error)
        good = "\n" not in text and len(text) < 700 and "Traceback" not in text
        text.encode("utf-8")
        if "cannot be opened (" in text and "Error:" in text:
            return f"a library's own words: {text}"
        return "refused" if good and Path(path).name in text else f"bad sentence: {text}"
    return "read"


def run(
    makers: Callable[[Path], list[Path]], tmp_path: Path, count: int, what: str
) -> tuple[Counter[str], list[str]]:
    found: Counter[str] = Counter()
    wrong: list[str] = []
    with Apart() as apart:
        for source in makers(tmp_path / "good"):
            assert apart.call(source.name, look_at, str(source)) == "read", source.name
            good = source.read_bytes()
            for n in range(count * ROUNDS):
                rng = random.Random(f"{source.name} {n}")
                path = tmp_path / f"{n}.{source.name}"
                path.write_bytes(mutate(good, rng))
                os.utime(path, (1, 1))
                try:
                    told = apart.call(path.name, look_at, str(path))
                except MediaError as error:
                    crash = "ends the process" in str(error)
                    told = "crashed" if crash else f"raised: {error}"
                if told not in ("read", "refused", "crashed"):
                    wrong.append(f"{path.name}: {told}")
                found[told if told in ("read", "refused", "crashed") else "wrong"] += 1
                path.unlink()
    print(f"fuzz {what}: {sum(found.values())} tried, {dict(found)}")
    return found, wrong


def test_damaged_stills(tmp_path: Path) -> None:
    """Our own rule, no outside source: every damaged picture is read or refused in one sentence
    that names it, and whatever happens to the reader, the caller goes on."""
    found, wrong = run(stills, tmp_path, STILLS_A_ROUND, "stills")
    assert wrong == []
    assert found["refused"] > found["crashed"]


def test_damaged_movies(tmp_path: Path) -> None:
    """Our own rule, no outside source."""
    found, wrong = run(movies, tmp_path, MOVIES_A_ROUND, "movies")
    assert wrong == []
    assert found["refused"] + found["read"] > found["crashed"]


def _spoil(value: Any, rng: random.Random) -> Any:
    """One place of a JSON document replaced by something else."""
    if isinstance(value, dict) and value and rng.random() < 0.85:
        key = rng.choice(list(value))
        return {**value, key: _spoil(value[key], rng)}
    if isinstance(value, list) and value and rng.random() < 0.85:
        at = rng.randrange(len(value))
        return [*value[:at], _spoil(value[at], rng), *value[at + 1 :]]
    odd: list[Any] = [
        None, True, -1, 10**400, 1e308, "x" * 5000, "\ud800", [], {}, [[[[]]]], "NaN", 2**63,
        {"a" * 3000: 1}, float("nan"), float("inf"), -0.0, "../../etc",
    ]  # fmt: skip
    return rng.choice(odd)


def test_damaged_recipes(tmp_path: Path) -> None:
    """Our own rule, no outside source: a recipe is loaded or refused in one short sentence."""
    good = starting_recipe().dump()
    text = json.dumps(good).encode()
    found: Counter[str] = Counter()
    path = tmp_path / "key.json"
    for n in range(RECIPES_A_ROUND * ROUNDS):
        rng = random.Random(f"recipe {n}")
        spoiled = json.dumps(_spoil(good, rng)).encode() if n % 2 else mutate(text, rng)
        path.write_bytes(spoiled)
        try:
            load_recipe(path)
            found["loaded"] += 1
        except VerdigrisError as error:
            found["refused"] += 1
            told = str(error)
            told.encode("utf-8")
            assert len(told) < 600, told[:200]
            assert "\n" not in told
    print(f"fuzz recipes: {sum(found.values())} tried, {dict(found)}")
    assert found["refused"] > 0
