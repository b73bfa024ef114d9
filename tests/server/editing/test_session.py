"""The shared recipe: writes on paths, conflicts, undo, resending."""

from __future__ import annotations

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from kernels.recipe import ColourDifference, DespillPass, Recipe, starting_recipe
from server.editing.documents import WriteError, apply, diff, look_up, parts_of
from server.editing.session import RecipeSession
from server.wire.messages import InsertOp, MoveOp, Op, RemoveOp, SetOp, Write
from server.wire.replies import Accepted, Refused


class Hand:
    """One client writing to a session."""

    def __init__(self, session: RecipeSession, client: str) -> None:
        self.session, self.client, self.count = session, client, 0
        self.seen = session.revision

    def write(
        self, *ops: Op, label: str = "change", gesture: str = "", seen: int | None = None
    ) -> Accepted | Refused:
        self.count += 1
        return self.session.write(
            self.client,
            Write(
                type="write",
                client_seq=self.count,
                seen=self.seen if seen is None else seen,
                ops=list(ops),
                label=label,
                gesture=gesture,
            ),
        ).answer

    def set(self, path: str, value: object, **options: object) -> Accepted | Refused:
        return self.write(SetOp(op="set", path=path, value=value), **options)  # type: ignore[arg-type]


@pytest.fixture
def session() -> RecipeSession:
    return RecipeSession(
        Recipe(
            extractors=[ColourDifference(id="core"), ColourDifference(id="edge")],
            despill=[DespillPass(id="pass")],
        )
    )


def test_a_value_is_set_at_a_path(session: RecipeSession) -> None:
    """Common practice, no source."""
    answer = Hand(session, "a").set("extractors/edge/gain", 1.5)
    assert isinstance(answer, Accepted)
    assert [e.gain for e in session.recipe.extractors] == [1.0, 1.5]  # type: ignore[union-attr]
    assert answer.revision == session.revision == 2


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("extractors/edge/gain", "much"),
        ("extractors/edge/gain", 99),
        ("extractors/none/gain", 1),
        ("nothing", 1),
        ("extractors//gain", 1),
        ("extractors/edge/gain/deeper", 1),
        ("extractors/edge", {"kind": "unknown"}),
        ("", []),
        ("", {"format": "other"}),
        ("despill/pass/mask", "nobody"),
        ("extractors/core/id", "edge"),
        ("screen/colour", [1, 2]),
        ("screen/colour", [1, 2, float("nan")]),
        ("version", 1),
    ],
)
def test_what_is_not_valid_is_refused_and_changes_nothing(
    session: RecipeSession, path: str, value: object
) -> None:
    """Common practice, no source."""
    before = session.document
    answer = Hand(session, "a").set(path, value)
    assert isinstance(answer, Refused)
    assert answer.reason == "invalid"
    assert answer.message
    assert session.document is before
    assert session.revision == 1


def test_items_are_inserted_moved_and_removed(session: RecipeSession) -> None:
    """Common practice, no source."""
    hand = Hand(session, "a")
    item = ColourDifference(id="third").model_dump(mode="json")
    hand.write(InsertOp(op="insert", path="extractors", item=item, before="edge"))
    assert [e.id for e in session.recipe.extractors] == ["core", "third", "edge"]
    hand.write(MoveOp(op="move", path="extractors/core"))
    assert [e.id for e in session.recipe.extractors] == ["third", "edge", "core"]
    hand.write(RemoveOp(op="remove", path="extractors/edge"))
    assert [e.id for e in session.recipe.extractors] == ["third", "core"]
    for label in ("edge", "core", "third"):
        session.undo("a", 100 + len(label) * 7 + ord(label[0]))
    assert [e.id for e in session.recipe.extractors] == ["core", "edge"]


def test_another_clients_change_of_the_same_path_is_a_conflict(session: RecipeSession) -> None:
    """Common practice, no source: compare-and-set on paths."""
    a, b = Hand(session, "a"), Hand(session, "b")
    assert isinstance(a.set("extractors/edge/gain", 1.5), Accepted)
    answer = b.set("extractors/edge/gain", 0.5)
    assert isinstance(answer, Refused)
    assert answer.reason == "conflict"
    assert [(c.path, c.value) for c in answer.current] == [("extractors/edge/gain", 1.5)]
    assert isinstance(b.set("extractors/edge/gain", 0.5, seen=answer.revision), Accepted)


@pytest.mark.parametrize(
    ("mine", "theirs", "clash"),
    [
        ("extractors/edge/gain", "extractors/core/gain", False),
        ("extractors/edge/gain", "extractors/edge/lean", False),
        ("extractors/edge/refine", "extractors/edge/refine/choke_px", True),
        ("screen/colour", "screen/primary", False),
    ],
)
def test_only_paths_inside_or_around_clash(
    session: RecipeSession, mine: str, theirs: str, clash: bool
) -> None:
    """Common practice, no source."""
    a, b = Hand(session, "a"), Hand(session, "b")
    assert isinstance(a.set(theirs, look_up(session.document, parts_of(theirs))), Accepted)
    answer = b.set(mine, look_up(session.document, parts_of(mine)))
    assert isinstance(answer, Refused) == clash


def test_removing_what_another_edits_is_a_conflict(session: RecipeSession) -> None:
    """Common practice, no source: two operators do not overwrite each other silently."""
    a, b = Hand(session, "a"), Hand(session, "b")
    a.set("extractors/edge/gain", 1.5)
    answer = b.write(RemoveOp(op="remove", path="extractors/edge"))
    assert isinstance(answer, Refused)
    removed = b.write(RemoveOp(op="remove", path="extractors/edge"), seen=session.revision)
    assert isinstance(removed, Accepted)
    late = a.set("extractors/edge/gain", 1.7)
    assert isinstance(late, Refused)
    assert late.current[0].path == "extractors"


def test_a_60_hz_drag_at_80_ms_round_trip_is_never_refused(session: RecipeSession) -> None:
    """Common practice, no source: `seen` lags five writes behind; own writes never clash."""
    a, b = Hand(session, "a"), Hand(session, "b")
    revisions = [session.revision] * 5
    for n in range(120):
        a.seen = revisions[n]
        answer = a.set("extractors/edge/gain", 1 + n / 200, gesture="drag")
        assert isinstance(answer, Accepted)
        revisions.append(answer.revision)
        if n % 7 == 0:
            assert isinstance(b.set("extractors/core/gain", 1 + n / 200), Accepted)


def test_one_gesture_is_one_step_of_undo_with_its_name(session: RecipeSession) -> None:
    """Common practice, no source."""
    a = Hand(session, "a")
    for n in range(10):
        a.set("extractors/edge/gain", 1 + n / 10, gesture="g1", label="gain of edge")
    a.set("extractors/edge/gain", 3.0, gesture="g2", label="gain again")
    assert session.undo_label == "gain again"
    session.undo("a", 1000)
    assert (session.undo_label, session.redo_label) == ("gain of edge", "gain again")
    session.undo("a", 1001)
    assert session.recipe.extractors[1].gain == 1.0  # type: ignore[union-attr]
    assert session.undo_label is None
    refused = session.undo("a", 1002).answer
    assert isinstance(refused, Refused)
    assert refused.reason == "nothing"
    session.redo("a", 1003)
    session.redo("a", 1004)
    assert session.recipe.extractors[1].gain == 3.0  # type: ignore[union-attr]


def test_undo_is_a_change_to_others(session: RecipeSession) -> None:
    """Common practice, no source: a write that has not seen the undo clashes with it."""
    a, b = Hand(session, "a"), Hand(session, "b")
    a.set("extractors/edge/gain", 1.5)
    b.seen = session.revision
    session.undo("a", 1000)
    assert isinstance(b.set("extractors/edge/gain", 2.0), Refused)


def test_a_write_sent_again_after_a_reconnection_counts_once(session: RecipeSession) -> None:
    """Common practice, no source: the answer is repeated, the change is not."""
    write = Write(
        type="write",
        client_seq=7,
        seen=1,
        ops=[
            InsertOp(
                op="insert",
                path="extractors",
                item=ColourDifference(id="new").model_dump(mode="json"),
            )
        ],
    )
    first = session.write("a", write)
    again = session.write("a", write)
    assert again.answer == first.answer
    assert again.news is None
    assert len(session.recipe.extractors) == 3


def test_all_operations_of_a_write_or_none(session: RecipeSession) -> None:
    """Common practice, no source."""
    before = session.document
    answer = Hand(session, "a").write(
        SetOp(op="set", path="extractors/edge/gain", value=2.0),
        SetOp(op="set", path="extractors/edge/gain", value="no"),
    )
    assert isinstance(answer, Refused)
    assert session.document is before


def test_news_is_what_changed_and_nothing_else(session: RecipeSession) -> None:
    """Common practice, no source."""
    outcome = session.write(
        "a",
        Write(
            type="write",
            client_seq=1,
            seen=1,
            ops=[
                SetOp(
                    op="set",
                    path="extractors/edge",
                    value=ColourDifference(id="edge", gain=2.0).model_dump(mode="json"),
                )
            ],
        ),
    )
    assert outcome.news is not None
    assert [(c.path, c.value) for c in outcome.news.changes] == [("extractors/edge/gain", 2.0)]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["insert", "remove", "move", "gain", "undo", "redo"]),
            st.integers(0, 5),
        ),
        max_size=25,
    )
)
def test_news_keeps_a_second_page_equal_to_the_document(steps: list[tuple[str, int]]) -> None:
    """Common practice, no source: a page that applies every `changed` has the server's recipe."""
    session = RecipeSession(starting_recipe())
    page = session.document
    for n, (kind, k) in enumerate(steps):
        ids = [e.id for e in session.recipe.extractors]
        target = ids[k % len(ids)] if ids else "none"
        op: Op
        if kind in ("undo", "redo"):
            outcome = getattr(session, kind)("a", n)
        else:
            if kind == "insert":
                item = ColourDifference(id=f"n{n}").model_dump(mode="json")
                op = InsertOp(
                    op="insert",
                    path="extractors",
                    item=item,
                    before=target if ids and k % 2 else None,
                )
            elif kind == "remove":
                op = RemoveOp(op="remove", path=f"extractors/{target}")
            elif kind == "move":
                op = MoveOp(op="move", path=f"extractors/{target}", before=ids[0] if ids else None)
            else:
                op = SetOp(op="set", path=f"extractors/{target}/gain", value=k / 2)
            outcome = session.write(
                "a", Write(type="write", client_seq=n, ops=[op], seen=session.revision)
            )
        if outcome.news is not None:
            for change in outcome.news.changes:
                page = apply(page, SetOp(op="set", path=change.path, value=change.value))
        assert page == session.document


def test_diff_of_equal_documents_is_empty() -> None:
    """Common practice, no source."""
    document = starting_recipe().dump()
    assert diff(document, document) == []
    with pytest.raises(WriteError):
        look_up(document, ("nothing",))
