"""Who gets which picture: fake clock, fake renderer, no sockets."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.pictures.keys import FrameSize, Picture, PictureKey, Quality
from server.pictures.outbox import ACK_TIMEOUT_S
from server.pictures.playback import PlayClock
from server.pictures.scheduler import REST_S, Scheduler
from server.pictures.viewers import Delivery
from server.wire.messages import Show, StressRequest, Transport

SIZE = FrameSize(1920, 1080)


@dataclass
class Bench:
    """A scheduler whose renderer takes `render_s`, and clients that acknowledge after `delay_s`."""

    render_s: float = 0.010
    frames: tuple[int, int] = (1001, 1048)
    now: float = 100.0
    silent: set[str] = field(default_factory=set)
    delay_s: float = 0.002
    deliveries: list[Delivery] = field(default_factory=list)
    times: list[float] = field(default_factory=list)
    made: list[PictureKey] = field(default_factory=list)
    _busy: tuple[float, PictureKey] | None = None
    _acks: list[tuple[float, str, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.scheduler = Scheduler(SIZE, PlayClock(self.frames), deliver=self._take)

    def _take(self, delivery: Delivery) -> None:
        self.deliveries.append(delivery)
        self.times.append(self.now)
        self.scheduler.flushed(delivery.client, delivery.sequence, self.now)
        if delivery.client not in self.silent:
            self._acks.append((self.now + self.delay_s, delivery.client, delivery.sequence))

    def run(
        self, seconds: float, each: Callable[[float], None] | None = None, step: float = 0.001
    ) -> None:
        """Let time pass in small steps; `each` is called at every step."""
        end = self.now + seconds
        while self.now < end - 1e-9:
            self.now += step
            if each is not None:
                each(self.now)
            for ack in [a for a in self._acks if a[0] <= self.now]:
                self._acks.remove(ack)
                if ack[1] in self.scheduler.viewers:
                    self.scheduler.acknowledge(ack[1], ack[2])
            if self._busy is not None and self._busy[0] <= self.now:
                key, self._busy = self._busy[1], None
                self.scheduler.finished(key, picture(key), self.now)
            key_ = self.scheduler.next(self.now, may_render=self._busy is None)
            if key_ is not None:
                self.made.append(key_)
                self._busy = (self.now + self.render_s, key_)

    def join(self, client: str, role: str = "operator", width: int = 960, **show: object) -> None:
        self.scheduler.add(client, role)  # type: ignore[arg-type]
        text = json.dumps({"type": "show", "width": width, **show})
        self.scheduler.show(client, Show.model_validate_json(text), self.now)

    def last(self, client: str, port: int = 0) -> Delivery:
        return [d for d in self.deliveries if (d.client, d.port) == (client, port)][-1]

    def count(self, client: str) -> int:
        return sum(d.client == client for d in self.deliveries)


def picture(key: PictureKey) -> Picture:
    return Picture(repr(key).encode(), "jpeg", 80)


def change(bench: Bench) -> None:
    bench.scheduler.changed(bench.scheduler.revision + 1, bench.now)


def test_first_a_quick_picture_then_the_full_one() -> None:
    """Common practice, no source: moving quality at once, full quality after 150 ms of quiet."""
    bench = Bench()
    bench.join("a")
    bench.run(0.05)
    assert [d.key.quality for d in bench.deliveries] == [Quality.MOVING]
    bench.run(0.3)
    assert [d.key.quality for d in bench.deliveries] == [Quality.MOVING, Quality.REST]
    bench.run(2.0)
    assert len(bench.made) == 2
    assert bench.times[1] - bench.times[0] > REST_S - 0.02


@settings(max_examples=300, deadline=None)
@given(st.floats(1.0, 1e7))
def test_the_wake_up_after_a_change_finds_it_at_rest(changed: float) -> None:
    """Source: IEEE 754: a + b - a may be less than b, so both sides use one sum. A wake-up that
    still took the client as moving would be the last one, and its full picture never made."""
    bench = Bench(now=changed)
    bench.join("a")
    bench.scheduler.changed(2, changed)
    woken = bench.scheduler.next_wake(changed)
    wanted = bench.scheduler.wanted(bench.scheduler.viewers["a"], 0, woken)
    assert wanted is not None
    assert wanted.quality is Quality.REST


def test_a_drag_at_60_hz_is_never_rendered_twice_and_ends_on_the_newest() -> None:
    """Common practice, no source: the newest value wins; what is overtaken is never rendered."""
    bench = Bench(render_s=0.040, delay_s=0.080)
    bench.join("a")
    bench.run(0.5)
    before = len(bench.made)
    due = [bench.now]

    def drag(now: float) -> None:
        if now >= due[0]:
            due[0] += 1 / 60
            change(bench)

    bench.run(1.0, drag)
    moving = len(bench.made) - before
    assert 8 <= moving <= 26, "one 40 ms render after another, never all 60 changes"
    bench.run(0.5)
    assert bench.last("a").key.revision == bench.scheduler.revision
    assert bench.last("a").key.quality is Quality.REST


def test_at_most_two_pictures_are_on_the_way() -> None:
    """Common practice, no source: an acknowledgement window of two."""
    bench = Bench(silent={"a"}, render_s=0.001)
    bench.join("a")
    for _ in range(50):
        change(bench)
        bench.run(0.02)
    assert bench.count("a") == 2
    assert len(bench.made) == 2, "pictures nobody can take are not rendered"


def test_a_stalled_client_costs_the_others_nothing() -> None:
    """Common practice, no source."""
    alone, beside = Bench(), Bench(silent={"b"})
    for bench in (alone, beside):
        bench.join("a")
    beside.join("b", width=1920)
    counts = []
    for bench in (alone, beside):
        bench.run(0.5)
        start = bench.count("a")

        def drag(_: float, bench: Bench = bench) -> None:
            change(bench)

        bench.run(1.0, drag)
        counts.append(bench.count("a") - start)
    assert counts[1] >= counts[0] - 1


def test_a_lost_acknowledgement_is_given_up_and_the_picture_sent_again() -> None:
    """Common practice, no source: an acknowledgement time-out, else a client waits for ever."""
    bench = Bench(silent={"a"})
    bench.join("a")
    bench.run(1.0)
    assert bench.count("a") == 2
    bench.silent.clear()
    bench.run(ACK_TIMEOUT_S + 0.5)
    assert bench.count("a") == 3
    assert bench.last("a").key.quality is Quality.REST
    assert bench.scheduler.at_rest(bench.now)


def test_a_client_that_never_answers_is_sent_less_and_less() -> None:
    """Common practice, no source: each time-out doubles the next."""
    bench = Bench(silent={"a"}, render_s=0.001)
    bench.join("a")
    bench.run(120.0, step=0.01)
    assert bench.count("a") <= 2 + 2 * 7


def test_an_overtaken_picture_is_not_sent_after_a_newer_one() -> None:
    """Common practice, no source: playback never steps back, not even for one picture."""
    bench = Bench(render_s=0.200)
    bench.join("a")
    bench.run(0.8)
    clock = bench.scheduler.clock
    clock.apply(Transport(type="transport", frame=1005), bench.now)
    bench.run(0.8)
    clock.apply(Transport(type="transport", frame=1004), bench.now)
    bench.run(0.05)
    assert bench.made[-1].frame == 1004, "a slow render of 1004 is under way"
    clock.apply(Transport(type="transport", frame=1005), bench.now)
    bench.run(0.05)
    assert bench.last("a").key.frame == 1005, "1005 is there already"
    bench.run(1.0)
    assert [d.key.frame for d in bench.deliveries].count(1004) == 0
    assert bench.scheduler.at_rest(bench.now)
    assert bench.scheduler.viewers["a"].window.free == 2


def test_a_late_joiner_gets_the_present_picture_without_a_render() -> None:
    """Common practice, no source: equal views share one render and one encode."""
    bench = Bench()
    bench.join("a")
    bench.run(0.5)
    made = len(bench.made)
    bench.join("b", "reviewer")
    bench.run(0.5)
    assert len(bench.made) == made
    assert bench.last("b").picture == bench.last("a").picture


def test_20_viewports_over_three_widths_take_three_encodes_a_frame() -> None:
    """Common practice, no source: the target of three encodes a frame at 24 fps."""
    bench = Bench(render_s=0.004)
    bench.join("op", width=1280)
    for n in range(19):
        bench.join(f"r{n}", "reviewer", width=(960, 1280, 1920)[n % 3])
    bench.run(0.6)
    bench.made.clear()
    bench.deliveries.clear()
    bench.scheduler.clock.apply(Transport(type="transport", playing=True), bench.now)
    bench.run(1.5)
    per_frame = Counter(key.frame for key in bench.made)
    assert len(per_frame) >= 34
    assert max(per_frame.values()) <= 3
    assert bench.scheduler.clock.dropped <= 1
    for client in ("op", "r0", "r1", "r2", "r18"):
        assert bench.count(client) >= 33


def test_playback_leaves_frames_out_rather_than_slow_down() -> None:
    """Common practice, no source: real time counts; what was left out is said."""
    bench = Bench(render_s=0.100, frames=(1001, 1100))
    bench.join("op")
    bench.run(0.5)
    bench.deliveries.clear()
    bench.scheduler.clock.apply(Transport(type="transport", playing=True), bench.now)
    bench.run(2.0)
    frames = [d.key.frame for d in bench.deliveries]
    assert frames[-1] >= 1001 + 24 * 2 - 6
    assert frames == sorted(frames)
    assert bench.scheduler.clock.dropped >= 20


def test_a_hidden_page_gets_nothing_until_it_is_seen_again() -> None:
    """Common practice, no source."""
    bench = Bench()
    bench.join("a")
    bench.run(0.5)
    bench.scheduler.hide("a", True)
    count = bench.count("a")
    change(bench)
    bench.run(1.0)
    assert bench.count("a") == count
    bench.scheduler.hide("a", False)
    bench.run(0.5)
    assert bench.last("a").key.revision == bench.scheduler.revision


def test_a_reviewer_follows_the_operators_view_and_frame() -> None:
    """Common practice, no source."""
    bench = Bench()
    bench.join("op", name="matte")
    bench.join("r", "reviewer", width=640, name="plate")
    bench.run(0.5)
    assert bench.last("r").key.sight.name == "matte"
    assert bench.last("r").key.width == 640
    bench.scheduler.clock.apply(Transport(type="transport", frame=1010), bench.now)
    bench.run(0.5)
    assert bench.last("r").key.frame == 1010


def test_an_operator_without_a_picture_is_not_followed() -> None:
    """Common practice, no source: a program that only writes shows nothing to follow."""
    bench = Bench()
    bench.scheduler.add("program", "operator")
    bench.join("r", "reviewer", name="plate")
    bench.run(0.5)
    assert bench.last("r").key.sight.name == "plate"
    bench.join("op", name="matte")
    bench.scheduler.lead("program", bench.now)
    bench.run(0.5)
    assert bench.last("r").key.sight.name == "matte"


def test_a_reviewers_own_scrubbing_comes_last() -> None:
    """Common practice, no source: the operator's pictures go first, the others do not starve."""
    bench = Bench(render_s=0.050)
    bench.join("op")
    bench.join("r", "reviewer")
    bench.run(0.5)
    bench.scheduler.follow("r", False, bench.now)
    bench.scheduler.viewers["r"].clock = PlayClock(bench.frames)
    start = len(bench.made)

    def both(now: float) -> None:
        change(bench)
        clock = bench.scheduler.viewers["r"].clock
        assert clock is not None
        clock.apply(Transport(type="transport", frame=1001 + int(now * 1000) % 40), now)

    bench.run(3.0, both)
    made = bench.made[start:]
    of_reviewer = sum(key.frame != 1001 for key in made)
    assert 2 <= of_reviewer <= len(made) / 4


def test_two_ports_share_the_window_and_both_end_at_rest() -> None:
    """Common practice, no source: a wipe shows two views."""
    bench = Bench(delay_s=0.03)
    bench.join("a")
    bench.scheduler.show("a", Show(type="show", port=1, name="plate"), bench.now)

    def drag(_: float) -> None:
        change(bench)
        window = bench.scheduler.viewers["a"].window
        assert len(window.sent) + window.reserved <= 2

    bench.run(1.0, drag)
    bench.run(0.6)
    assert bench.last("a", 0).key.sight.name == "composite"
    assert bench.last("a", 1).key.sight.name == "plate"
    assert bench.scheduler.at_rest(bench.now)


def test_a_reset_sends_everything_afresh() -> None:
    """Common practice, no source."""
    bench = Bench()
    bench.join("a")
    bench.run(0.5)
    count = bench.count("a")
    bench.scheduler.reset("a")
    bench.run(0.3)
    assert bench.count("a") == count + 1


def test_coming_back_in_mid_drag_gets_the_newest_picture() -> None:
    """Common practice, no source: a reconnection begins with an empty window."""
    bench = Bench(silent={"a"}, render_s=0.030)
    bench.join("a")

    def drag(_: float) -> None:
        change(bench)

    bench.run(0.1, drag)
    bench.scheduler.remove("a")
    bench.run(0.1, drag)
    bench.silent.clear()
    bench.join("a")
    bench.run(0.1, drag)
    bench.run(0.5)
    assert bench.scheduler.at_rest(bench.now)
    assert bench.last("a").key.revision == bench.scheduler.revision


def test_a_failed_picture_is_not_tried_for_ever() -> None:
    """Common practice, no source."""
    bench = Bench()
    bench.join("a")
    key = bench.scheduler.next(bench.now)
    assert key is not None
    bench.scheduler.finished(key, None, bench.now)
    assert bench.scheduler.next(bench.now) is None
    assert bench.scheduler.viewers["a"].window.free == 2


def test_stress_views_are_lossless_at_rest() -> None:
    """Common practice, no source: a coder's ringing would look like noise in the matte."""
    bench = Bench()
    bench.join("a", name="matte", stress=StressRequest(preset="screen").model_dump())
    bench.run(0.6)
    assert bench.last("a").key.quality is Quality.LOSSLESS


@pytest.mark.parametrize(
    ("region", "width", "expected"),
    [
        (None, 1000, (1280, 720)),
        ([0, 0, 1920, 1080], 4000, (1920, 1080)),
        ([100, 100, 200, 150], 1920, (100, 50)),
        ([-50, -50, 100, 100], 960, (100, 100)),
        ([5000, 0, 6000, 10], 640, (640, 360)),
    ],
)
def test_sizes_on_the_wire(region: list[int] | None, width: int, expected: tuple[int, int]) -> None:
    """Common practice, no source: snapped widths, regions down to 1:1, never upscaled."""
    bench = Bench()
    bench.join("a", width=width, region=region)
    bench.run(0.05)
    key = bench.last("a").key
    assert (key.width, key.height) == expected


def test_reviewers_who_look_elsewhere_do_not_hold_up_a_drag() -> None:
    """Our own rule, no outside source: a drag stays quick, whatever reviewers look at meanwhile."""
    alone, among = Bench(), Bench()
    counts = []
    for bench in (alone, among):
        bench.join("a")
        if bench is among:
            for n, view in enumerate(("plate", "matte", "spill", "foreground", "despilled")):
                bench.join(f"r{n}", "reviewer", name=view)
                bench.scheduler.follow(f"r{n}", False, bench.now)
        bench.run(0.5)
        start = bench.count("a")
        rest = [0.0]

        def drag(now: float, bench: Bench = bench, rest: list[float] = rest) -> None:
            if bench.last("a").key.revision < bench.scheduler.revision:
                rest[0] = now + 0.005  # the hand moves on when it has seen the picture
            elif now >= rest[0]:
                change(bench)

        bench.run(2.0, drag)
        counts.append(bench.count("a") - start)
    assert counts[1] > 0.85 * counts[0]
    reviewers = [f"r{n}" for n in range(5)]
    among.run(2.0)
    assert all(among.last(r).key.revision == among.scheduler.revision for r in reviewers)
    assert all(among.last(r).key.quality is Quality.REST for r in reviewers)
