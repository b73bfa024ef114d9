"""A contact sheet: what was shot, what is true, what a method made of it, and its worst place."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.codec import REC709_FROM_ACESCG
from demo_media.families.scoring import Result, counted
from demo_media.families.shot import FamilyShot, TruthFrame
from kernels.errors import VerdigrisError

Image = NDArray[np.float32]
Picture = NDArray[np.uint8]

BRIGHT, DARK = (0.80, 0.76, 0.70), (0.020, 0.022, 0.026)
ERROR_WINDOW_PX = 25
TITLES = ("plate", "true alpha", "key alpha", "over bright", "over dark", "worst place 1:1")
BAR_PX = 18


def display_from_working(image: Image) -> Picture:
    """Linear ACEScg (3, h, w) as sRGB bytes (h, w, 3), rolled off softly above 0.8.

    Source of the curve: IEC 61966-2-1.
    """
    linear = np.tensordot(REC709_FROM_ACESCG.astype(np.float32), image, axes=1)
    over = np.maximum(linear - 0.8, 0)
    x = np.clip(np.where(linear > 0.8, 1 - 0.2 * np.exp(-over / 0.6), linear), 0, 1)
    signal = np.where(
        x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 0.0031308) ** (1 / 2.4) - 0.055
    )
    return np.asarray(np.moveaxis(np.round(signal * 255), 0, -1).astype(np.uint8))


def matte_picture(alpha: Image) -> Picture:
    """Alpha as grey bytes (h, w, 3), linear: what is 0.5 is 128."""
    grey = np.round(np.clip(alpha, 0, 1) * 255).astype(np.uint8)
    return np.asarray(np.repeat(grey[..., None], 3, axis=2))


def over_flat(frame: TruthFrame, result: Result, colour: tuple[float, float, float]) -> Image:
    """The result over one colour; a matte alone takes the true spill-free foreground."""
    straight = frame.foreground_clean if result.straight is None else result.straight
    under = np.asarray(colour, np.float32)[:, None, None]
    return np.asarray(result.alpha * straight + (1 - result.alpha) * under, np.float32)


def worst_place(frame: TruthFrame, result: Result, size: tuple[int, int]) -> tuple[int, int]:
    """Top left corner of the `size` (w, h) window round the edge where alpha is most wrong."""
    wrong = np.abs(counted(result.alpha, frame) - frame.alpha) * frame.edge_mask
    pooled = cv2.boxFilter(np.asarray(wrong, np.float32), -1, (ERROR_WINDOW_PX, ERROR_WINDOW_PX))
    y, x = np.unravel_index(int(np.argmax(pooled)), pooled.shape)
    height, width = frame.alpha.shape
    w, h = min(size[0], width), min(size[1], height)
    return int(np.clip(x - w // 2, 0, width - w)), int(np.clip(y - h // 2, 0, height - h))


def _crop(frame: TruthFrame, result: Result, tile: tuple[int, int]) -> Picture:
    """Plate, true alpha, key alpha and the dark composite of the worst place, pixel for pixel."""
    w, h = tile[0] // 2, tile[1] // 2
    x, y = worst_place(frame, result, (w, h))
    parts = [
        display_from_working(frame.plate),
        matte_picture(frame.alpha),
        matte_picture(result.alpha),
        display_from_working(over_flat(frame, result, DARK)),
    ]
    cuts = [_padded(p[y : y + h, x : x + w], (w, h)) for p in parts]
    return np.concatenate([np.concatenate(cuts[:2], 1), np.concatenate(cuts[2:], 1)], 0)


def _padded(picture: Picture, size: tuple[int, int]) -> Picture:
    out = np.zeros((size[1], size[0], 3), np.uint8)
    out[: picture.shape[0], : picture.shape[1]] = picture
    return out


def _row(shot: FamilyShot, result: Result, index: int, tile: tuple[int, int]) -> Picture:
    frame = shot.frames[index]
    tiles = [
        display_from_working(frame.plate),
        matte_picture(frame.alpha),
        matte_picture(result.alpha),
        display_from_working(over_flat(frame, result, BRIGHT)),
        display_from_working(over_flat(frame, result, DARK)),
    ]
    small = [cv2.resize(t, tile, interpolation=cv2.INTER_AREA) for t in tiles]
    small.append(_crop(frame, result, tile))
    picture = np.concatenate(small, axis=1)
    bar = np.full((BAR_PX, picture.shape[1], 3), 24, np.uint8)
    wrong = float(np.abs(counted(result.alpha, frame) - frame.alpha).sum()) / 1000
    for i, title in enumerate((f"{shot.name}  SAD {wrong:.2f} k", *TITLES[1:])):
        place = (tile[0] * i + 4, BAR_PX - 5)
        cv2.putText(bar, title, place, cv2.FONT_HERSHEY_SIMPLEX, 0.40, (220, 220, 220), 1,
                    cv2.LINE_AA)  # fmt: skip
    return np.asarray(np.concatenate([bar, picture], axis=0))


def contact_sheet(
    entries: Sequence[tuple[FamilyShot, Result]], *, frame: int = 0, tile_width: int = 320
) -> Picture:
    """One row a (shot, result of its frame `frame`), as RGB bytes (h, w, 3).

    Columns: plate, true alpha, key alpha, over a bright and over a dark colour, and the worst edge
    at 1:1 (plate and true alpha above key alpha and dark composite).
    """
    if not entries:
        raise ValueError("expected at least one shot and its result, got none")
    rows = []
    for shot, result in entries:
        height, width = shot.frames[frame].alpha.shape
        tile = (tile_width - tile_width % 2, 2 * round(tile_width * height / width / 2))
        rows.append(_row(shot, result, frame, tile))
    return np.concatenate(rows, axis=0)


def write_sheet(target: Path, picture: Picture) -> None:
    """Write a sheet as PNG: to a temporary name, then renamed. Raises VerdigrisError on failure."""
    done, data = cv2.imencode(".png", picture[..., ::-1])
    if not done:
        raise VerdigrisError(f"the contact sheet for {target.name} could not be encoded as PNG")
    temporary = target.with_name(target.name + ".part")
    try:
        temporary.write_bytes(data.tobytes())
        temporary.replace(target)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise VerdigrisError(
            f"the contact sheet could not be written to {target}: {error}"
        ) from None
