"""Whatever happens, in whatever order: at rest every client shows the newest at full quality."""

from __future__ import annotations

import hypothesis.strategies as st
from hypothesis import settings
from hypothesis.stateful import Bundle, RuleBasedStateMachine, consumes, invariant, rule

from server.pictures.keys import FrameSize, Picture, PictureKey, Quality
from server.pictures.outbox import ACK_TIMEOUT_MAX_S
from server.pictures.playback import PlayClock
from server.pictures.scheduler import REST_S, Scheduler
from server.pictures.viewers import Delivery
from server.wire.messages import Show, Transport
from server.wire.protocol import WINDOW

VIEWS = st.sampled_from(["composite", "matte", "plate"])
WIDTHS = st.sampled_from([640, 960, 1920])
REGIONS = st.sampled_from([None, (0, 0, 400, 300), (100, 50, 140, 80)])


class Stream(RuleBasedStateMachine):
    """Clients come, go, stall and come back while recipe, frame and views change."""

    clients = Bundle("clients")

    def __init__(self) -> None:
        super().__init__()
        self.now = 10.0
        self.scheduler = Scheduler(
            FrameSize(1920, 1080),
            PlayClock((1, 24)),
            deliver=self._deliver,
            frame_for=lambda frame, clock, operator: frame if frame in self.decoded else None,
        )
        self.decoded = set(range(1, 13))
        self.rendering: PictureKey | None = None
        self.encoding: list[PictureKey] = []
        self.unacked: list[Delivery] = []
        self.shown: dict[tuple[str, int], PictureKey] = {}
        self.silent: set[str] = set()
        self.names = 0
        self.remakes = 0

    def _deliver(self, delivery: Delivery) -> None:
        assert delivery.client in self.scheduler.viewers
        self.unacked.append(delivery)
        self.shown[delivery.client, delivery.port] = delivery.key
        self.scheduler.flushed(delivery.client, delivery.sequence, self.now)

    def _pump(self) -> None:
        key = self.scheduler.next(self.now, may_render=self.rendering is None)
        if key is not None:
            assert self.rendering is None
            self.rendering = key

    @rule(target=clients, role=st.sampled_from(["operator", "reviewer"]), width=WIDTHS, name=VIEWS)
    def join(self, role: str, width: int, name: str) -> str:
        self.names += 1
        client = f"c{self.names}"
        self.scheduler.add(client, role)  # type: ignore[arg-type]
        self.scheduler.show(
            client, Show.model_validate({"type": "show", "width": width, "name": name}), self.now
        )
        self._pump()
        return client

    @rule(client=consumes(clients))
    def leave(self, client: str) -> None:
        self.scheduler.remove(client)
        self._pump()

    @rule(client=clients, role=st.sampled_from(["operator", "reviewer"]))
    def come_back(self, client: str, role: str) -> None:
        self.scheduler.add(client, role)  # type: ignore[arg-type]
        self.scheduler.show(client, Show(type="show"), self.now)
        self.silent.discard(client)
        self.unacked = [d for d in self.unacked if d.client != client]
        self._pump()

    @rule(client=clients, name=VIEWS, width=WIDTHS, region=REGIONS, port=st.sampled_from([0, 1]))
    def show(self, client: str, name: str, width: int, region: object, port: int) -> None:
        self.scheduler.show(
            client,
            Show.model_validate(
                {
                    "type": "show",
                    "name": name,
                    "width": width,
                    "region": region,
                    "port": port,
                }
            ),
            self.now,
        )
        self._pump()

    @rule(client=clients)
    def unshow(self, client: str) -> None:
        self.scheduler.unshow(client, 1)

    @rule()
    def write(self) -> None:
        self.scheduler.changed(self.scheduler.revision + 1, self.now)
        self._pump()

    @rule()
    def remake(self) -> None:
        self.scheduler.remake(self.now)
        self.remakes += 1
        self._pump()

    @rule(frame=st.integers(1, 24))
    def seek(self, frame: int) -> None:
        self.scheduler.clock.apply(Transport(type="transport", frame=frame), self.now)
        self._pump()

    @rule(playing=st.booleans())
    def play(self, playing: bool) -> None:
        self.scheduler.clock.apply(Transport(type="transport", playing=playing), self.now)
        self._pump()

    @rule(client=clients, on=st.booleans())
    def follow(self, client: str, on: bool) -> None:
        self.scheduler.follow(client, on, self.now)
        self._pump()

    @rule(client=clients, hidden=st.booleans())
    def hide(self, client: str, hidden: bool) -> None:
        self.scheduler.hide(client, hidden)
        self._pump()

    @rule(client=clients)
    def reset(self, client: str) -> None:
        self.scheduler.reset(client)
        self._pump()

    @rule(client=clients)
    def stall(self, client: str) -> None:
        self.silent.add(client)

    @rule()
    def render_ends(self) -> None:
        if self.rendering is not None:
            self.encoding.append(self.rendering)
            self.rendering = None
        self._pump()

    @rule(last=st.booleans())
    def encode_ends(self, last: bool) -> None:
        if self.encoding:
            self._encoded(self.encoding.pop(-1 if last else 0))

    def _encoded(self, key: PictureKey) -> None:
        self.scheduler.finished(key, Picture(b"x" * 1000, "jpeg", 80), self.now)
        self._pump()

    @rule()
    def render_must_be_tried_again(self) -> None:
        if self.rendering is not None:
            key, self.rendering = self.rendering, None
            self.scheduler.retry(key)
            self._pump()

    @rule(count=st.integers(1, 4))
    def acks_come(self, count: int) -> None:
        answered = [d for d in self.unacked if d.client not in self.silent][:count]
        for delivery in answered:
            self.unacked.remove(delivery)
            if delivery.client in self.scheduler.viewers:
                self.scheduler.acknowledge(delivery.client, delivery.sequence)
        self._pump()

    @rule(count=st.integers(1, 3))
    def acks_are_lost(self, count: int) -> None:
        del self.unacked[:count]

    @rule(seconds=st.sampled_from([0.005, 0.05, REST_S, 1.0, 3.5]))
    def time_passes(self, seconds: float) -> None:
        self.now += seconds
        self._pump()

    @rule()
    def a_frame_is_decoded(self) -> None:
        missing = sorted(set(range(1, 25)) - self.decoded)
        if missing:
            self.decoded.add(missing[0])
            self._pump()

    @invariant()
    def windows_hold(self) -> None:
        for viewer in self.scheduler.viewers.values():
            assert 0 <= viewer.window.free <= WINDOW
            assert viewer.window.reserved >= 0

    def teardown(self) -> None:
        """Let everything come to rest: then every visible client has the newest, settled."""
        self.scheduler.clock.apply(Transport(type="transport", playing=False), self.now)
        self.decoded = set(range(1, 25))
        self.silent.clear()
        for viewer in self.scheduler.viewers.values():
            viewer.hidden = False
        for _ in range(400):
            self.now += 0.05 if self.unacked or self.rendering else ACK_TIMEOUT_MAX_S / 4
            self.acks_come(100)
            self.render_ends()
            while self.encoding:
                self._encoded(self.encoding.pop())
            if self.scheduler.at_rest(self.now) and not self.unacked:
                break
        assert self.scheduler.at_rest(self.now)
        for viewer in self.scheduler.viewers.values():
            for number in viewer.ports:
                wanted = self.scheduler.wanted(viewer, number, self.now)
                if wanted is None:
                    continue
                shown = self.shown[viewer.client, number]
                assert shown.revision == self.scheduler.revision
                assert shown.remakes == self.remakes
                assert shown.frame == self.scheduler.clock.frame_at(self.now)
                assert shown.quality in (Quality.REST, Quality.LOSSLESS)
                assert shown == wanted


Stream.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestStream = Stream.TestCase
