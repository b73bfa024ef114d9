"""What each message class owns: role, reply and key; and that each has a handler with a name."""

from __future__ import annotations

from typing import Any, get_args

import pytest

from server.service.handlers.dispatch import handle
from server.wire.messages import (
    ClientMessage,
    Hello,
    Message,
    Sample,
    TakeNote,
    client_adapter,
)
from server.wire.replies import Changed, Devices, Done, Kept, Problem, ServerMessage
from server.wire.state import Change, JobInfo

SENT: tuple[type[Message], ...] = get_args(ClientMessage)
TOLD: tuple[type[Message], ...] = get_args(ServerMessage)


def type_of(model: type[Message]) -> str:
    """Return the word a message is told apart by."""
    (word,) = get_args(model.model_fields["type"].annotation)
    return str(word)


def all_messages(base: type[Message]) -> set[type[Message]]:
    """Return the classes under a base that travel by themselves."""
    found = {base} if "type" in base.model_fields else set()
    return found.union(*(all_messages(sub) for sub in base.__subclasses__()))


def test_every_message_is_on_one_of_the_two_lists() -> None:
    """Our own rule, no outside source: a class alone does nothing."""
    assert all_messages(Message) == {*SENT, *TOLD}
    assert len({type_of(model) for model in SENT}) == len(SENT)
    assert len({type_of(model) for model in TOLD}) == len(TOLD)


@pytest.mark.parametrize("model", [m for m in SENT if m is not Hello], ids=type_of)
def test_every_message_has_a_handler_with_a_name(model: type[Message]) -> None:
    """Our own rule, no outside source: a traceback and a search find it."""
    handler = handle.dispatch(model)
    assert handler is not handle.dispatch(object)
    assert handler.__name__.strip("_"), model


@pytest.mark.parametrize("model", SENT, ids=type_of)
def test_every_request_names_a_reply_that_there_is(model: type[Message]) -> None:
    """Our own rule, no outside source: what has an id or a number waits for an answer."""
    told = {type_of(reply): reply for reply in TOLD}
    if model.reply:
        assert model.reply in told
    else:
        assert not {"id", "client_seq"} & set(model.model_fields)
    if model.only_for is None and model.reply:
        assert told[model.reply].only_for is None, "the answer would not be told to who asked"


@pytest.mark.parametrize("model", [*SENT, *TOLD], ids=type_of)
def test_every_message_says_what_it_is_for(model: type[Message]) -> None:
    """Our own rule, no outside source."""
    assert "__doc__" in vars(model)
    assert vars(model)["__doc__"]


def test_who_may_send_and_who_is_told() -> None:
    """Our own rule, no outside source: reviewers look, sample and leave notes."""
    operators = {type_of(model) for model in SENT if model.only_for == "operator"}
    assert operators == {
        "write", "undo", "redo", "recipes", "recipe_save_as", "recipe_load", "media", "job_start",
        "job_cancel", "shot_open", "take_note", "link", "revoke",
    }  # fmt: skip
    assert {type_of(m) for m in TOLD if m.only_for == "operator"} == {"devices", "job"}
    assert Devices.only_for == "operator"


def sent(**fields: Any) -> Message:
    return client_adapter.validate_python(fields)


def test_a_newer_message_replaces_an_older_one_of_its_key_only() -> None:
    """Our own rule, no outside source."""
    one, other = (sent(type="sample", id=i, box=(0, 0, 1, 1)) for i in "ab")
    assert isinstance(one, Sample)
    assert one.key() == other.key()
    notes = [sent(type="take_note", id=i, take=1, text="x") for i in "ab"]
    assert isinstance(notes[0], TakeNote)
    assert notes[0].key() != notes[1].key()
    assert sent(type="recipes", id="a").key() != sent(type="recipe_load", id="b", history=1).key()
    assert Kept().key() == Kept().key() is not None
    assert Done(id="a").key() is None
    jobs = [JobInfo(job=j, kind="render", state="running") for j in "ab"]
    assert jobs[0].key() != jobs[1].key()
    assert Problem(code="server", message="x", about="show").key() is not None
    assert Problem(code="invalid", message="x", about="a").key() is None


def test_changes_of_one_drag_replace_one_another_where_they_are_of_the_same_paths() -> None:
    """Our own rule, no outside source: else a slow client would miss what only one of them says."""

    def changed(gesture: str, *paths: str) -> Changed:
        changes = [Change(path=path, value=1) for path in paths]
        return Changed(revision=1, by="a", label="b", gesture=gesture, changes=changes)

    assert changed("g", "a").key() == changed("g", "a").key()
    assert changed("g", "a").key() != changed("g", "a", "b").key()
    assert changed("g", "a").key() != changed("h", "a").key()
    assert changed("", "a").key() is None
