"""Making one picture: at full or half size, on the card or off it, whatever memory there is.

Belongs to the thread that owns the engine.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

from kernels.engine import U8, DevicePictures, Engine, Inputs, View
from kernels.plan import Plan, Region
from kernels.recipe import Recipe
from server.pictures.encode import MOVING_QUALITY, REST_QUALITY, encode
from server.pictures.keys import Picture, PictureKey, Quality
from server.pictures.resident import ResidentShot
from server.wire.protocol import Flag

DRAFT_FROM_S = 0.030
"""a picture keyed at full size taking longer than this is keyed at half size while moving"""


@dataclass(frozen=True)
class Made:
    """A picture still to be encoded, or encoded by the engine already."""

    pixels: U8 | None
    picture: Picture | None
    flags: int
    seconds: float


def encoded(made: Made, quality: Quality) -> Picture:
    """Return a made picture in bytes; may run on any thread."""
    if made.picture is not None:
        return made.picture
    assert made.pixels is not None
    return encode(made.pixels, quality, made.flags, int(made.seconds * 1e6))


@dataclass
class Pace:
    """How long pictures keyed at full size take of late; decides when to key at half size."""

    seconds: float = 0.0

    def note(self, seconds: float) -> None:
        """Take in a full-size picture's time."""
        self.seconds = seconds if not self.seconds else 0.7 * self.seconds + 0.3 * seconds

    def draft(self, engine: Engine, key: PictureKey, region: Region) -> int:
        """Return 2 for keying at half size, else 1: as long as nothing slow was measured.

        region: what is looked at. One with odd edges has no half size.
        """
        x0, y0, x1, y1 = region
        coarse = (x1 - x0) * (y1 - y0) >= 2 * key.width * key.height
        halves = not any(edge % 2 for edge in region)
        slow = self.seconds > DRAFT_FROM_S and key.quality is Quality.MOVING
        return 2 if engine.abilities.drafts and slow and coarse and halves else 1


@dataclass
class PictureMaker:
    """Makes pictures with one engine; falls back to the cpu engine where GPU memory runs out."""

    engine: Engine
    pace: Pace = field(default_factory=Pace)
    _spare: Engine | None = None

    def make(self, opened: ResidentShot, key: PictureKey, recipe: Recipe) -> Made:
        """Make the picture of `key`.

        Raises NotReadyError when a frame has left the store meanwhile.
        """
        start = time.perf_counter()
        try:
            made = self._try(opened, key, recipe)
        except MemoryError:
            opened.make_room()
            try:
                made = self._try(opened, key, recipe)
            except MemoryError:
                made = self._off_the_card(opened, key, recipe)
        seconds = time.perf_counter() - start
        if not made.flags & Flag.DRAFT and key.sight.region is None:
            self.pace.note(seconds)
        return made

    def _try(self, opened: ResidentShot, key: PictureKey, recipe: Recipe) -> Made:
        inputs, missing = opened.inputs(recipe, key.frame)
        draft = self.pace.draft(self.engine, key, key.sight.region or inputs.whole)
        plan = opened.plan(recipe, key.frame, inputs)
        view = opened.view(recipe, key.frame, key.sight, key.width, key.height, draft)
        flags = flags_of(key, missing, draft)
        card = self.engine.device_pictures
        if key.quality is not Quality.LOSSLESS and card is not None:
            return _on_the_card(card, plan, inputs, view, key.quality, flags)
        pixels, seconds = _timed(lambda: self.engine.render(plan, inputs, view))
        return Made(pixels, None, flags, seconds)

    def _off_the_card(self, opened: ResidentShot, key: PictureKey, recipe: Recipe) -> Made:
        """Make the picture with the cpu engine, and say so."""
        if self._spare is None:
            from kernels.cpu import cpu_engine

            self._spare = cpu_engine()
        spare = self._spare
        inputs = opened.host_inputs(spare, recipe, key.frame)
        plan = opened.plan(recipe, key.frame, inputs)
        view = opened.view(recipe, key.frame, key.sight, key.width, key.height)
        pixels, seconds = _timed(lambda: spare.render(plan, inputs, view))
        opened.problems["memory"] = "GPU memory ran out: this frame was made by the cpu engine"
        return Made(pixels, None, flags_of(key, False, 1) | Flag.FALLBACK, seconds)

    def close(self) -> None:
        """End the spare engine."""
        if self._spare is not None:
            self._spare.close()


def _timed(work: Callable[[], U8]) -> tuple[U8, float]:
    start = time.perf_counter()
    return work(), time.perf_counter() - start


def _on_the_card(
    card: DevicePictures, plan: Plan, inputs: Inputs, view: View, quality: Quality, flags: int
) -> Made:
    """Render and encode without leaving the card."""
    start = time.perf_counter()
    device = card.render_device(plan, inputs, view)
    rendered = time.perf_counter()
    moving = quality is Quality.MOVING
    number, chroma = (MOVING_QUALITY, "420") if moving else (REST_QUALITY, "444")
    data = card.encode_jpeg(device, number, chroma)
    end = time.perf_counter()
    spent = int((rendered - start) * 1e6), int((end - rendered) * 1e6)
    return Made(None, Picture(data, "jpeg", number, flags, *spent), flags, rendered - start)


def flags_of(key: PictureKey, missing: bool, draft: int) -> int:
    """Return the header's flags of a picture, without encoding and port."""
    flags = Flag.MISSING if missing else Flag(0)
    if key.quality is Quality.MOVING:
        flags |= Flag.MOVING
    if draft > 1:
        flags |= Flag.DRAFT
    if key.sight.stress[0] != "off" and key.sight.name == "matte":
        flags |= Flag.STRESS
    return int(flags)
