"""The stream over a real socket: pictures, edits, playback, people, measuring."""

from __future__ import annotations

import io
import itertools
import time

import numpy as np
import pytest
from PIL import Image

from server.editing.notes import NoteBoard
from server.wire.protocol import Flag
from tests.server.conftest import HEIGHT, WIDTH, Live, Page, close_code


def test_a_picture_comes_quickly_and_then_in_full(live: Live) -> None:
    """Source: JPEG decoded by Pillow; RFC 6455 spoken by the websockets library's client."""
    with live.page(show={"name": "plate", "width": 960, "view_id": 7}) as page:
        assert page.picture()[0].view_id == 7
        page.send(type="show", name="despilled", width=960, view_id=8)
        first, _ = page.picture(rest=False)
        assert first.flags & Flag.MOVING
        assert (first.view_id, first.quality) == (8, 80)
        assert page.picture()[0].view_id == 8
        page.send(type="show", name="plate", width=960, view_id=9)
        header, data = page.picture()
        assert (header.width, header.height, header.quality) == (WIDTH, HEIGHT, 95)
        assert (header.x0, header.y0, header.x1, header.y1) == (0, 0, WIDTH, HEIGHT)
        picture = np.asarray(Image.open(io.BytesIO(data)))
        assert picture.shape == (HEIGHT, WIDTH, 3)
        green, box = picture[5, 5], picture[25, 30]
        assert green[1] > green[0] + 60
        assert box[0] > box[1] > box[2]


def test_a_write_is_accepted_and_seen_at_once(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page(show={"name": "matte", "width": 960}) as page:
        _, before = page.picture()
        extractor = page.state["recipe"]["extractors"][0]["id"]
        seq = page.set(f"extractors/{extractor}/on", False, label="switch off")
        answer = page.until("accepted", client_seq=seq)
        assert answer["undo"] == "switch off"
        header, after = page.picture(revision=answer["revision"])
        assert header.revision == answer["revision"]
        assert np.asarray(Image.open(io.BytesIO(after))).min() > 250
        assert np.asarray(Image.open(io.BytesIO(before))).min() < 5


def test_two_operators_do_not_overwrite_each_other_silently(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page() as a, fresh.page() as b:
        extractor = a.state["recipe"]["extractors"][0]["id"]
        path = f"extractors/{extractor}/gain"
        revision = a.state["revision"]
        a.set(path, 1.25, seen=revision)
        accepted = a.until("accepted")
        b.set(path, 0.75, seen=revision)
        refused = b.until("refused")
        assert refused["reason"] == "conflict"
        assert refused["current"] == [{"path": path, "value": 1.25}]
        told = [t for t in b.texts if t["type"] == "changed"]
        assert told[0]["changes"] == refused["current"]
        b.set(path, 0.75, seen=accepted["revision"])
        assert b.until("accepted")["revision"] > accepted["revision"]
        assert a.until("changed")["changes"] == [{"path": path, "value": 0.75}]


def test_undo_is_told_to_everybody(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page() as a, fresh.page("reviewer") as r:
        a.set("screen/primary", "blue", label="blue screen")
        a.until("accepted")
        a.send(type="undo", client_seq=500)
        told = r.until("changed", label="undo: blue screen")
        assert told["changes"] == [{"path": "screen/primary", "value": "green"}]
        assert told["redo"] == "blue screen"
        a.send(type="redo", client_seq=501)
        assert a.until("accepted", client_seq=501)["undo"] == "blue screen"


def test_reviewers_look_but_do_not_touch(live: Live) -> None:
    """Common practice, no source."""
    with live.page("reviewer", show={"name": "plate"}) as page:
        page.set("screen/primary", "blue")
        assert page.until("refused")["reason"] == "role"
        for message in (
            {"type": "job_start", "id": "j", "kind": "render"},
            {"type": "recipes", "id": "x"},
            {"type": "link", "id": "l"},
            {"type": "revoke", "role": "operator"},
            {"type": "media", "id": "m"},
            {"type": "recipe_save_as", "id": "s", "name": "x"},
        ):
            page.send(**message)
            assert page.until("error")["code"] == "role"
        page.send(type="sample", id="s", box=[5, 5, 6, 6])
        assert page.until("sampled")["linear"][1] == pytest.approx(0.35, abs=0.03)
        assert page.state["devices"] == []


def test_a_reviewer_follows_until_it_moves_by_itself(live: Live) -> None:
    """Common practice, no source."""
    with live.page(show={"name": "matte", "width": 640}) as op:
        op.picture()
        with live.page("reviewer", show={"name": "plate", "width": 640}) as r:
            r.picture()
            op.send(type="transport", frame=1003)
            assert r.until("playhead", frame=1003)["own"] is False
            assert r.picture()[0].frame == 1003
            r.send(type="transport", frame=1005)
            assert r.until("playhead", frame=1005)["own"] is True
            assert r.picture()[0].frame == 1005
            apart = {"operator": False, "reviewer": False}
            while {p["role"]: p["following"] for p in op.until("people")["people"]} != apart:
                pass
            r.send(type="follow", on=True)
            assert r.until("following")["ports"][0]["name"] == "matte"
            assert r.picture()[0].frame == 1003
        op.send(type="transport", frame=1001)


def test_playback_goes_round_in_the_order_of_the_frames(live: Live) -> None:
    """Our own rule, no outside source. That its clock keeps time is tested with one passed in."""
    with live.page(show={"name": "plate", "width": 640}) as page:
        page.picture()
        while live.service.store.ranges(live.service.opened.plate) != [(1001, 1006)]:
            page.until("cached")
        page.pictures.clear()
        page.send(type="transport", playing=True, fps=12)
        while len(page.pictures) < 18:
            page.receive(10)
        frames = [header.frame for header, _ in page.pictures]
        page.send(type="transport", playing=False, frame=1001)
        page.until("playhead", playing=False)
        assert set(frames) == set(range(1001, 1007))
        steps = [(b - a) % 6 for a, b in itertools.pairwise(frames)]
        assert steps.count(1) > len(steps) // 2, "frames follow one another, few are left out"
    live.service.scheduler.clock.fps = 24.0


def test_a_region_is_sent_at_its_own_size(live: Live) -> None:
    """Common practice, no source."""
    with live.page(show={"name": "plate", "width": 960, "region": [10, 10, 42, 28]}) as page:
        header, data = page.picture()
        assert (header.x0, header.y0, header.x1, header.y1) == (10, 10, 42, 28)
        assert Image.open(io.BytesIO(data)).size == (32, 18)


def test_a_stress_view_is_lossless_and_flagged(live: Live) -> None:
    """Source: PNG decoded by Pillow."""
    with live.page(show={"name": "matte", "stress": {"preset": "screen", "gain": 8.0}}) as page:
        header, data = page.picture()
        assert header.flags & Flag.STRESS
        assert header.encoding == "png"
        assert Image.open(io.BytesIO(data)).size == (WIDTH, HEIGHT)


def test_samples_scopes_and_separation(live: Live) -> None:
    """Common practice, no source: what was written into the shot is measured."""
    with live.page() as page:
        page.send(type="sample", id="p", box=[4, 4, 16, 10])
        got = page.until("sampled", id="p")
        assert got["linear"] == pytest.approx([0.05, 0.35, 0.07], abs=0.002)
        assert got["alpha"] == pytest.approx(0, abs=0.02)
        assert got["pixels"] == 72
        assert got["code_bits"] == 10
        page.send(type="sample", id="m", name="matte", box=[30, 20, 31, 21])
        assert page.until("sampled", id="m")["linear"] == pytest.approx([1, 1, 1])
        page.send(type="separate", id="s", box_a=[28, 20, 40, 30], box_b=[2, 2, 12, 12])
        best = page.until("separated")
        assert best["channels"][0]["separation"] >= best["channels"][-1]["separation"] >= 0
        assert best["suggestion"]["kind"] == "value_band"
        page.send(type="scopes", kinds=["histogram", "waveform", "vectorscope", "hues"])
        scope = page.until("scope")
        assert sum(scope["histogram"]["counts"]["red"]) == WIDTH * HEIGHT
        assert np.argmax(scope["hue_counts"]) in range(115, 130)
        page.send(type="ack_scopes", sequence=scope["sequence"])
        for name in ("evenness", "alpha_noise", "deciding"):  # false colours are no signal
            page.send(type="scopes", kinds=["waveform", "vectorscope"], name=name)
            of_plate = page.until("scope")
            assert of_plate["name"] == name
            assert of_plate["waveform"] == scope["waveform"]
            assert of_plate["vectorscope"] == scope["vectorscope"]
            page.send(type="ack_scopes", sequence=of_plate["sequence"])
        page.send(type="scopes", kinds=[])


def test_notes_are_pinned_and_belong_to_their_writers(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page() as op, fresh.page("reviewer") as r:
        r.send(type="note_add", frame=1002, x=10.5, y=20.5, text="hair here")
        note = op.until("note")["note"]
        assert (note["frame"], note["x"], note["text"]) == (1002, 10.5, "hair here")
        op.send(type="note_add", frame=1001, x=0, y=0, text="mine")
        assert r.until("note")["note"]["device"] == r.welcome["you"]["device"]
        assert r.until("note")["note"]["text"] == "mine"
        r.send(type="note_edit", note=note["note"], done=True)
        assert r.until("note")["note"]["done"]
        other = fresh.service.notes.notes[1].note
        r.send(type="note_remove", note=other)
        assert "operator" in r.until("error")["message"]
        assert len(fresh.service.notes.notes) == 2
        op.send(type="note_remove", note=other)
        assert r.until("note_gone")["note"] == other
        fresh.service.notes.flush()
        kept = fresh.service.recipes.path.with_suffix(".notes.json")
        assert [n.text for n in NoteBoard(kept).notes] == ["hair here"]


def test_recipes_are_saved_loaded_and_kept_as_history(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page() as page:
        page.set("screen/primary", "blue", label="blue")
        page.until("accepted")
        page.send(type="recipe_save_as", id="1", name="night key")
        assert page.until("recipes", id="1")["saved"][0]["name"] == "night key"
        page.set("screen/primary", "red", label="red")
        page.until("accepted")
        page.send(type="recipe_load", id="2", name="night key")
        state = page.until("state")["state"]
        assert state["recipe"]["screen"]["primary"] == "blue"
        assert state["undo"] == "load night key"
        page.until("done", id="2")
        fresh.service.recipes.flush()
        page.send(type="recipes", id="3")
        history = page.until("recipes", id="3")["history"]
        assert history[0]["label"] == "load night key"
        page.send(type="recipe_load", id="4", history=history[-1]["history"])
        assert page.until("state")["state"]["recipe"]["screen"]["primary"] == "green"
        page.send(type="recipe_load", id="5", name="../night key")
        assert page.until("error", about="5")
    cookie = fresh.cookie()
    got = fresh.get("/api/recipes/night key", cookie)
    assert got.json()["screen"]["primary"] == "blue"


def test_a_render_job_reports_and_writes_files(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page() as page:
        page.send(
            type="job_start", id="r", kind="render", options={"name": "out", "frames": "1001-1003"}
        )
        job = page.until("job", id="r")["job"]
        done = page.until("job", timeout=60, job=job, state="done")
        assert (done["done"], done["total"]) == (3, 3)
        files = sorted((fresh.folder / "renders" / "out").iterdir())
        assert [f.name for f in files] == [f"out.{n}.exr" for n in (1001, 1002, 1003)]
        for options in (
            {"name": "../out"},
            {"name": "out", "frames": "x"},
            {"layers": ["none"]},
            {"unknown": 1},
        ):
            page.send(type="job_start", id="bad", kind="render", options=options)
            failed = page.until("job", timeout=30, id="bad", state="failed")
            assert failed["message"]
            assert "Traceback" not in failed["message"]


def test_media_roots_are_listed(live: Live) -> None:
    """Common practice, no source."""
    with live.page() as page:
        page.send(type="media", id="1")
        roots = [e["name"] for e in page.until("media", id="1")["entries"]]
        assert "media" in roots
        page.send(type="media", id="2", root="media")
        entries = page.until("media", id="2")["entries"]
        assert [(e["name"], e["kind"], e["first"], e["last"]) for e in entries] == [
            ("take.####.exr", "sequence", 1001, 1006)
        ]


def test_a_clean_plate_and_a_background_are_taken_by_name(fresh: Live) -> None:
    """Common practice, no source: pictures are made again when a companion is there."""
    with fresh.page(show={"name": "composite", "width": 960}) as page:
        page.picture()
        page.write(
            {"op": "set", "path": "screen/clean_plate", "value": "file"},
            {"op": "set", "path": "screen/clean_plate_path", "value": "take.1001.exr"},
            {"op": "set", "path": "assemble/background/path", "value": "take.####.exr"},
            {"op": "set", "path": "assemble/background/kind", "value": "picture"},
        )
        revision = page.until("accepted")["revision"]
        end = time.monotonic() + 60
        while time.monotonic() < end:
            _, data = page.picture(60, revision=revision)
            picture = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
            if picture[5, 5, 1] > picture[5, 5, 0] + 40:
                break
        assert picture[5, 5, 1] > picture[5, 5, 0] + 40, "the green background is seen"


def test_a_page_that_comes_back_resends_and_loses_nothing(fresh: Live) -> None:
    """Common practice, no source: a reconnection in mid-drag."""
    cookie = fresh.cookie()
    with fresh.page(cookie=cookie, client="same", show={"name": "matte"}) as page:
        page.set("screen/primary", "blue", gesture="g")
        page.until("accepted")
        page.set("screen/primary", "red", gesture="g")
    with fresh.page(cookie=cookie, client="same", show={"name": "matte"}) as again:
        for n, value in ((1, "blue"), (2, "red"), (3, "green")):
            again.send(
                type="write",
                client_seq=n,
                seen=10**9,
                gesture="g",
                ops=[{"op": "set", "path": "screen/primary", "value": value}],
            )
        revisions = [again.until("accepted", client_seq=n)["revision"] for n in (1, 2, 3)]
        assert revisions == sorted(revisions)
        header, _ = again.picture(revision=revisions[-1])
        assert header.revision == revisions[-1] == fresh.service.session.revision
        assert fresh.service.session.recipe.screen.primary == "green"


def test_the_same_client_id_twice_leaves_the_newer_one(live: Live) -> None:
    """Common practice, no source: a duplicated tab."""
    cookie = live.cookie()
    with (
        live.page(cookie=cookie, client="twin") as old,
        live.page(cookie=cookie, client="twin") as new,
    ):
        assert close_code(old) == 4409
        new.send(type="ping", t=1.5)
        assert new.until("pong")["t"] == 1.5


def test_a_wrong_protocol_version_is_told(live: Live) -> None:
    """Common practice, no source."""
    with live.socket(live.cookie()) as socket:
        socket.send('{"type":"hello","protocol":999,"client":"x"}')
        assert "reload" in str(socket.recv(5))
        assert close_code(Page(socket, {})) == 4400


def test_a_stalled_page_is_bounded_and_harms_nobody(live: Live) -> None:
    """Common practice, no source: two pictures on the way at most, the other page at full rate."""
    with (
        live.page(show={"name": "plate", "width": 960}) as stalled,
        live.page(show={"name": "plate", "width": 640}) as page,
    ):
        page.picture()
        extractor = page.state["recipe"]["extractors"][0]["id"]
        for n in range(30):
            page.set(f"extractors/{extractor}/gain", 1 + n / 100, gesture="drag")
            page.until("accepted")
        page.picture(revision=live.service.session.revision)
        waiting = live.service.clients[stalled.welcome["you"]["client"]]
        assert len(waiting.pictures) <= 2
        assert len(waiting.texts) < 100
        window = live.service.scheduler.viewers[waiting.client].window
        assert len(window.sent) + window.reserved <= 2
