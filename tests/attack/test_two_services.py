"""Two services on one recipe, seen from their pages."""

from __future__ import annotations

from pathlib import Path

from kernels.recipe_file import load_recipe
from tests.server.conftest import live_service


def test_the_later_service_opens_read_only_or_takes_over(tmp_path: Path) -> None:
    """Our own rule, no outside source: what one page saw accepted no other service undoes."""
    recipe = tmp_path / "work" / "key.json"
    with live_service(tmp_path) as first, first.page() as one:
        one.set("name", "first")
        one.until("accepted")
        assert first.service.recipes.flush()
        with live_service(tmp_path) as second, second.page() as two:
            two.set("name", "second")
            refused = two.until("refused")
            assert refused["reason"] == "locked"
            assert "--take-over" in refused["message"]
            assert str(tmp_path) not in refused["message"], "pages are told no paths"
            assert "another service" in two.until("status")["message"]
        assert load_recipe(recipe).name == "first"
        with live_service(tmp_path, take_over=True) as third, third.page() as three:
            three.set("name", "third")
            three.until("accepted")
            assert third.service.recipes.flush()
            one.set("name", "first again")
            one.until("accepted")
            first.service.recipes.flush()
            assert load_recipe(recipe).name == "third"
            one.set("name", "and again")
            assert one.until("refused")["reason"] == "locked"
