"""Frames are carried to a card ahead of need. The card is the processor: kernels run emulated."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from kernels.cpu.engine import CpuEngine
from kernels.cuda.runner import DeviceEngine
from server.pictures.carrier import Carrier
from server.pictures.renderer import RenderThread, Urgency
from server.store.frame_types import FrameId
from tests.kernels.cuda.host import HostDevice, compiler
from tests.server.store.test_frames import get, make

FRAME = FrameId("p", 7)


@pytest.fixture
def engine() -> DeviceEngine:
    """An engine like a card's."""
    if compiler() is None:
        pytest.skip("no C++ compiler here")
    return DeviceEngine(HostDevice())


def carried(carrier: Carrier, store: Any, engine: Any, frame: FrameId) -> bool:
    """Have a frame carried, and wait until it is there."""
    carrier.carry(engine, frame)
    carrier._pool.submit(lambda: None).result(10)
    carrier._thread.call(Urgency.JOB, lambda: None)  # after all that is more urgent
    assert not carrier._under_way
    there: bool = store.in_engine(frame)
    return there


def test_a_decoded_frame_is_in_the_engine_before_it_is_asked_for(engine: DeviceEngine) -> None:
    """Source: the frame itself, fetched back from the engine."""
    store, decoder, _ = make()
    get(store, decoder, FRAME.frame)
    thread = RenderThread()
    carrier = Carrier(store, thread)
    assert carried(carrier, store, engine, FRAME)
    held = store.held(FRAME, lambda _: pytest.fail("it is there already"))
    assert np.array_equal(engine.fetch(held.pixels), np.full((3, 4, 6), 7, np.float32))
    carrier.close()
    thread.close()


def test_what_cannot_be_carried_is_left(engine: DeviceEngine) -> None:
    """Frames that are not decoded, and engines that read host memory: nothing happens."""
    store, decoder, _ = make()
    thread = RenderThread()
    carrier = Carrier(store, thread)
    assert not carried(carrier, store, engine, FRAME)
    get(store, decoder, FRAME.frame)
    assert not carried(carrier, store, CpuEngine(threads=1), FRAME)
    carrier.close()
    carrier.carry(engine, FRAME)  # too late, and no error
    assert not carrier._under_way
    thread.close()
