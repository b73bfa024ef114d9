"""The playhead's arithmetic, with a given time."""

from __future__ import annotations

import pytest

from server.pictures.playback import PlayClock
from server.wire.messages import Transport


def clock(**change: object) -> PlayClock:
    made = PlayClock((1001, 1010), fps=10.0)
    made.apply(Transport.model_validate({"type": "transport", **change}), 50.0)
    return made


@pytest.mark.parametrize(
    ("change", "after", "frame"),
    [
        ({"playing": True}, 0.05, 1001),
        ({"playing": True}, 0.35, 1004),
        ({"playing": True}, 1.05, 1001),
        ({"playing": True, "first": 1003, "last": 1005}, 0.35, 1003),
        ({"playing": True, "direction": -1, "frame": 1010}, 0.25, 1008),
        ({"playing": True, "direction": -1}, 0.15, 1010),
        ({"playing": True, "loop": "once"}, 5.0, 1010),
        ({"playing": True, "loop": "back_and_forth"}, 1.05, 1009),
        ({"playing": True, "loop": "back_and_forth"}, 1.85, 1001),
        ({"frame": 1007}, 9.0, 1007),
        ({"frame": 5}, 0, 1001),
        ({"frame": 5000}, 0, 1010),
        ({"step": 3}, 0, 1004),
        ({"playing": True, "fps": 100.0}, 0.055, 1006),
    ],
)
def test_the_frame_follows_from_the_time(
    change: dict[str, object], after: float, frame: int
) -> None:
    """Common practice, no source."""
    assert clock(**change).frame_at(50.0 + after) == frame


def test_playing_once_ends_on_the_last_frame_and_begins_again() -> None:
    """Common practice, no source."""
    made = clock(playing=True, loop="once")
    assert not made.ended(50.5)
    assert made.ended(51.0)
    made.stop_at_end(51.0)
    assert not made.playing
    assert made.frame_at(60.0) == 1010
    made.apply(Transport(type="transport", playing=True), 61.0)
    assert made.frame_at(61.15) == 1002


def test_frames_passed_over_are_counted() -> None:
    """Common practice, no source."""
    made = clock(playing=True)
    for at in (50.0, 50.1, 50.5, 50.6, 50.9):
        made.count_shown(at + 0.01)
    assert made.dropped == 3 + 2


def test_what_comes_next_goes_round() -> None:
    """Common practice, no source."""
    made = clock(playing=True, first=1003, last=1005)
    assert made.ahead(50.05, 5) == [1003, 1004, 1005]
    assert made.behind(50.25, 5) == [1005, 1004, 1003]
    assert clock(frame=1009).ahead(50.0, 5) == [1009, 1010]


def test_a_single_frame_plays() -> None:
    """Common practice, no source."""
    for loop in ("loop", "once", "back_and_forth"):
        made = PlayClock((7, 7))
        made.apply(
            Transport.model_validate({"type": "transport", "playing": True, "loop": loop}), 0.0
        )
        assert made.frame_at(3.3) == 7


def test_the_count_of_dropped_frames_belongs_to_its_run() -> None:
    """Our own rule, no outside source: kept when the run ends, gone with the next move or run."""
    made = clock(playing=True)
    made.count_shown(50.01)
    made.count_shown(50.41)
    assert made.dropped == 3
    made.apply(Transport(type="transport", playing=False, frame=1002), 50.5)
    assert (made.dropped, made.frame_at(60.0)) == (3, 1002)
    made.apply(Transport(type="transport", first=1001, last=1004), 60.5)
    assert made.dropped == 3
    made.apply(Transport(type="transport", step=1), 61.0)
    assert made.dropped == 0
    made.apply(Transport(type="transport", playing=True), 62.0)
    made.count_shown(62.01)
    made.count_shown(62.31)
    assert made.dropped == 2
    made.apply(Transport(type="transport", playing=False), 62.4)
    made.apply(Transport(type="transport", playing=True), 63.0)
    assert made.dropped == 0
