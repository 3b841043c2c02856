"""Recipes in a session are planned as ``build`` plans them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from mediashelf.building.recipes.recipe import load_recipe
from mediashelf.jobs.discs.recipe_plan import plan_recipe
from mediashelf.readability.targets import Target, pick_targets
from mediashelf.sessions.discs.planned import PlanRecipe, SessionRecipe


def recipe_planner(targets: Mapping[str, Target], of_session: Sequence[str]) -> PlanRecipe:
    """Return how a session plans a recipe: for the recipe's own targets, else the session's.

    ``targets`` are all that are known.
    """

    def plan(path: Path) -> SessionRecipe:
        recipe = load_recipe(path)
        if not recipe.targets:
            recipe = replace(recipe, targets=tuple(of_session))
        planned = plan_recipe(recipe, pick_targets(recipe.targets, targets))
        return SessionRecipe(planned.plans[0], planned.deciding, planned.told)

    return plan
