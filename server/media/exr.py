"""Writing multi-channel OpenEXR files: a clean header, no overwriting of sources, no torsos."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import OpenImageIO as oiio

from kernels.cpu.pixels import pack_half
from server.media.attributes import Attribute, typed_attribute
from server.media.errors import MediaError
from server.media.exr_header import text_attributes
from server.media.primaries import CHROMATICITIES
from server.media.sequence import is_text

COMPRESSIONS = ("zip", "zips", "none", "piz", "rle", "pxr24", "b44", "b44a", "dwaa", "dwab")
OURS = "verdigris:"
"""How the names of attributes begin that jobs write into their files."""
DEFAULT_LAYERS = ("", "foreground")
"""Layer names whose channels carry no prefix: R G B A."""
_PART = re.compile(r"\.(?P<name>.+)\.(?P<process>\d{1,10})\.part", re.ASCII)
"""What `write_whole` calls a file that is not finished."""


def guard_output(path: str | Path, sources: Iterable[str | Path]) -> Path:
    """The output path, after making sure that it can be named and is none of the sources.

    The picture libraries take no name that is not UTF-8 text. Compares real paths, and device and
    inode, so that symbolic and hard links are seen through. Raises MediaError.
    """
    output = Path(path)
    if not is_text(output):
        shown = str(output).encode("utf-8", "replace").decode()
        raise MediaError(f"'{shown}' is not UTF-8 text; write to a name and a folder that are")
    real = os.path.realpath(output)
    for source in sources:
        same = real == os.path.realpath(source)
        if not same and output.exists():
            with suppress(OSError):
                same = os.path.samefile(output, source)
        if same:
            raise MediaError(f"'{output}' is a source of this shot; write to another name")
    return output


def write_exr(
    path: str | Path,
    layers: Mapping[str, npt.NDArray[Any]],
    *,
    attributes: Mapping[str, Any] | None = None,
    half: bool = True,
    compression: str = "zip",
    interop_id: str | None = None,
    chromaticities: Sequence[float] | None = None,
    pixel_aspect: float | None = None,
    data_window: tuple[int, int, int, int] | None = None,
    display_window: tuple[int, int, int, int] | None = None,
    sources: Iterable[str | Path] = (),
) -> int:
    """Write one single-part EXR and return how many values half precision had to clamp.

    Layers are planar arrays in scene-linear light or whatever `interop_id` says: (H, W) becomes
    `<layer>.A`, (3, H, W) `<layer>.R/G/B`, (4, H, W) `<layer>.R/G/B/A` with colour multiplied by
    alpha. The layer '' or 'foreground' has no prefix; a single plane there is `Y`. Values outside
    0..1 survive; in half, finite values beyond 65504 are written as 65504. Windows are
    (x0, y0, x1, y1), half open; the default is the attribute `displayWindow` if it is of the
    picture's size, else that size at the origin. Attributes carry OpenEXR's own names, as in
    `Frame.attributes`, and are written with their proper types (`timeCode` as a pair of 32-bit
    words, `framesPerSecond` as a Fraction); there is a `capDate` only if one is given.
    chromaticities: of a linear space whose identifier doesn't tell them.

    The file appears complete under its name or not at all. Raises MediaError for a full disk, for
    a path that is one of `sources`, and for layers that do not fit together.
    Source: OpenEXR's reserved layer and channel names and standard attributes.
    """
    output = guard_output(path, sources)
    if compression.split(":")[0] not in COMPRESSIONS:
        raise MediaError(
            f"'{compression}' is not an EXR compression; use one of {', '.join(COMPRESSIONS)}"
        )
    names, planes = _channels(layers)
    kind = np.dtype(np.float16 if half else np.float32)
    pixels: npt.NDArray[Any]
    clamped = 0
    if half:
        pixels, clamped = pack_half(planes)
    else:
        pixels = np.stack(planes, axis=-1).astype(np.float32, copy=False)
    attributes = dict(attributes or {})
    display = display_window or _same_size(attributes.get("displayWindow"), pixels.shape[:2])
    spec = _spec(pixels.shape[1], pixels.shape[0], names, kind, data_window or display, display)
    spec.attribute("compression", compression)
    spec.attribute("PixelAspectRatio", _aspect(pixel_aspect, attributes))
    _set_attributes(spec, attributes)
    if interop_id:
        spec.attribute("colorInteropID", interop_id)
    primaries = CHROMATICITIES.get(interop_id or "", chromaticities)
    if primaries is not None:
        spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), tuple(primaries))
    write_image(output, "openexr", spec, pixels)
    return clamped


def attribute_in(path: Path, name: str) -> str | None:
    """Return a text attribute of a file's header; None without it, or without a readable file."""
    return text_attributes(path).get(name)


def made_here(path: Path) -> bool:
    """Tell whether a file is an EXR that a job baked or rendered, and so no camera's picture."""
    if path.suffix.lower() != ".exr":
        return False
    return any(name.startswith(OURS) for name in text_attributes(path))


def _same_size(window: Any, shape: Sequence[int]) -> tuple[int, int, int, int] | None:
    """A source's display window, for a picture that fills it."""
    if not isinstance(window, tuple) or len(window) != 4:
        return None
    x0, y0, x1, y1 = (int(edge) for edge in window)
    return (x0, y0, x1, y1) if (y1 - y0, x1 - x0) == tuple(shape) else None


def _aspect(given: float | None, attributes: Mapping[str, Any]) -> float:
    return float(given if given is not None else attributes.get("pixelAspectRatio", 1.0))


def write_image(output: Path, format_name: str, spec: Any, pixels: npt.NDArray[Any]) -> None:
    """Write pixels (H, W, C) with OpenImageIO; see `write_whole`."""
    write_whole(output, lambda temporary: _write_file(temporary, format_name, spec, pixels))


def write_whole(output: Path, write: Callable[[Path], None]) -> None:
    """Have a file written under a temporary name in the same folder, then rename it.

    Raises MediaError, with nothing left behind, when the folder or the disk will not take it.
    """
    temporary = output.with_name(f".{output.name}.{os.getpid()}.part")
    try:
        output.parent.mkdir(parents=True, exist_ok=True)
        write(temporary)
        os.replace(temporary, output)
    except (OSError, RuntimeError, _WriteError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        reason = " ".join(re.sub(r"[\"'][^\"']*[\"']", "the file", reason).split())
        misnamed = isinstance(error, IsADirectoryError | NotADirectoryError | FileExistsError)
        remedy = (
            "a file and a folder would have one name, so choose another"
            if misnamed
            else "check the free space and the permissions of its folder"
        )
        reason = reason[:200].rstrip(". ")
        raise MediaError(f"'{output}' cannot be written ({reason}); {remedy}") from None
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def remove_stale_parts(outputs: Iterable[Path]) -> None:
    """Remove what processes that were killed left half-written of these files, and nothing else.

    Goes by the temporary names of `write_whole`; those of processes that run are left alone.
    """
    names: dict[Path, set[str]] = {}
    for output in outputs:
        names.setdefault(output.parent, set()).add(output.name)
    for folder, wanted in names.items():
        with suppress(OSError), os.scandir(folder) as entries:
            for entry in list(entries):
                part = _PART.fullmatch(entry.name)
                if part is None or part["name"] not in wanted or _runs(int(part["process"])):
                    continue
                if entry.is_file(follow_symlinks=False):
                    with suppress(OSError):  # Windows keeps a file that is being written.
                        os.unlink(entry.path)


def _runs(process: int) -> bool:
    if os.name == "nt":  # Asking would send it a signal there.
        return process == os.getpid()
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


class _WriteError(Exception):
    """The image library's own report."""


def _write_file(path: Path, format_name: str, spec: Any, pixels: npt.NDArray[Any]) -> None:
    with path.open("wb"):  # A plain message for what the library would word in its own way.
        pass
    oiio.geterror()
    writer = oiio.ImageOutput.create(format_name)
    if writer is None:
        raise _WriteError(oiio.geterror() or f"no writer for {format_name}")
    good = writer.open(str(path), spec) and writer.write_image(pixels)
    reason = writer.geterror()
    closed = writer.close()
    if not (good and closed):
        free = os.statvfs(path.parent) if hasattr(os, "statvfs") else None
        if free is not None and free.f_bavail * free.f_frsize < pixels.nbytes:
            raise _WriteError("the disk is full")
        raise _WriteError(reason or writer.geterror() or oiio.geterror() or "the write failed")
    if path.stat().st_size == 0:
        raise _WriteError("nothing was written")


def _channels(
    layers: Mapping[str, npt.NDArray[Any]],
) -> tuple[list[str], list[npt.NDArray[Any]]]:
    """Channel names and planes of the layers, in order, checked to be of one size."""
    names: list[str] = []
    planes: list[npt.NDArray[Any]] = []
    for layer, array in layers.items():
        picture = np.asarray(array)
        stack = picture[None] if picture.ndim == 2 else picture
        letters = {1: "A", 3: "RGB", 4: "RGBA"}.get(len(stack) if stack.ndim == 3 else 0)
        if letters is None:
            raise MediaError(
                f"the layer '{layer}' has the shape {picture.shape}; give (H, W), (3, H, W) or "
                "(4, H, W)"
            )
        if layer in DEFAULT_LAYERS:
            names += list(letters) if len(letters) > 1 else ["Y"]
        else:
            names += [f"{layer}.{letter}" for letter in letters]
        planes += list(stack)
    if not planes or len({plane.shape for plane in planes}) != 1 or planes[0].size == 0:
        sizes = ", ".join(f"{name} {np.shape(array)}" for name, array in layers.items())
        raise MediaError(f"the layers to write must be pictures of one size ({sizes or 'none'})")
    if len(set(names)) != len(names):
        raise MediaError(f"two layers would write the same channel ({', '.join(names)})")
    return names, planes


def _spec(
    width: int,
    height: int,
    names: Sequence[str],
    kind: np.dtype[Any],
    data_window: tuple[int, int, int, int] | None,
    display_window: tuple[int, int, int, int] | None,
) -> Any:
    spec = oiio.ImageSpec(width, height, len(names), "half" if kind.itemsize == 2 else "float")
    spec.channelnames = tuple(names)
    data = data_window or (0, 0, width, height)
    display = display_window or (0, 0, width, height)
    if (data[2] - data[0], data[3] - data[1]) != (width, height):
        raise MediaError(f"the data window {data} does not fit a picture of {width} x {height}")
    spec.x, spec.y = data[0], data[1]
    spec.full_x, spec.full_y = display[0], display[1]
    spec.full_width, spec.full_height = display[2] - display[0], display[3] - display[1]
    return spec


def _set_attributes(spec: Any, attributes: Mapping[str, Attribute]) -> None:
    """Attributes with their proper types; those about storage and colour are ours to set."""
    spec.attribute("DateTime", "")  # Else the library makes this moment the capture date.
    ours = {
        "compression", "chromaticities", "colorInteropID", "acesImageContainerFlag",
        "dataWindow", "displayWindow", "pixelAspectRatio", "PixelAspectRatio",
    }  # fmt: skip
    for name, value in attributes.items():
        typed = None if name in ours else typed_attribute(name, value)
        if typed is not None:
            spec.attribute(*typed)
