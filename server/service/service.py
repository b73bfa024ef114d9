"""The service: one open shot, one recipe, everybody who is connected.

Everything here runs on the event loop's thread and only moves messages; `server.pictures.loop`
serves the pictures, `server.service.handlers` answers the pages' messages.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from typing import TypeVar

from kernels.engine import Engine
from kernels.recipe import Recipe
from server.editing.notes import NoteBoard
from server.editing.recipes_store import RecipeStore
from server.editing.session import RecipeSession
from server.pictures.loop import PictureLoop
from server.pictures.renderer import Urgency
from server.pictures.resident import ResidentShot
from server.pictures.scheduler import Scheduler
from server.pictures.viewers import Delivery
from server.security import Gate, RateLimit
from server.service import overview
from server.service.clients import Client, Ready
from server.service.jobs import JobFunction, JobRunner
from server.service.maker import ServiceMaker
from server.service.media_list import root_labels
from server.service.watch import Watch
from server.wire.messages import JobKind, Message, Role
from server.wire.protocol import Flag, PictureHeader, encoding_flags
from server.wire.replies import Cached, Devices, Kept, People, Problem, StateAgain, Status
from server.wire.state import Device, JobInfo, Person, State

log = logging.getLogger("verdigris.service")
R = TypeVar("R")
JOIN_PER_S, JOIN_BURST = 0.2, 12.0
VISITS_PER_S, VISITS_BURST = 2.0, 40.0
PICTURES_PER_S, PICTURES_BURST = 4.0, 20.0
PEOPLE_EVERY_S = 0.1


class Service:
    """Made by `server.start.make_service`; `run` and `stop` belong to the app's lifespan.

    watch: the folder whose new shots appear by themselves. address: where pages reach the service.
    """

    def __init__(
        self,
        maker: ServiceMaker,
        *,
        opened: ResidentShot,
        recipe: Recipe,
        revision: int,
        recipes: RecipeStore,
        notes: NoteBoard,
        gate: Gate,
        jobs: dict[JobKind, JobFunction],
        watch: Watch | None = None,
        address: str = "",
        encoders: int = 2,
    ) -> None:
        self.maker, self.folders = maker, maker.folders
        self.choice, self.thread, self.store = maker.choice, maker.thread, maker.store
        self.roots, self.timing = maker.roots, maker.timing
        self.session = RecipeSession(recipe, revision)
        self.recipes, self.notes, self.gate = recipes, notes, gate
        self.watch, self.address = watch, address
        self.jobs = JobRunner(jobs, self.folders.jobs, on_change=self.job_changed)
        self.clients: dict[str, Client] = {}
        self.joins = RateLimit(JOIN_PER_S, JOIN_BURST)
        """tries to redeem a link, by address"""
        self.visits = RateLimit(VISITS_PER_S, VISITS_BURST)
        """openings of the stream, by device: each time it is told everything"""
        self.picture_rate = RateLimit(PICTURES_PER_S, PICTURES_BURST)
        """pictures asked for over HTTP, by device"""
        self.owners: dict[str, str] = {}
        """client id -> device that it belongs to"""
        self.note_order = asyncio.Lock()
        """notes on kept takes are written one after the other, as they came"""
        self.pictures = PictureLoop(
            opened,
            self.session,
            self.store,
            self.thread,
            self.timing,
            deliver=self._deliver,
            on_failure=self._picture_failed,
            on_end=self.tell_playhead,
            encoders=encoders,
        )
        self._measurers = {
            first: ThreadPoolExecutor(1, thread_name_prefix="measure") for first in (True, False)
        }
        """one for operators, one for reviewers, so that none waits behind the other's"""
        self._openers = ThreadPoolExecutor(1, thread_name_prefix="open")
        self._closers = ThreadPoolExecutor(1, thread_name_prefix="close")
        self._opening: set[tuple[int, Hashable]] = set()
        self._people_at = float("-inf")
        self._people_later = False
        self._cached_told: list[tuple[int, int]] = []

    # ------------------------------------------------------------ life

    @property
    def engine(self) -> Engine:
        """The engine that runs."""
        return self.choice.engine

    @property
    def opened(self) -> ResidentShot:
        """The shot that is open."""
        return self.pictures.opened

    @property
    def scheduler(self) -> Scheduler:
        """Who gets which picture next."""
        return self.pictures.scheduler

    def now(self) -> float:
        """The event loop's time in seconds."""
        return self.pictures.now()

    def pump(self) -> None:
        """Give out and begin what can be; called after everything that may change a wish."""
        self.pictures.pump()

    def pump_soon(self) -> None:
        """Pump once after what is being handled now, however often this is called."""
        self.pictures.pump_soon()

    def run(self) -> None:
        """Begin, on the event loop that is running."""
        self.pictures.run()
        self.open_companions()
        self.pictures.ask_present()

    def stop(self) -> None:
        """Save, end threads and decoders, free memory. Blocks."""
        self.jobs.close()
        self._openers.shutdown(wait=True, cancel_futures=True)
        self._closers.shutdown(wait=True)
        for measurer in self._measurers.values():
            measurer.shutdown(wait=True, cancel_futures=True)
        engine_end = self.thread.submit(Urgency.JOB, self.engine.close)
        self.thread.close()
        engine_end.result()
        self.pictures.stop()
        self.store.close_all()
        self.recipes.close()
        self.notes.close()

    async def measure(self, work: Callable[[], R], *, first: bool) -> R:
        """Carry out a measurement on a thread of its own. first: an operator waits for it."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._measurers[first], work)

    def switch(
        self, opened: ResidentShot, recipe: Recipe, recipes: RecipeStore, notes: NoteBoard
    ) -> None:
        """Go on with another shot; on the event loop's thread."""
        old, old_recipes, old_notes = self.opened, self.recipes, self.notes
        self.pictures.opened = opened
        self.session.replace(recipe)
        self.recipes, self.notes = recipes, notes
        self.scheduler.revision = self.session.revision
        self.scheduler.opened(opened.size, opened.new_clock(), self.now())
        self.close_later(old.close)
        if recipes is not old_recipes:
            self.close_later(old_recipes.close)
        if notes is not old_notes:
            self.close_later(old_notes.close)
        self.open_companions()
        self.tell_state()
        self.pump()

    def close_later(self, close: Callable[[], None]) -> None:
        """Have something closed in the background: it may save, and wait for threads."""
        self._closers.submit(close)

    async def closed(self) -> None:
        """Wait until what was to be closed is closed: its files are written, its lock is free."""
        await asyncio.wrap_future(self._closers.submit(lambda: None))

    # ------------------------------------------------------------ pictures

    def _deliver(self, delivery: Delivery) -> None:
        client = self.clients.get(delivery.client)
        if client is None:
            return
        key, picture = delivery.key, delivery.picture
        x0, y0, x1, y1 = key.sight.region or (
            0,
            0,
            self.scheduler.size.width,
            self.scheduler.size.height,
        )
        flags = picture.flags | encoding_flags(picture.encoding)
        header = PictureHeader(
            flags=flags | (Flag.PORT_1 if delivery.port else 0),
            frame=key.frame,
            revision=key.revision,
            view_id=delivery.view_id,
            width=key.width,
            height=key.height,
            quality=picture.quality,
            x0=x0,
            y0=y0,
            x1=x1,
            y1=y1,
            render_us=min(picture.render_us, 2**32 - 1),
            encode_us=min(picture.encode_us, 2**32 - 1),
            sequence=delivery.sequence,
        )
        client.send_picture(Ready(delivery.sequence, (header.pack(), picture.data)))
        self.timing.pictures.labels(key.quality.value).inc()
        self.timing.sent_bytes.inc(len(picture.data))
        self._note_latency(client, key.revision)

    def _picture_failed(self, clients: list[str], text: str) -> None:
        for client in clients:
            if client in self.clients:
                self.clients[client].send(Problem(code="server", message=text, about="show"))

    def _note_latency(self, client: Client, revision: int) -> None:
        now = self.now()
        while client.write_times and client.write_times[0][0] <= revision:
            _, at = client.write_times.popleft()
            if not client.write_times or client.write_times[0][0] > revision:
                self.timing.add("message_to_picture", now - at)

    # ------------------------------------------------------------ companions

    def open_companions(self) -> None:
        """Open, in the background, what the recipe names and is not open yet."""
        opened = self.opened
        for companion in opened.missing(self.session.recipe):
            if (opened.serial, companion) in self._opening:
                continue
            self._opening.add((opened.serial, companion))
            future = self._openers.submit(opened.open_companion, companion)
            future.add_done_callback(partial(self._opener_done, opened, companion))
            self.tell_status()

    def _opener_done(self, opened: ResidentShot, companion: Hashable, done: Future[bool]) -> None:
        news = done.cancelled() or done.exception() is not None or done.result()
        self.pictures.soon(self._companion_opened, opened, companion, news)

    def _companion_opened(self, opened: ResidentShot, companion: Hashable, news: bool) -> None:
        self._opening.discard((opened.serial, companion))
        if opened is self.opened and news:
            self.scheduler.remake(self.now())
            self.pictures.ask_present()
            self.tell_status()
            self.pump()

    # ------------------------------------------------------------ telling

    def people(self) -> list[Person]:
        """Return who is there."""
        return overview.people(self.clients, self.scheduler, self.now())

    def devices(self) -> list[Device]:
        """Return every redeemed cookie."""
        return overview.devices(self.gate, self.clients)

    def state(self, role: Role) -> State:
        """Return everything a page needs to begin, as far as its role may know it."""
        operator = role == "operator"
        return State(
            revision=self.session.revision,
            recipe=self.session.document,
            undo=self.session.undo_label,
            redo=self.session.redo_label,
            shot=overview.shot_info(self.opened),
            engine=overview.engine_info(self.choice),
            playhead=self.scheduler.clock.message(self.now()),
            people=self.people(),
            devices=self.devices() if operator else [],
            notes=self.notes.notes,
            cached=self.store.ranges(self.opened.plate),
            jobs=self.jobs.infos() if operator else [],
            watched=self.watch.shots if self.watch is not None else [],
            following=self.scheduler.following_shows(),
            colour=overview.colour_info(self.opened, role),
            roots=root_labels(self.roots) if operator else [],
            views=overview.view_infos(),
        )

    def _problems(self) -> str:
        frame = self.pictures.existing(self.scheduler.clock.frame_at(self.now()))
        recipe = self.session.recipe
        trouble = self.recipes.read_only or self.maker.trouble
        if any(serial == self.opened.serial for serial, _ in self._opening):
            opening = "a picture that the recipe names is being opened"
            trouble = f"{trouble}; {opening}" if trouble else opening
        return overview.problems(self.opened, recipe, self.store, frame, trouble)

    def broadcast(self, message: Message, *, but: str = "") -> None:
        """Send a message to everybody of the role that it is for."""
        text, key = message.model_dump_json(), message.key()
        for client in self.clients.values():
            if client.client != but and message.only_for in (None, client.role):
                client.send_text(text, key)

    def recipe_changed(self, label: str, gesture: str = "") -> None:
        """The session has a new revision: make pictures of it, save it, open what it names."""
        now = self.now()
        self.scheduler.changed(self.session.revision, now)
        self.recipes.changed(self.session.recipe, self.session.revision, label, gesture)
        self.open_companions()

    def tell_state(self) -> None:
        """Tell everybody everything again."""
        for client in self.clients.values():
            client.texts.clear()
            client.send(StateAgain(state=self.state(client.role)))

    def tell_playhead(self, client: str | None = None) -> None:
        """Tell everybody where the shared playhead is, or one reviewer where its own is."""
        now = self.now()
        if client is None:
            message = self.scheduler.clock.message(now)
            for viewer in self.scheduler.viewers.values():
                if viewer.clock is None:
                    self.clients[viewer.client].send(message)
            return
        clock = self.scheduler.viewers[client].clock
        message = (clock or self.scheduler.clock).message(now, own=clock is not None)
        self.clients[client].send(message)

    def tell_people(self) -> None:
        """Tell everybody who is there, a few times a second; operators learn about devices too."""
        now = self.now()
        if self._people_later:
            return
        wait = self._people_at + PEOPLE_EVERY_S - now
        if wait > 0:
            self._people_later = True
            asyncio.get_running_loop().call_later(wait, self._tell_people)
        else:
            self._tell_people()

    def _tell_people(self) -> None:
        self._people_at, self._people_later = self.now(), False
        self.broadcast(People(people=self.people()))
        self.broadcast(Devices(devices=self.devices()))

    def tell_cached(self) -> None:
        """Tell everybody which frames are cached, if that has changed."""
        ranges = self.store.ranges(self.opened.plate)
        if ranges != self._cached_told:
            self._cached_told = ranges
            self.broadcast(Cached(ranges=ranges))

    def tell_status(self) -> None:
        """Tell everybody how the engine fares and what is wrong."""
        sizes = self.store.bytes()
        for tier in ("engine", "host", "disk"):
            self.timing.store_bytes.labels(tier).set(sizes[tier])
        self.broadcast(
            Status(
                engine=overview.engine_info(self.choice),
                timing=self.timing.milliseconds(),
                store=sizes,
                message=self._problems(),
            )
        )

    def job_changed(self, info: JobInfo) -> None:
        """A job has news; called on any thread."""
        self.pictures.soon(lambda: self.broadcast(info))
        if info.kind == "survey" and info.state in ("done", "failed", "cancelled"):
            self.pictures.soon(lambda: self.broadcast(Kept()))
