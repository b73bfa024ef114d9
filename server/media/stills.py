"""Small 8-bit pictures for people: PNG and JPEG files, and contact sheets."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from server.media.errors import MediaError
from server.media.exr import guard_output, write_whole

UInt8 = npt.NDArray[np.uint8]

_ENDINGS = (".png", ".jpg", ".jpeg")


def codes_from_display(pixels: npt.NDArray[Any]) -> UInt8:
    """Display values (3, H, W) or (H, W) as 8-bit codes (H, W, 3) or (H, W), rounded, clipped."""
    codes = np.rint(np.clip(np.nan_to_num(pixels), 0.0, 1.0) * 255.0).astype(np.uint8)
    return np.ascontiguousarray(np.moveaxis(codes, 0, -1)) if codes.ndim == 3 else codes


def write_still(
    path: str | Path, picture: UInt8, *, quality: int = 92, sources: Iterable[str | Path] = ()
) -> None:
    """Write 8-bit codes (H, W), (H, W, 3) or, for PNG, (H, W, 4) with straight alpha.

    The ending chooses PNG or JPEG (4:4:4). The picture is encoded in memory, as the libraries'
    own file writers end the process or say nothing when the disk is full. The file appears
    complete or not at all. Raises MediaError.
    """
    output = guard_output(path, sources)
    if output.suffix.lower() not in _ENDINGS:
        raise MediaError(f"'{output}' must end in .png or .jpg; give it one of these endings")
    planes = picture[..., None] if picture.ndim == 2 else picture
    channels = (1, 3, 4) if output.suffix.lower() == ".png" else (1, 3)
    if planes.ndim != 3 or planes.shape[2] not in channels or planes.dtype != np.uint8:
        raise MediaError(
            f"'{output}' needs 8-bit grey or RGB (PNG also RGBA) and got {picture.dtype} of shape "
            f"{picture.shape}; convert it first"
        )
    order = {1: [0], 3: [2, 1, 0], 4: [2, 1, 0, 3]}[planes.shape[2]]
    options = [
        cv2.IMWRITE_JPEG_QUALITY, quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]  # fmt: skip
    if output.suffix.lower() == ".png":
        options = [cv2.IMWRITE_PNG_COMPRESSION, 3]
    good, data = cv2.imencode(output.suffix, np.ascontiguousarray(planes[..., order]), options)
    if not good:
        raise MediaError(f"'{output}' cannot be encoded; choose a smaller picture")
    write_whole(output, lambda temporary: _write_bytes(temporary, data.tobytes()))


def _write_bytes(path: Path, data: bytes) -> None:
    path.write_bytes(data)


def contact_sheet(
    pictures: Sequence[UInt8],
    *,
    columns: int = 4,
    cell_width: int = 480,
    gap_px: int = 8,
    labels: Sequence[str] = (),
) -> UInt8:
    """One RGB picture (H, W, 3) of many, scaled to one width, in rows, with a label under each.

    Grey pictures are shown as grey. Cells are as high as the tallest picture.
    """
    if not pictures:
        raise MediaError("a contact sheet needs at least one picture; choose some frames")
    columns = max(1, min(columns, len(pictures)))
    cells = [_fitted(picture, cell_width) for picture in pictures]
    label_px = 28 if labels else 0
    cell_height = max(cell.shape[0] for cell in cells) + label_px
    rows = -(-len(cells) // columns)
    sheet = np.full(
        (
            rows * cell_height + (rows + 1) * gap_px,
            columns * cell_width + (columns + 1) * gap_px,
            3,
        ),
        24,
        np.uint8,
    )
    for number, cell in enumerate(cells):
        row, column = divmod(number, columns)
        top = gap_px + row * (cell_height + gap_px)
        left = gap_px + column * (cell_width + gap_px)
        sheet[top : top + cell.shape[0], left : left + cell_width] = cell
        if number < len(labels):
            at = (left + 4, top + cell_height - 8)
            cv2.putText(
                sheet, labels[number], at, cv2.FONT_HERSHEY_SIMPLEX, 0.55, (210, 210, 210), 1,
                cv2.LINE_AA,
            )  # fmt: skip
    return sheet


def _fitted(picture: UInt8, width: int) -> npt.NDArray[Any]:
    colour = np.repeat(picture[..., None], 3, axis=2) if picture.ndim == 2 else picture[..., :3]
    height = max(1, round(colour.shape[0] * width / colour.shape[1]))
    shrinks = width < colour.shape[1]
    kind = cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR
    return cv2.resize(np.ascontiguousarray(colour), (width, height), interpolation=kind)
