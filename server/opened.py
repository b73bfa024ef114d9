"""A shot that is open: its planes in the engine's memory, and pictures made from them.

`needs`, `missing` and `open_companion` may be called from any thread, everything else belongs to
the thread that owns the engine.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Any, cast

from kernels.engine import U8, DisplayTable, Engine, Inputs, Look, Stress, View
from kernels.errors import VerdigrisError
from kernels.inputs import mask_planes, masks_key, needs_backdrop
from kernels.parameters import resolve
from kernels.plan import Plan, build_plan
from kernels.recipe import Recipe
from server.frames import FrameId, FrameStore
from server.jobs.companions import companion_frame
from server.media import Colour, Shot, open_shot
from server.media.display import RAW_DISPLAY, DisplayChoice, default_choice, display_table
from server.pictures import FrameSize, PictureKey, Quality, Sight
from server.playback import PlayClock
from server.pools import IdlePool
from server.protocol import Flag
from server.renderer import copied_to
from server.roots import MediaRoots

DRAFT_FROM_S = 0.030
"""a picture keyed at full size taking longer than this is keyed at half size while moving"""


@dataclass(frozen=True)
class Companion:
    """Another picture that a recipe names: clean plate, denoised pass or backdrop."""

    role: str
    name: str
    colourspace: str = ""


def companions_of(recipe: Recipe) -> list[Companion]:
    """Return the companions a recipe names."""
    backing, backdrop = recipe.backing, recipe.assemble.backdrop
    found = []
    if backing.clean_plate == "file" and backing.clean_plate_path:
        found.append(Companion("clean", backing.clean_plate_path, backing.clean_plate_colourspace))
    if recipe.source.denoised_path:
        found.append(Companion("denoised", recipe.source.denoised_path))
    if needs_backdrop(recipe):
        found.append(Companion("backdrop", backdrop.path, backdrop.colourspace))
    return found


class Latest:
    """A few values by key, least recently used first out."""

    def __init__(self, size: int) -> None:
        self.size = size
        self._values: OrderedDict[Hashable, Any] = OrderedDict()

    def get(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """Return the value of a key, made when it is not there."""
        if key not in self._values:
            self._values[key] = make()
        self._values.move_to_end(key)
        while len(self._values) > self.size:
            self._values.popitem(last=False)
        return self._values[key]

    def clear(self) -> None:
        """Forget all values."""
        self._values.clear()


@dataclass
class Pace:
    """How long pictures keyed at full size take of late; decides when to key at half size."""

    seconds: float = 0.0

    def note(self, seconds: float) -> None:
        """Take in a full-size picture's time."""
        self.seconds = seconds if not self.seconds else 0.7 * self.seconds + 0.3 * seconds

    def draft(self, engine: Engine, key: PictureKey, pixels: int) -> int:
        """Return 2 for keying at half size, else 1."""
        slow = self.seconds > DRAFT_FROM_S or (not self.seconds and pixels > 600_000)
        coarse = pixels >= 2 * key.width * key.height
        return (
            2 if engine.name == "cpu" and key.quality is Quality.MOVING and slow and coarse else 1
        )


@dataclass
class OpenedShot:
    """One shot, its companions, and what is kept between pictures."""

    shot: Shot
    epoch: int
    engine: Engine
    store: FrameStore
    roots: MediaRoots
    ocio: str | None = None
    decode_timeout_s: float = 60.0
    problems: dict[str, str] = field(default_factory=dict)
    """what is wrong with companions or the look, by role: one sentence each"""
    pace: Pace = field(default_factory=Pace)
    _shots: dict[Companion, Shot | None] = field(default_factory=dict)
    _placed: Latest = field(default_factory=lambda: Latest(4))
    _masks: Latest = field(default_factory=lambda: Latest(4))
    _tables: Latest = field(default_factory=lambda: Latest(6))
    _fallback: Engine | None = None

    @property
    def colour(self) -> Colour:
        """The shot's colour management."""
        return self.shot.colour

    @property
    def size(self) -> FrameSize:
        """Size of the shot's frames."""
        return FrameSize(self.shot.width, self.shot.height, self.shot.pixel_aspect)

    def new_clock(self) -> PlayClock:
        """Return a playhead on the shot's first frame."""
        return PlayClock((self.shot.frames[0], self.shot.frames[-1]), fps=float(self.shot.fps))

    @property
    def plate(self) -> str:
        """Name of the plate among the store's sources."""
        return f"{self.epoch}:plate"

    def _source(self, companion: Companion) -> str:
        return f"{self.epoch}:{companion.role}:{companion.name}:{companion.colourspace}"

    # ------------------------------------------------------------ companions and needs

    def missing(self, recipe: Recipe) -> list[Companion]:
        """Return the companions that have not been opened yet (those that failed are not tried
        again)."""
        return [c for c in companions_of(recipe) if c not in self._shots]

    def open_companion(self, companion: Companion) -> None:
        """Open a companion; what is wrong with it goes to `problems`. Blocks."""
        try:
            path = self.roots.resolve(companion.name)
            opened = open_shot(
                path, colourspace=companion.colourspace or None, ocio=self.ocio, missing="hold"
            )
            size = (opened.width, opened.height)
            if companion.role != "backdrop" and size != (self.shot.width, self.shot.height):
                raise VerdigrisError(
                    f"'{companion.name}' is {size[0]}x{size[1]} and the shot {self.shot.width}x"
                    f"{self.shot.height}: choose one of the shot's size"
                )
        except VerdigrisError as error:
            self._shots[companion] = None
            self.problems[companion.role] = str(error)
            return
        pool = IdlePool(opened, self.decode_timeout_s)
        self.store.open(
            self._source(companion), pool, (opened.height, opened.width), stamp=pool.stamp
        )
        self.problems.pop(companion.role, None)
        self._shots[companion] = opened

    def forget_failed(self) -> None:
        """Let companions that could not be opened be tried again."""
        self._shots = {c: s for c, s in self._shots.items() if s is not None}

    def _frames(self, recipe: Recipe, frame: int) -> dict[str, FrameId]:
        """Return the store's frames that a picture of `frame` is made from, by role."""
        frames = {"plate": FrameId(self.plate, frame)}
        for companion in companions_of(recipe):
            opened = self._shots.get(companion)
            if opened is None:
                continue
            backdrop = companion.role == "backdrop"
            offset = recipe.assemble.backdrop.time_offset if backdrop else 0
            number = companion_frame(opened, frame, offset, loop=backdrop)
            frames[companion.role] = FrameId(self._source(companion), number)
        return frames

    def needs(self, recipe: Recipe, frame: int) -> list[FrameId]:
        """Return the store's frames that a picture of `frame` needs."""
        return list(self._frames(recipe, frame).values())

    # ------------------------------------------------------------ planes and plans

    def inputs(self, recipe: Recipe, frame: int) -> tuple[Inputs, bool]:
        """Return the planes of a frame in the engine's memory, and whether the plate is missing.

        Raises NotReadyError when one has left the store meanwhile.
        """
        hold = self.engine.hold
        frames = self._frames(recipe, frame)
        plate = self.store.held(frames["plate"], hold)
        planes: dict[str, Any] = {"plate": plate.pixels}
        if plate.alpha is not None:
            planes["plate_alpha"] = plate.alpha
        for role in ("clean", "denoised"):
            if role in frames:
                held = self.store.held(frames[role], hold)
                if not held.error:
                    planes[role] = held.pixels
        planes["backdrop"] = self._backdrop(recipe, frame, frames.get("backdrop"))
        planes |= self._masks.get(masks_key(recipe, frame), lambda: self._make_masks(recipe, frame))
        key = (self.epoch, frame, *sorted((r, f.frame) for r, f in frames.items()))
        inputs = Inputs(key=key, width=self.shot.width, height=self.shot.height, planes=planes)
        return inputs, plate.missing

    def _backdrop(self, recipe: Recipe, frame: int, source: FrameId | None) -> Any:
        settings = resolve(recipe.assemble.backdrop, frame)
        held = self.store.held(source, self.engine.hold) if source is not None else None
        picture = held.pixels if held is not None and not held.error else None
        key = (settings.model_dump_json(), source, picture is None)
        return self._placed.get(
            key, lambda: self.engine.place(picture, settings, self.shot.width, self.shot.height)
        )

    def _make_masks(self, recipe: Recipe, frame: int) -> dict[str, Any]:
        planes = mask_planes(
            recipe, frame, self.shot.width, self.shot.height, pixel_aspect=self.shot.pixel_aspect
        )
        return {name: self.engine.hold(plane) for name, plane in planes.items()}

    def plan(self, recipe: Recipe, frame: int, inputs: Inputs) -> Plan:
        """Plan the work for a frame."""
        return build_plan(recipe, frame, inputs.planes, weights=self.colour.luminance_weights)

    # ------------------------------------------------------------ views

    def view(
        self, recipe: Recipe, frame: int, sight: Sight, width: int, height: int, draft: int = 1
    ) -> View:
        """Return the engine's view for what is looked at."""
        preset, gain, gamma = sight.stress
        known = {extractor.id for extractor in recipe.extractors}
        return View(
            name=cast(Any, sight.name),
            width=width,
            height=height,
            extractor=sight.extractor if sight.extractor in known else "",
            channel=cast(Any, sight.channel),
            stress=Stress(cast(Any, preset), gain, gamma),
            region=sight.region,
            display=self.display(recipe),
            look=look_of(recipe, frame),
            draft=draft,
        )

    def display(self, recipe: Recipe) -> DisplayTable | None:
        """Return the display transform of the recipe's look; None for the plain raw view.

        What is wrong with the look goes to `problems`, and the configuration's default is used.
        """
        look = recipe.look
        chosen = (look.display, look.view, look.looks, look.lut_path)
        table, problem = self._tables.get(chosen, lambda: self._bake(recipe))
        if problem:
            self.problems["look"] = problem
        else:
            self.problems.pop("look", None)
        return cast("DisplayTable | None", table)

    def _bake(self, recipe: Recipe) -> tuple[DisplayTable | None, str]:
        look = recipe.look
        default = default_choice(self.colour)
        try:
            if look.display == RAW_DISPLAY:
                return None, ""
            display = look.display or default.display
            self.colour.check_display(display, look.view or None)
            view = look.view or self.colour.views(display)[0]
            lut = str(self.roots.resolve(look.lut_path)) if look.lut_path else ""
            choice = DisplayChoice(display, view, look=look.looks, lut=lut)
            return display_table(self.colour, choice), ""
        except VerdigrisError as error:
            return display_table(self.colour, default), str(error)

    def picture(self, key: PictureKey, recipe: Recipe) -> tuple[U8, int, float]:
        """Make the picture of `key`; returns it with the header's flags and the seconds taken."""
        inputs, missing = self.inputs(recipe, key.frame)
        plan = self.plan(recipe, key.frame, inputs)
        x0, y0, x1, y1 = key.sight.region or inputs.whole
        draft = self.pace.draft(self.engine, key, (x1 - x0) * (y1 - y0))
        view = self.view(recipe, key.frame, key.sight, key.width, key.height, draft)
        flags = self.flags(key, missing, draft)
        start = time.perf_counter()
        pixels, fell_back = self._render(plan, inputs, view)
        seconds = time.perf_counter() - start
        if draft == 1 and key.sight.region is None:
            self.pace.note(seconds)
        return pixels, flags | (Flag.FALLBACK if fell_back else 0), seconds

    def flags(self, key: PictureKey, missing: bool, draft: int) -> int:
        """Return the header's flags of a picture, without encoding and port."""
        flags = Flag.MISSING if missing else Flag(0)
        if key.quality is Quality.MOVING:
            flags |= Flag.MOVING
        if draft > 1:
            flags |= Flag.DRAFT
        if key.sight.stress[0] != "off" and key.sight.name == "matte":
            flags |= Flag.STRESS
        return int(flags)

    def _render(self, plan: Plan, inputs: Inputs, view: View) -> tuple[U8, bool]:
        """Render; when GPU memory runs out: make room, try again, else use the cpu engine."""
        try:
            return self.engine.render(plan, inputs, view), False
        except Exception as error:
            if self.engine.name != "cuda" or not _out_of_memory(error):
                raise
        self.make_room()
        try:
            return self.engine.render(plan, inputs, view), False
        except Exception as error:
            if not _out_of_memory(error):
                raise
        if self._fallback is None:
            from kernels.cpu import CpuEngine

            self._fallback = CpuEngine()
        planes = copied_to(self._fallback, self.engine, dict(inputs.planes))
        held = Inputs(inputs.key, inputs.width, inputs.height, planes)
        self.problems["memory"] = "GPU memory ran out: this frame was made by the cpu engine"
        return self._fallback.render(plan, held, view), True

    def make_room(self) -> None:
        """Give engine memory back: kept planes, placed backdrops, half of the frames."""
        self.engine.forget()
        self._placed.clear()
        self._masks.clear()
        self.store.shrink_engine()

    def close(self) -> None:
        """Forget the shot's frames and end its decoders."""
        self.store.close(self.plate)
        for companion, opened in self._shots.items():
            if opened is not None:
                self.store.close(self._source(companion))
        if self._fallback is not None:
            self._fallback.close()


def look_of(recipe: Recipe, frame: int) -> Look:
    """Return the recipe's view-only exposure and CDL at a frame."""
    look = resolve(recipe.look, frame)
    return Look(
        exposure_stops=float(cast(float, look.exposure_stops)),
        slope=look.cdl_slope,
        offset=look.cdl_offset,
        power=look.cdl_power,
        saturation=look.cdl_saturation,
    )


def _out_of_memory(error: Exception) -> bool:
    return isinstance(error, MemoryError) or "OutOfMemory" in type(error).__name__
