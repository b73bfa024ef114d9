"""Two services on one recipe: neither undoes what the other has saved."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from kernels.recipe import Recipe
from kernels.recipe_file import load_recipe, save_recipe
from server.editing.recipe_lock import STALE_S, RecipeLock
from server.editing.recipes_store import RecipeStore


def named(name: str) -> Recipe:
    return Recipe(name=name)


def store_of(path: Path, told: list[str], **options: bool) -> RecipeStore:
    return RecipeStore(path, path.parent, on_error=told.append, after_s=0, **options)


def test_the_later_service_saves_nothing_and_says_so(tmp_path: Path) -> None:
    """Our own rule, no outside source: the first one's accepted edits are never undone."""
    path, told = tmp_path / "key.json", []
    first, second = store_of(path, []), store_of(path, told)
    assert not first.read_only
    assert "another service works on key.json" in second.read_only
    first.changed(named("first"), 1, "edit")
    assert first.flush()
    second.changed(named("second"), 1, "edit")
    second.flush()
    assert load_recipe(path).name == "first"
    assert "--take-over" in told[0]
    second.close()
    first.close()
    assert not RecipeLock(path).path.exists()


def test_taking_over_stops_the_first_one(tmp_path: Path) -> None:
    """Our own rule, no outside source."""
    path, told = tmp_path / "key.json", []
    first, second = store_of(path, told), store_of(path, [], take_over=True)
    assert not second.read_only
    second.changed(named("second"), 1, "edit")
    assert second.flush()
    first.changed(named("first"), 2, "edit")
    first.flush()
    assert load_recipe(path).name == "second"
    assert "another service works on" in told[0]
    first.close()
    second.close()


def test_a_file_changed_by_another_hand_is_left_as_it_is(tmp_path: Path) -> None:
    """Our own rule, no outside source: both versions are kept, and it is said which is which."""
    path, told = tmp_path / "key.json", []
    store = store_of(path, told)
    store.changed(named("ours"), 1, "edit")
    assert store.flush()
    save_recipe(named("by hand"), path)
    store.changed(named("ours, later"), 2, "edit")
    store.flush()
    assert load_recipe(path).name == "by hand"
    assert load_recipe(tmp_path / "key.unsaved.json").name == "ours, later"
    assert "another hand" in told[-1]
    assert [entry.label for entry in store.history()] == ["edit", "edit"]
    store.close()


def test_the_lock_of_a_dead_process_is_taken_without_asking(tmp_path: Path) -> None:
    """Source: POSIX kill(2) with signal 0 tells whether a process exists."""
    done = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"],
                          capture_output=True, text=True, check=True)  # fmt: skip
    dead = RecipeLock(tmp_path / "key.json")
    dead.me = type(dead.me)("dead", dead.me.host, int(done.stdout))
    assert dead.take() is None
    assert RecipeLock(tmp_path / "key.json").take() is None


def test_a_lock_that_is_not_touched_grows_stale(tmp_path: Path) -> None:
    """Our own rule, no outside source: another machine's process cannot be asked for."""
    far = RecipeLock(tmp_path / "key.json")
    far.me = type(far.me)("far", "another-machine", 1)
    assert far.take() is None
    near = RecipeLock(tmp_path / "key.json")
    assert near.take() == far.me
    old = far.path.stat().st_mtime - STALE_S - 1
    os.utime(far.path, (old, old))
    assert near.take() is None
    far.touch()
    assert near.mine()


@pytest.mark.parametrize("text", ["", "{", "[]", '{"token": 1}'])
def test_a_broken_lock_keeps_nobody_out(tmp_path: Path, text: str) -> None:
    """Our own rule, no outside source: a half-written lock is no holder."""
    lock = RecipeLock(tmp_path / "key.json")
    lock.path.write_text(text)
    assert lock.take() is None
