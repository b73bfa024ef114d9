"""A shot that is open: its planes in the engine's memory, and pictures made from them.

`needs`, `missing` and `open_companion` may be called from any thread, everything else belongs to
the thread that owns the engine.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Any, cast

from cachetools import LRUCache

from kernels.engine import DisplayTable, Engine, Inputs, Look, Stress, View
from kernels.errors import VerdigrisError
from kernels.inputs import gather, mask_planes, masks_key, needs_background
from kernels.parameters import resolve
from kernels.plan import Plan, build_plan
from kernels.recipe import Recipe
from kernels.stages import pixel_aspect_of
from server.media import Colour, Shot, open_shot
from server.media.apart import Apart
from server.media.companions import check_denoised, companion_frame, denoised_frame
from server.media.display import RAW_DISPLAY, DisplayChoice, default_choice, display_table
from server.media.roots import MediaRoots
from server.pictures.keys import FrameSize, Sight
from server.pictures.playback import PlayClock
from server.store.frame_types import FrameId, NotReadyError
from server.store.frames import FrameStore
from server.store.pools import IdlePool

RETRY_S = 3.0
"""A companion that failed is tried again with the first change of the recipe after this long."""


@dataclass(frozen=True)
class Companion:
    """Another picture that a recipe names: clean plate, denoised pass or background."""

    role: str
    name: str
    colourspace: str = ""


def companions_of(recipe: Recipe) -> list[Companion]:
    """Return the companions a recipe names."""
    screen, background = recipe.screen, recipe.assemble.background
    found = []
    if screen.clean_plate == "file" and screen.clean_plate_path:
        found.append(Companion("clean", screen.clean_plate_path, screen.clean_plate_colourspace))
    if recipe.source.denoised_path:
        source = recipe.source
        found.append(Companion("denoised", source.denoised_path, source.denoised_colourspace))
    if needs_background(recipe):
        found.append(Companion("background", background.path, background.colourspace))
    return found


Cache = LRUCache[Hashable, Any]


def made_once(cache: Cache, key: Hashable, make: Callable[[], Any]) -> Any:
    """Return the value of a key, made when it is not there."""
    if key not in cache:
        cache[key] = make()
    return cache[key]


@dataclass
class ResidentShot:
    """One shot, its companions, and what is kept between pictures."""

    shot: Shot
    serial: int
    """which shot this is of those that the service has opened"""
    engine: Engine
    store: FrameStore
    roots: MediaRoots
    ocio: str | None = None
    decode_timeout_s: float = 60.0
    problems: dict[str, str] = field(default_factory=dict)
    """what is wrong with the look or the card's memory: one sentence each"""
    _shots: dict[Companion, Shot | None] = field(default_factory=dict)
    _failed: dict[Companion, str] = field(default_factory=dict)
    _retry_at: dict[Companion, float] = field(default_factory=dict)
    _placed: Cache = field(default_factory=lambda: LRUCache(4))
    _masks: Cache = field(default_factory=lambda: LRUCache(4))
    _tables: Cache = field(default_factory=lambda: LRUCache(6))
    reduced: dict[str, tuple[Any, Any]] = field(default_factory=dict)
    """every n-th pixel of the present planes, for scopes; with a weak reference to the whole"""

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
        return f"{self.serial}:plate"

    def _source(self, companion: Companion) -> str:
        return f"{self.serial}:{companion.role}:{companion.name}:{companion.colourspace}"

    # ------------------------------------------------------------ companions and needs

    def missing(self, recipe: Recipe) -> list[Companion]:
        """Return the companions that have not been opened yet; failed ones again after a while."""
        named, now = companions_of(recipe), time.monotonic()
        return [c for c in named if c not in self._shots or now > self._retry_at.get(c, math.inf)]

    def open_companion(self, companion: Companion) -> bool:
        """Open a companion, in a process of its own; `troubles` tells what is wrong. Blocks.

        Returns whether that changed anything: False where it fails as before.
        """
        with Apart() as apart:
            return self._open_companion(companion, apart)

    def _open_companion(self, companion: Companion, apart: Apart) -> bool:
        try:
            path = self.roots.resolve(companion.name)
            opened = apart.call(
                companion.name,
                open_shot,
                path,
                colourspace=companion.colourspace or None,
                ocio=self.ocio,
                missing="hold",
            )
            size = (opened.width, opened.height)
            if companion.role != "background" and size != (self.shot.width, self.shot.height):
                raise VerdigrisError(
                    f"'{companion.name}' is {size[0]}x{size[1]} and the shot {self.shot.width}x"
                    f"{self.shot.height}: choose one of the shot's size"
                )
            if companion.role == "denoised":
                apart.call(companion.name, check_denoised, opened, self.shot)
        except VerdigrisError as error:
            before, self._failed[companion] = self._failed.get(companion), str(error)
            self._shots[companion] = None
            self._retry_at[companion] = time.monotonic() + RETRY_S
            return before != str(error)
        pool = IdlePool(opened, self.decode_timeout_s)
        self.store.open(
            self._source(companion), pool, (opened.height, opened.width), stamp=pool.stamp
        )
        self._failed.pop(companion, None)
        self._retry_at.pop(companion, None)
        self._shots[companion] = opened
        return True

    def troubles(self, recipe: Recipe) -> list[str]:
        """Return what is wrong with the companions that a recipe names, and with all else."""
        named = [self._failed[c] for c in companions_of(recipe) if c in self._failed]
        return [*named, *self.problems.values()]

    def _frames(self, recipe: Recipe, frame: int) -> dict[str, FrameId]:
        """Return the store's frames that a picture of `frame` is made from, by role."""
        frames = {"plate": FrameId(self.plate, frame)}
        for companion in companions_of(recipe):
            opened = self._shots.get(companion)
            if opened is None:
                continue
            number: int | None
            if companion.role == "denoised":
                number = denoised_frame(opened, frame)
            elif companion.role == "background":
                offset = recipe.assemble.background.time_offset
                number = companion_frame(opened, self.shot, frame, offset, loop=True)
            else:
                number = companion_frame(opened, self.shot, frame)
            if number is not None:
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
        planes["background"] = self._background(recipe, frame, frames.get("background"))
        planes |= made_once(
            self._masks, masks_key(recipe, frame), lambda: self._make_masks(recipe, frame)
        )
        key = (self.serial, frame, *sorted((r, f.frame) for r, f in frames.items()))
        inputs = Inputs(key=key, width=self.shot.width, height=self.shot.height, planes=planes)
        return inputs, plate.missing

    def pixels(self, recipe: Recipe, frame: int, inputs: Inputs, role: str) -> Any:
        """Return a whole input picture, from host memory where it is, else from the engine."""
        source = self._frames(recipe, frame).get(role)
        if source is not None and role in inputs.planes:
            try:
                return self.store.decoded(source).pixels
            except NotReadyError:
                pass
        return self.engine.fetch(inputs.planes[role])

    def host_inputs(self, engine: Engine, recipe: Recipe, frame: int) -> Inputs:
        """Return the planes of a frame held by another engine, from host memory."""
        frames = self._frames(recipe, frame)
        decoded = {role: self.store.decoded(source) for role, source in frames.items()}
        images = {role: d.pixels for role, d in decoded.items() if not d.error}
        plate = decoded["plate"]
        return gather(
            engine,
            recipe,
            frame,
            plate=plate.pixels,
            denoised=images.get("denoised"),
            clean=images.get("clean"),
            background=images.get("background"),
            plate_alpha=plate.alpha,
            pixel_aspect=self.shot.pixel_aspect,
        )

    def _background(self, recipe: Recipe, frame: int, source: FrameId | None) -> Any:
        settings = resolve(recipe.assemble.background, frame)
        held = self.store.held(source, self.engine.hold) if source is not None else None
        picture = held.pixels if held is not None and not held.error else None
        aspect = pixel_aspect_of(recipe, self.shot.pixel_aspect)
        key = (settings.model_dump_json(), source, picture is None, aspect)
        return made_once(
            self._placed,
            key,
            lambda: self.engine.place(
                picture, settings, self.shot.width, self.shot.height, pixel_aspect=aspect
            ),
        )

    def _make_masks(self, recipe: Recipe, frame: int) -> dict[str, Any]:
        planes = mask_planes(
            recipe, frame, self.shot.width, self.shot.height, pixel_aspect=self.shot.pixel_aspect
        )
        return {name: self.engine.hold(plane) for name, plane in planes.items()}

    def plan(self, recipe: Recipe, frame: int, inputs: Inputs) -> Plan:
        """Plan the work for a frame."""
        return build_plan(
            recipe,
            frame,
            inputs.planes,
            weights=self.colour.luminance_weights,
            pixel_aspect=self.shot.pixel_aspect,
        )

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
        table, problem = made_once(self._tables, chosen, lambda: self._bake(recipe))
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
            table, _ = made_once(
                self._tables, ("", "", "", ""), lambda: (display_table(self.colour, default), "")
            )
            return table, str(error)

    def make_room(self) -> None:
        """Give engine memory back: kept planes, placed backgrounds, half of the frames."""
        self.engine.forget()
        self._placed.clear()
        self._masks.clear()
        self.reduced.clear()
        self.store.shrink_engine()

    def close(self) -> None:
        """Forget the shot's frames and end its decoders."""
        self.store.close(self.plate)
        for companion, opened in self._shots.items():
            if opened is not None:
                self.store.close(self._source(companion))


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
