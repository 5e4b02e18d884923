"""The scenarios by name, drawn from their file: which hub, holder and indicator stand on the bench."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict

from config.errors import InputError
from config.indicators import Indicator
from simulators.bench import Workshop
from simulators.holder import Holder, loose
from simulators.hub import Bearing, Hub, Surface, shaped
from simulators.indicator import Gauge, gauge_of


def _pair(value: object) -> object:
    return (value, value) if isinstance(value, int | float) else value


Drawn = Annotated[tuple[float, float], BeforeValidator(_pair)]
NOTHING = (0.0, 0.0)


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class FaceRecipe(_Part):
    """Ranges for `simulators.hub.shaped`, micrometres."""

    tilt_um: Drawn = NOTHING
    saddle_um: Drawn = NOTHING
    stud_pull_um: Drawn = NOTHING
    small_um: Drawn = NOTHING


class BearingRecipe(_Part):
    """Ranges for `simulators.hub.Bearing`."""

    clearance_um: Drawn = NOTHING
    give_um: Drawn = (1.0, 1.0)
    hysteresis_um: Drawn = (0.1, 0.3)
    cage_um: Drawn = NOTHING
    cage_per_turn: Drawn = (0.40, 0.46)


class HolderRecipe(_Part):
    """Ranges for a holder; without slips it only creeps."""

    creep_um_per_s: Drawn = NOTHING
    slips_every_s: tuple[float, float] | None = None
    slips_um: tuple[float, float] = NOTHING


class Expects(_Part):
    """What an honest judge must find with the shipped limits; None where no figure can be trusted."""

    runout: Literal["within", "over"] | None = None
    endplay: Literal["within", "over"] | None = None
    points_to: str
    rules: tuple[int, ...] = ()


class Scenario(_Part):
    """One wheel end as a recipe; `build` draws one from a seed."""

    name: str
    title: str
    face: FaceRecipe
    pilot: FaceRecipe = FaceRecipe(tilt_um=(5.0, 15.0), saddle_um=(1.0, 5.0), small_um=(0.2, 0.6))
    bearing: BearingRecipe
    holder: HolderRecipe = HolderRecipe()
    expects: Expects
    studs: int = 5


@cache
def scenarios() -> tuple[Scenario, ...]:
    """All scenarios of the file, in its order."""
    text = resources.files("simulators").joinpath("scenarios.toml").read_text(encoding="utf-8")
    return tuple(Scenario.model_validate(entry) for entry in tomllib.loads(text)["scenario"])


def scenario_names() -> tuple[str, ...]:
    """The names for the command line."""
    return tuple(scenario.name for scenario in scenarios())


def scenario_named(name: str) -> Scenario:
    """The scenario of that name (blanks and capitals do not matter).

    Raises:
        InputError: there is none; the message lists those there are.
    """
    wanted = "-".join(name.lower().split())
    for scenario in scenarios():
        if scenario.name == wanted:
            return scenario
    raise InputError(
        f"no scenario is named {name!r}",
        where="--scenario",
        expected="one of: " + ", ".join(scenario_names()),
    )


def build(
    scenario: Scenario | str, seed: int, indicator: Indicator | None = None, gauge: Gauge | None = None
) -> Workshop:
    """The bench of a scenario, the same for the same seed.

    Args:
        scenario: which, or its name.
        seed: of what is drawn.
        indicator: a description whose resolution, error, range and rate the indicator has.
        gauge: what else the indicator does; also the indicator itself when no description is given.
    """
    recipe = scenario_named(scenario) if isinstance(scenario, str) else scenario
    face_rng, pilot_rng, rng, gauge_rng = np.random.default_rng([seed, 7]).spawn(4)
    seen_as = gauge or Gauge(
        noise_um=0.2, hysteresis_um=0.2, plunger_angle_deg=float(gauge_rng.uniform(0.0, 2.0))
    )
    return Workshop(
        hub=Hub(
            face=_shaped(recipe.face, recipe.studs, face_rng),
            pilot=_shaped(recipe.pilot, recipe.studs, pilot_rng),
            bearing=_bearing(recipe.bearing, rng),
            studs=recipe.studs,
        ),
        holder=_holder(recipe.holder, rng),
        gauge=gauge_of(indicator, gauge_rng, seen_as) if indicator else seen_as,
        stands_deg=float(rng.uniform(0.0, 360.0)),
    )


def _shaped(recipe: FaceRecipe, studs: int, rng: np.random.Generator) -> Surface:
    tilt, saddle, pull, small = (
        float(rng.uniform(*drawn))
        for drawn in (recipe.tilt_um, recipe.saddle_um, recipe.stud_pull_um, recipe.small_um)
    )
    return shaped(rng, tilt_um=tilt, saddle_um=saddle, studs=studs, stud_pull_um=pull, small_um=small)


def _bearing(recipe: BearingRecipe, rng: np.random.Generator) -> Bearing:
    drawn = {key: float(rng.uniform(*value)) for key, value in recipe}
    return Bearing(cage_deg=float(rng.uniform(0.0, 360.0)), **drawn)


def _holder(recipe: HolderRecipe, rng: np.random.Generator) -> Holder:
    creep = float(rng.uniform(*recipe.creep_um_per_s))
    if recipe.slips_every_s is None:
        return Holder(creep_um_per_s=creep)
    return loose(rng, every_s=recipe.slips_every_s, size_um=recipe.slips_um, creep_um_per_s=creep)
