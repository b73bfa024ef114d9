"""What a picture on the wire is of: keys under which equal pictures are shared."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from cachetools import LRUCache

from kernels.plan import Region
from server.wire.messages import Show
from server.wire.protocol import Encoding, snap_width


class Quality(Enum):
    """How a picture is made: quickly while things move, fully at rest, or without loss."""

    MOVING = "moving"
    REST = "rest"
    LOSSLESS = "lossless"


@dataclass(frozen=True)
class FrameSize:
    """Size of the shot's frames in pixels, and a pixel's width over its height."""

    width: int
    height: int
    pixel_aspect: float = 1.0


@dataclass(frozen=True)
class Sight:
    """What is looked at, apart from recipe and frame."""

    name: str
    extractor: str = ""
    channel: str = "colour"
    stress: tuple[str, float, float] = ("off", 8.0, 1.0)
    region: Region | None = None


@dataclass(frozen=True)
class PictureKey:
    """Everything a picture depends on: clients with equal keys share one render and one encode.

    remakes: how often all pictures had been thrown away before.
    """

    remakes: int
    revision: int
    frame: int
    sight: Sight
    width: int
    height: int
    quality: Quality

    @property
    def settled(self) -> PictureKey:
        """The same picture as it is made at rest."""
        stressed = self.sight.stress[0] != "off" and self.sight.name == "matte"
        quality = Quality.LOSSLESS if stressed else Quality.REST
        return PictureKey(
            self.remakes, self.revision, self.frame, self.sight, self.width, self.height, quality
        )


@dataclass(frozen=True)
class Picture:
    """An encoded picture and how it came about."""

    data: bytes
    encoding: Encoding
    quality: int
    flags: int = 0
    render_us: int = 0
    encode_us: int = 0


def sight_of(show: Show, size: FrameSize) -> Sight:
    """Return what a port shows, its region clipped to the frame (outside it: the whole frame)."""
    stress = (show.stress.preset, show.stress.gain, show.stress.gamma)
    region: Region | None = None
    if show.region is not None:
        x0, y0 = max(show.region[0], 0), max(show.region[1], 0)
        x1, y1 = min(show.region[2], size.width), min(show.region[3], size.height)
        whole = (x0, y0, x1, y1) == (0, 0, size.width, size.height)
        region = (x0, y0, x1, y1) if x1 > x0 and y1 > y0 and not whole else None
    if stress[0] == "off":
        stress = ("off", 8.0, 1.0)
    return Sight(show.name, show.extractor, show.channel, stress, region)


def wire_size(region: Region | None, width: int, size: FrameSize) -> tuple[int, int]:
    """Return width and height of the picture on the wire for a viewport of `width` pixels.

    The width snaps to the served widths and is never larger than the region itself; the height
    follows the displayed aspect.
    """
    x0, y0, x1, y1 = region or (0, 0, size.width, size.height)
    wide = min(snap_width(width), x1 - x0)
    high = round(wide * (y1 - y0) / ((x1 - x0) * size.pixel_aspect))
    if high > y1 - y0:
        high = y1 - y0
        wide = max(1, round(high * (x1 - x0) * size.pixel_aspect / (y1 - y0)))
    return wide, max(1, high)


class PictureCache:
    """The latest encoded pictures, least recently used first out."""

    def __init__(self, limit_bytes: int = 48 << 20) -> None:
        self._pictures: LRUCache[PictureKey, Picture] = LRUCache(
            limit_bytes, getsizeof=lambda picture: len(picture.data)
        )

    @property
    def bytes(self) -> int:
        """How much is kept."""
        return int(self._pictures.currsize)

    def get(self, key: PictureKey) -> Picture | None:
        """Return a picture if it is still there."""
        return self._pictures.get(key)

    def put(self, key: PictureKey, picture: Picture) -> None:
        """Keep a picture, dropping old ones to stay within the limit; not one larger than that."""
        if len(picture.data) <= self._pictures.maxsize:
            self._pictures[key] = picture

    def keep_only(self, remakes: int, revision: int) -> None:
        """Drop the pictures of other revisions: revisions only grow, nobody asks for them again."""
        for key in [k for k in self._pictures if (k.remakes, k.revision) != (remakes, revision)]:
            del self._pictures[key]

    def __contains__(self, key: PictureKey) -> bool:
        return key in self._pictures
