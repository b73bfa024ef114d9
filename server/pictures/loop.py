"""The picture loop: wishes to renders to encodes to clients, and the frames they need.

Runs on the event loop's thread. The engine works on the renderer's thread, encoders on a small
pool; they come back through `soon`.
"""

from __future__ import annotations

import asyncio
import logging
import math
from bisect import bisect_right
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

from kernels.errors import VerdigrisError
from server.editing.session import RecipeSession
from server.pictures.carrier import Carrier
from server.pictures.keys import Picture, PictureKey
from server.pictures.maker import Made, PictureMaker, encoded
from server.pictures.playback import PlayClock
from server.pictures.renderer import RenderThread, Urgency
from server.pictures.resident import ResidentShot
from server.pictures.scheduler import Scheduler
from server.pictures.viewers import Delivery
from server.store.frame_types import FrameId, NotReadyError
from server.store.frames import FrameStore
from server.timing import Timing

log = logging.getLogger("verdigris.pictures")
LOOK_BACK = 12
AHEAD = 48
AHEAD_EVERY_S = 0.05
CARRIED_AHEAD = 4
"""frames that are copied to the card before their turn"""


class PictureLoop:
    """Serves pictures of one open shot (`opened`, replaceable) and one session's recipe."""

    def __init__(
        self,
        opened: ResidentShot,
        session: RecipeSession,
        store: FrameStore,
        thread: RenderThread,
        timing: Timing,
        *,
        deliver: Callable[[Delivery], None],
        on_failure: Callable[[list[str], str], None],
        on_end: Callable[[str | None], None],
        encoders: int = 2,
    ) -> None:
        self.opened, self.session, self.store = opened, session, store
        self.thread, self.timing = thread, timing
        self.maker = PictureMaker(opened.engine)
        self.carrier = Carrier(store, thread)
        self.scheduler = Scheduler(
            opened.size, opened.new_clock(), deliver=deliver, frame_for=self._frame_for
        )
        self.scheduler.revision = session.revision
        self.frame_ready = asyncio.Event()
        store.listen(self.frame_arrived)
        self._on_failure, self._on_end = on_failure, on_end
        self._loop: asyncio.AbstractEventLoop | None = None
        self._encoders = ThreadPoolExecutor(encoders, thread_name_prefix="encode")
        self._rendering = False
        self._timer: asyncio.TimerHandle | None = None
        self._pump_asked = False
        self._ahead_at = float("-inf")
        self._resolved: dict[tuple[int, int, bool], int | None] = {}

    @property
    def loop(self) -> asyncio.AbstractEventLoop:
        """The event loop; RuntimeError before `run`."""
        if self._loop is None:
            raise RuntimeError("expected a running service, got one that was not started")
        return self._loop

    def run(self) -> None:
        """Begin, on the event loop that is running."""
        self._loop = asyncio.get_running_loop()

    def now(self) -> float:
        """The event loop's time in seconds."""
        return self.loop.time()

    def soon(self, work: Callable[..., None], *args: Any) -> None:
        """Have work done on the event loop; may be called from any thread, at any time."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(work, *args)

    def stop(self) -> None:
        """End timer and encoders; the renderer's thread must have ended. Blocks."""
        if self._timer is not None:
            self._timer.cancel()
        self.carrier.close()
        self._encoders.shutdown(wait=True, cancel_futures=True)
        self.maker.close()

    def pump_soon(self) -> None:
        """Pump once after what is being handled now, however often this is called."""
        if not self._pump_asked:
            self._pump_asked = True
            self.loop.call_soon(self.pump)

    def pump(self) -> None:
        """Give out and begin what can be; called after everything that may change a wish."""
        now = self.now()
        self._pump_asked = False
        self._resolved.clear()
        self._end_playback(now)
        key = self.scheduler.next(now, may_render=not self._rendering)
        if key is not None:
            self._begin(key)
        if now - self._ahead_at > AHEAD_EVERY_S:
            self._ahead_at = now
            self.loop.call_soon(self._fetch_ahead)
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        wake = self.scheduler.next_wake(now)
        if self.scheduler.viewers and math.isfinite(wake):
            self._timer = self.loop.call_at(max(wake, now + 0.001), self.pump)

    def _begin(self, key: PictureKey) -> None:
        self._rendering = True
        recipe, opened = self.session.recipe, self.opened
        future = self.thread.submit(Urgency.PICTURE, lambda: self.maker.make(opened, key, recipe))
        future.add_done_callback(lambda done: self._rendered(key, done))

    def _rendered(self, key: PictureKey, future: Future[Made]) -> None:
        """On the renderer's thread: pass the pixels on to an encoder, free the renderer."""
        if future.cancelled():
            return
        error = future.exception()
        if error is not None:
            self.soon(self._render_failed, key, error)
            return
        made = future.result()
        self.timing.add("render", made.seconds)
        self.timing.renders.inc()
        if made.picture is not None:
            self.soon(self._made, key, made.picture)
            return
        try:
            encoding = self._encoders.submit(encoded, made, key.quality)
        except RuntimeError:
            return  # the service is stopping
        encoding.add_done_callback(lambda done: self._encoded(key, done))
        self.soon(self._renderer_free)

    def _render_failed(self, key: PictureKey, error: BaseException) -> None:
        self._rendering = False
        self._failed(key, error)

    def _renderer_free(self) -> None:
        self._rendering = False
        self.pump()

    def _made(self, key: PictureKey, picture: Picture) -> None:
        """The engine has encoded the picture too: one wake-up for both."""
        self._rendering = False
        self._finished(key, picture)

    def _encoded(self, key: PictureKey, future: Future[Picture]) -> None:
        if future.cancelled():
            return
        error = future.exception()
        if error is not None:
            self.soon(self._failed, key, error)
        else:
            self.soon(self._finished, key, future.result())

    def _finished(self, key: PictureKey, picture: Picture) -> None:
        self.timing.add("encode", picture.encode_us / 1e6)
        if key.remakes == self.scheduler.remakes:
            self.scheduler.finished(key, picture, self.now())
        else:
            self.scheduler.retry(key)
        self.pump()

    def _failed(self, key: PictureKey, error: BaseException) -> None:
        if isinstance(error, NotReadyError):
            self.scheduler.retry(key)
        else:
            self.timing.failures.labels("picture").inc()
            text = (
                str(error)
                if isinstance(error, VerdigrisError)
                else ("a picture could not be made; the service's log tells more")
            )
            log.error("picture of frame %d failed", key.frame, exc_info=error)
            self._on_failure(
                [recipient.client for recipient in self.scheduler.flights.get(key, [])], text
            )
            self.scheduler.finished(key, None, self.now())
        self.pump()

    # ------------------------------------------------------------ frames

    def _frame_for(self, frame: int, clock: PlayClock, operator: bool) -> int | None:
        """The frame to show now: while playing, the newest one that was on and is decoded."""
        asked = (frame, id(clock), operator)
        if asked not in self._resolved:
            self._resolved[asked] = self._resolve(frame, clock, operator)
        return self._resolved[asked]

    def _resolve(self, frame: int, clock: PlayClock, operator: bool) -> int | None:
        if not clock.playing:
            return self.existing(frame) if self._ask(self.existing(frame), operator) else None
        for past in clock.behind(self.now(), LOOK_BACK):
            needs = self.opened.needs(self.session.recipe, self.existing(past))
            if all(self.store.ready(need) for need in needs):
                return self.existing(past)
        return None

    def existing(self, frame: int) -> int:
        """The shot's frame at or before a number (a range may leave numbers out)."""
        frames = self.opened.shot.frames
        return frames[max(0, bisect_right(frames, frame) - 1)]

    def ask_present(self) -> None:
        """Have the present frame decoded before anybody has come in."""
        self._ask(self.existing(self.scheduler.clock.frame_at(self.now())), True)

    def _ask(self, frame: int, operator: bool) -> bool:
        needs = self.opened.needs(self.session.recipe, frame)
        ready = [self.store.ask(need, operator=operator) for need in needs]
        return all(ready)

    def _fetch_ahead(self) -> None:
        """Fetch in playback direction; when decoding is slower than playback, leave frames out."""
        clock, now = self.scheduler.clock, self.now()
        if not self.scheduler.viewers:
            return
        decode_s = self.timing.milliseconds_of("decode") / 1000 or 0.1
        lead = math.ceil(decode_s * clock.fps) if clock.playing else 1
        coming = clock.ahead(now, AHEAD if clock.playing else 10)[lead:]
        coming = [self.existing(f) for f in coming]
        plates = [FrameId(self.opened.plate, f) for f in dict.fromkeys(coming)]
        self._carry_ahead(clock)
        cold = [f for f in plates if not self.store.ready(f)]
        stride = max(1, math.ceil(clock.fps * decode_s / 2)) if clock.playing else 1
        recipe = self.session.recipe
        self.store.fetch_ahead(
            need for f in cold[::stride] for need in self.opened.needs(recipe, f.frame)
        )

    def frame_arrived(self, frame: FrameId) -> None:
        """The store has a frame more; called on any thread."""
        self.soon(self._frame_arrived, frame)

    def _carry_ahead(self, clock: PlayClock) -> None:
        """While playing, copy the next frames to the card before they are needed."""
        now = self.now()
        turns = clock.ahead(now, AHEAD) if clock.playing else []
        frames = [FrameId(self.opened.plate, self.existing(f)) for f in turns]
        self.store.coming = {f: n for n, f in enumerate(dict.fromkeys(frames))}
        for frame in [*self.store.coming][:CARRIED_AHEAD]:
            self.carrier.carry(self.opened.engine, frame)

    def _frame_arrived(self, frame: FrameId) -> None:
        if self.store.engine_bytes < 0.9 * self.store.budget.engine:
            self.carrier.carry(self.opened.engine, frame)
        self.frame_ready.set()
        self.frame_ready = asyncio.Event()
        if self.store.healed():
            self.scheduler.remake(self.now())
        self.pump_soon()

    async def until_ready(self, frame: int, operator: bool, timeout_s: float = 20.0) -> None:
        """Wait until a frame and its companions are decoded; VerdigrisError after a while."""
        try:
            async with asyncio.timeout(timeout_s):
                while not self._ask(frame, operator):
                    await self.frame_ready.wait()
        except TimeoutError:
            raise VerdigrisError(f"frame {frame} could not be decoded in time") from None

    def _end_playback(self, now: float) -> None:
        if self.scheduler.clock.ended(now):
            self.scheduler.clock.stop_at_end(now)
            self._on_end(None)
        for viewer in self.scheduler.viewers.values():
            if viewer.clock is not None and viewer.clock.ended(now):
                viewer.clock.stop_at_end(now)
                self._on_end(viewer.client)
