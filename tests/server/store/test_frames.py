"""The frame store: budgets, tiers, who may push out whom, decoding order."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.media import Frame, MediaError
from server.store.disk_tier import PREFIX, DiskTier
from server.store.frame_types import Budget, Decoded, FrameId, NotReadyError, runs
from server.store.frames import FrameStore

SHAPE = (4, 6)
HALF_BYTES = 3 * 4 * 6 * 2


class Decoder:
    """Decodes when told to."""

    def __init__(self) -> None:
        self.asked: list[int] = []
        self.futures: dict[int, Future[Any]] = {}
        self.closed = False

    def submit(self, frame: int) -> Future[Any]:
        self.asked.append(frame)
        self.futures[frame] = Future()
        return self.futures[frame]

    def finish(self, frame: int) -> None:
        pixels = np.full((3, *SHAPE), frame, np.float32)
        self.futures.pop(frame).set_result(Frame(frame, pixels))

    def close(self) -> None:
        self.closed = True


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def hold(pixels: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    return pixels.astype(np.float32)


def make(
    host: int = 100, engine: int = 100, workers: int = 1, disk: DiskTier | None = None
) -> tuple[FrameStore, Decoder, Clock]:
    clock = Clock()
    store = FrameStore(
        Budget(engine * HALF_BYTES * 2, host * HALF_BYTES, 0), disk=disk, clock=clock
    )
    decoder = Decoder()
    store.open("p", decoder, SHAPE, workers=workers)
    return store, decoder, clock


def get(store: FrameStore, decoder: Decoder, frame: int, operator: bool = True) -> None:
    if not store.ask(FrameId("p", frame), operator=operator):
        decoder.finish(frame)


def test_a_frame_is_decoded_once_and_then_ready() -> None:
    """Common practice, no source."""
    store, decoder, _ = make()
    assert not store.ask(FrameId("p", 5), operator=True)
    assert not store.ask(FrameId("p", 5), operator=True)
    with pytest.raises(NotReadyError):
        store.held(FrameId("p", 5), hold)
    decoder.finish(5)
    assert store.ask(FrameId("p", 5), operator=True)
    assert decoder.asked == [5]
    assert store.held(FrameId("p", 5), hold).pixels[0, 0, 0] == 5


def test_the_newest_wish_is_decoded_first_and_old_ones_are_given_up() -> None:
    """Common practice, no source: after a fast scrub the frame under the finger comes first."""
    store, decoder, _ = make()
    for frame in range(1, 40):
        store.ask(FrameId("p", frame), operator=True)
    decoder.finish(1)
    assert decoder.asked == [1, 39]
    for _ in range(11):
        decoder.finish(decoder.asked[-1])
    assert decoder.asked == [1, *range(39, 27, -1)]


def test_operators_come_before_reviewers_and_those_before_reading_ahead() -> None:
    """Common practice, no source."""
    store, decoder, _ = make()
    store.ask(FrameId("p", 1), operator=True)
    store.fetch_ahead([FrameId("p", 2), FrameId("p", 3)])
    store.ask(FrameId("p", 20), operator=True)
    store.ask(FrameId("p", 10), operator=False)
    for _ in range(5):
        decoder.finish(decoder.asked[-1])
    assert decoder.asked == [1, 20, 10, 2, 3]


def test_the_host_budget_holds_and_the_oldest_goes_first() -> None:
    """Common practice, no source."""
    store, decoder, _ = make(host=3)
    for frame in range(1, 9):
        get(store, decoder, frame)
        assert store.host_bytes <= 3 * HALF_BYTES
    assert store.ranges("p") == [(6, 8)]


def test_a_reviewers_frames_never_push_out_the_operators() -> None:
    """Common practice, no source."""
    store, decoder, _ = make(host=3)
    for frame in (1, 2, 3):
        get(store, decoder, frame)
    for frame in range(20, 30):
        get(store, decoder, frame, operator=False)
        assert store.held(FrameId("p", frame), hold).pixels[0, 0, 0] == frame
    assert all(store.ready(FrameId("p", frame)) for frame in (1, 2, 3))


def test_the_operator_pushes_out_a_reviewers_frame_first() -> None:
    """Common practice, no source."""
    store, decoder, _ = make(host=3, engine=0)
    get(store, decoder, 1)
    get(store, decoder, 50, operator=False)
    get(store, decoder, 2)
    get(store, decoder, 3)
    assert [store.ready(FrameId("p", f)) for f in (1, 2, 3, 50)] == [True, True, True, False]


@pytest.mark.parametrize(("round_", "least"), [(False, 0), (True, 15)])
def test_playing_round_a_shot_larger_than_the_budget_keeps_most_of_it(
    round_: bool, least: int
) -> None:
    """Source: Belady 1966, the replaced page is the one needed again latest."""
    store, decoder, _ = make(engine=6)
    made: list[int] = []

    def counted(pixels: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        made.append(1)
        return hold(pixels)

    for frame in range(8):
        get(store, decoder, frame)
    for n in range(40):
        turns = range(1, 8) if round_ else ()
        store.coming = {FrameId("p", (n + turn) % 8): turn for turn in turns}
        store.held(FrameId("p", n % 8), counted)
    assert 40 - len(made) >= least
    assert round_ or len(made) == 40


def test_the_engine_budget_holds() -> None:
    """Common practice, no source."""
    store, decoder, _ = make(engine=2)
    for frame in range(1, 6):
        get(store, decoder, frame)
        store.held(FrameId("p", frame), hold)
        assert store.engine_bytes <= 2 * HALF_BYTES * 2
    store.shrink_engine(0.5)
    assert store.engine_bytes <= HALF_BYTES * 2
    assert store.budget.engine == 2 * HALF_BYTES * 2


def test_what_fails_is_black_for_a_while_named_and_tried_again() -> None:
    """Common practice, no source."""
    store, decoder, clock = make()
    store.ask(FrameId("p", 4), operator=True)
    decoder.futures.pop(4).set_exception(MediaError("'x.0004.exr' is cut short"))
    assert store.ask(FrameId("p", 4), operator=True)
    held = store.held(FrameId("p", 4), hold)
    assert held.missing
    assert not held.pixels.any()
    assert store.messages[FrameId("p", 4)] == "'x.0004.exr' is cut short"
    clock.now += 60
    assert not store.ask(FrameId("p", 4), operator=True)
    decoder.finish(4)
    assert not store.held(FrameId("p", 4), hold).missing
    assert not store.messages


def test_a_changed_file_is_read_again() -> None:
    """Common practice, no source: the key of a frame has size and time of its file."""
    store, decoder, _ = make()
    stamps = {7: (10, 1)}
    store.open("q", decoder, SHAPE, stamp=lambda frame: stamps.get(frame))
    store.ask(FrameId("q", 7), operator=True)
    decoder.finish(7)
    assert not store.refresh(FrameId("q", 7))
    stamps[7] = (12, 2)
    assert store.refresh(FrameId("q", 7))
    assert not store.ready(FrameId("q", 7))


def test_frames_that_leave_memory_come_back_from_disk(tmp_path: Path) -> None:
    """Common practice, no source."""
    disk = DiskTier(tmp_path, 10 * HALF_BYTES)
    store, decoder, _ = make(host=2, engine=0, disk=disk)
    assert disk.folder.stat().st_mode & 0o777 == 0o700
    for frame in range(1, 5):
        get(store, decoder, frame)
    disk._pool.submit(int).result()
    assert store.ranges("p") == [(1, 4)]
    decoded = list(decoder.asked)
    assert not store.ask(FrameId("p", 1), operator=True)
    disk._pool.submit(int).result()
    assert store.ask(FrameId("p", 1), operator=True)
    assert decoder.asked == decoded
    assert store.held(FrameId("p", 1), hold).pixels[0, 0, 0] == 1
    store.close_all()
    assert decoder.closed
    assert not list(tmp_path.iterdir())


def test_the_disk_budget_holds_and_leftovers_are_removed(tmp_path: Path) -> None:
    """Common practice, no source."""
    leftover = tmp_path / f"{PREFIX}999999999-abc"
    leftover.mkdir()
    disk = DiskTier(tmp_path, 3 * HALF_BYTES)
    assert not leftover.exists()
    for frame in range(8):
        disk.store(FrameId("p", frame), Decoded(np.zeros((3, *SHAPE), np.float16)))
    disk._pool.submit(int).result()
    assert disk.bytes <= 3 * HALF_BYTES
    assert len(list(disk.folder.iterdir())) == 3
    disk.close()


def test_values_beyond_half_are_held_at_its_ends() -> None:
    """Common practice, no source: an infinity in the store would spread in every filter."""
    store, decoder, _ = make()
    store.ask(FrameId("p", 1), operator=True)
    pixels = np.array([1e9, -1e9, 1.62], np.float32).reshape(3, 1, 1) * np.ones((3, *SHAPE))
    decoder.futures.pop(1).set_result(Frame(1, pixels.astype(np.float32)))
    held = store.held(FrameId("p", 1), hold).pixels
    assert [held[0, 0, 0], held[1, 0, 0]] == [65504, -65504]
    assert held[2, 0, 0] == pytest.approx(1.62, rel=1e-3)


def test_closing_a_source_forgets_its_frames() -> None:
    """Common practice, no source."""
    store, decoder, _ = make()
    get(store, decoder, 1)
    store.held(FrameId("p", 1), hold)
    store.close("p")
    assert decoder.closed
    assert (store.host_bytes, store.engine_bytes) == (0, 0)
    assert not store.ready(FrameId("p", 1))


def test_runs() -> None:
    """Common practice, no source."""
    assert runs([3, 1, 2, 7, 7, 9, 10]) == [(1, 3), (7, 7), (9, 10)]
    assert runs([]) == []


def test_a_frame_that_comes_right_later_is_told_once() -> None:
    """Common practice, no source: pictures of its black stand-in are made again."""
    store, decoder, clock = make()
    store.ask(FrameId("p", 4), operator=True)
    decoder.futures.pop(4).set_exception(MediaError("'x.0004.exr' is cut short"))
    assert not store.healed()
    clock.now += 60
    store.ask(FrameId("p", 4), operator=True)
    decoder.finish(4)
    assert store.healed()
    assert not store.healed()
