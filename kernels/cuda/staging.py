"""What decides a stage's plane: the planes it reads and the settings it depends on."""

from __future__ import annotations

from collections.abc import Hashable, Iterable

from kernels.plan import Plan, Stage
from kernels.recipe import Recipe

_PASSES = ("plate", "denoised", "clean")


def reads_of(stage: Stage, plan: Plan, planes: Iterable[str]) -> set[str]:
    """Return the planes that may decide a stage's plane, of those there are."""
    names = set(planes)
    match stage.kind:
        case "matte":
            return names & set(_PASSES)
        case "fill":
            return names & {"backdrop"}
        case "shadow":
            return names & {"plate", "denoised"}
        case "cumulative":
            extractors = {f"mask:{e.id}" for e in plan.recipe.extractors}
            return names & ({*_PASSES, *extractors, *stage.needs})
        case _:
            return {
                n
                for n in names
                if not n.startswith("pass_matte:") and n not in ("wrap", "foreground")
            }


def settings_of(plan: Plan, stage: Stage) -> Hashable:
    """Return the settings that decide a stage's plane."""
    r = plan.recipe
    match stage.kind:
        case "matte":
            return (
                plan.context,
                _backing(r),
                r.extractors[stage.index].model_dump_json(
                    exclude={"name", "on", "strength", "join", "role", "shapes"}
                ),
            )
        case "cumulative":
            return (
                plan.context,
                _backing(r),
                r.refine.model_dump_json(),
                *(e.model_dump_json(exclude={"name", "shapes"}) for e in r.extractors),
            )
        case "fill":
            return (r.neutralise[stage.index].fill_blur_px,)
        case "shadow":
            return (r.backing.primary, r.assemble.carry.blur_px)
        case _:
            return (plan.context.weights, r.model_dump_json(exclude={"look", "notes", "name"}))


def _backing(r: Recipe) -> str:
    return r.backing.model_dump_json()
