"""From outside: a reviewer that floods slows nobody but itself."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from server.editing.notes import MAX_NOTES, NoteBoard
from server.pictures.probe import BAND_PIXELS, bands_of, sample
from server.wire.messages import NoteAdd, NoteEdit, Sample
from tests.server.conftest import FRAMES, HEIGHT, WIDTH, Live, live_service


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[Live]:
    """A service of the test's own."""
    with live_service(tmp_path) as made:
        yield made


def test_a_flood_of_notes_is_cut_short_and_answered(fresh: Live) -> None:
    """Our own rule, no outside source: a budget for each client and kind of message.

    300 edits at once: few are carried out, each other one is told so, the operator's own change
    and its picture come all the same, and the file holds what was carried out.
    """
    with fresh.page(show={"width": 96}) as op, fresh.page("reviewer") as flooder:
        flooder.send(type="note_add", frame=FRAMES[0], x=1, y=1, text="n")
        note = flooder.until("note")["note"]["note"]
        for n in range(300):
            flooder.send(type="note_edit", note=note, text=f"edit {n}")
        flooder.send(type="ping", t=1)
        flooder.until("pong")
        limit = NoteEdit.limit
        carried_out = sum(t["type"] == "note" for t in flooder.texts)
        assert carried_out <= limit.burst + 60 * limit.per_s
        assert "rate" in [t.get("code") for t in flooder.texts]
        op.set("name", "worked on")
        revision = op.until("accepted")["revision"]
        op.picture(revision=revision)
        fresh.service.notes.flush()
        kept = NoteBoard(fresh.service.recipes.path.with_suffix(".notes.json"))
        assert kept.notes == fresh.service.notes.notes


def test_a_note_belongs_to_a_device_whatever_id_it_comes_with(fresh: Live) -> None:
    """Our own rule, no outside source: client ids are seen by others and forgotten some day."""
    with fresh.page("reviewer", client="seen-by-all") as writer:
        writer.send(type="note_add", frame=FRAMES[0], x=1, y=1, text="mine")
        note = writer.until("note")["note"]["note"]
    fresh.service.owners.clear()  # as after thousands of visits
    with fresh.page("reviewer", client="seen-by-all") as other:
        other.send(type="note_edit", note=note, text="rewritten")
        assert "only its writer" in other.until("error")["message"]
    assert fresh.service.notes.notes[0].text == "mine"


def test_saving_notes_never_holds_up_the_caller(tmp_path: Path) -> None:
    """Our own rule, no outside source: they are written on another thread, once a moment."""
    board = NoteBoard(tmp_path / "key.notes.json", after_s=30)
    writers: set[str] = set()
    writes: list[int] = []

    from server.editing import notes as module

    real = module.write_text_atomically

    def spy(path: Path, text: str) -> None:
        writers.add(threading.current_thread().name)
        writes.append(len(text))
        real(path, text)

    module.write_text_atomically = spy  # type: ignore[assignment]
    try:
        for n in range(MAX_NOTES):
            message = NoteAdd(type="note_add", frame=n, x=0, y=0, text="x")
            board.add(message, "device", "somebody", "reviewer")
        board.close()
    finally:
        module.write_text_atomically = real
    assert threading.current_thread().name not in writers
    assert len(writes) <= 2
    assert len(NoteBoard(board.path).notes) == MAX_NOTES


def test_a_large_sample_gives_the_engine_back_between_bands(fresh: Live) -> None:
    """Our own rule, no outside source: no piece of measuring keeps pictures waiting for long."""
    box = (0, 0, 3840, 2160)
    bands = bands_of(box)
    assert [b[1] for b in bands[1:]] == [b[3] for b in bands[:-1]]
    assert (bands[0][1], bands[-1][3]) == (0, 2160)
    assert all((b[2] - b[0]) * (b[3] - b[1]) <= BAND_PIXELS for b in bands)
    pieces: list[str] = []
    service = fresh.service

    def on_engine(work):  # type: ignore[no-untyped-def]
        pieces.append(threading.current_thread().name)
        return service.thread.call(0, work)

    with fresh.page(show={"width": 96}) as op:
        op.picture()
        message = Sample(type="sample", id="a", name="composite", box=(0, 0, WIDTH, HEIGHT))
        recipe = service.session.recipe
        whole = sample(service.opened, recipe, 1, FRAMES[0], message, on_engine)
        monkey = pytest.MonkeyPatch()
        with monkey.context() as patch:
            patch.setattr("server.pictures.probe.BAND_PIXELS", WIDTH * 5)
            before = len(pieces)
            banded = sample(service.opened, recipe, 1, FRAMES[0], message, on_engine)
        assert len(pieces) - before >= HEIGHT // 5
        assert banded.linear == pytest.approx(whole.linear, rel=1e-6)
        assert (banded.low, banded.high) == (whole.low, whole.high)
