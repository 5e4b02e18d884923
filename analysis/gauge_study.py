"""The crossed study: how much of what is read comes from the indicator, its technician, the part.

Every technician measures every part the same number of times, in an order that hides which part it is.
Method and words: AIAG, Measurement Systems Analysis, 4th edition, chapter III section B, with its two
evaluations, average-and-range and analysis of variance. They are both right and differ a little; the
number of distinct categories is cut to a whole number, so it may differ by one. All values are in the
unit of the readings (micrometres here).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt
from random import Random
from typing import Literal

import numpy as np

from analysis.trace import FloatArray
from config.errors import InputError

Method = Literal["average and range", "analysis of variance"]

# Expected range of m normal values in standard deviations, and its upper control factor D4.
D2 = {2: 1.12838, 3: 1.69257, 4: 2.05875, 5: 2.32593, 6: 2.53441}
D4 = {2: 3.267, 3: 2.574, 4: 2.282, 5: 2.114, 6: 2.004}
# The same for the root mean square of ONE range (d2* for one subgroup).
D2_STAR = {
    2: 1.41421, 3: 1.91155, 4: 2.23887, 5: 2.48124, 6: 2.67253, 7: 2.82981, 8: 2.96288, 9: 3.07794,
    10: 3.17905,
}  # fmt: skip
MOST_TRIALS, MOST_PARTS = max(D2), max(D2_STAR)
CATEGORIES_FACTOR = 1.41  # the manual's rounding of sqrt(2)
# The interaction is pooled into the repeatability when it shows no stronger than this (usual choice).
POOL_ABOVE_P = 0.25
GOOD_PERCENT, BAD_PERCENT, GOOD_CATEGORIES = 10.0, 30.0, 5  # the manual's guideline, from memory


@dataclass(frozen=True, slots=True)
class StudyReading:
    """One measurement of the study."""

    technician: str
    part: str
    trial: int
    value_um: float


@dataclass(frozen=True, slots=True)
class PlanStep:
    """Whose turn it is, with which part, in which trial (from 1)."""

    trial: int
    technician: str
    part: str


@dataclass(frozen=True, slots=True, eq=False)
class Crossed:
    """A complete study: `values_um` has the shape (technicians, parts, trials)."""

    technicians: tuple[str, ...]
    parts: tuple[str, ...]
    values_um: FloatArray


@dataclass(frozen=True, slots=True)
class AnovaRow:
    """One line of the analysis of variance; `f` and `p` None where there is no test."""

    source: str
    sum_of_squares: float
    degrees_of_freedom: int
    mean_square: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True)
class Study:
    """What the study says; standard deviations in um, None where the plan cannot tell.

    Attributes:
        repeatability_um: equipment variation (EV).
        reproducibility_um: technician variation (AV), interaction included; None with one technician.
        combined_um: both together (GRR).
        part_um: part variation (PV); None with one part.
        total_um: combined and part variation together (TV).
        interaction_um: part of `reproducibility_um` that depends on the part; 0 when pooled.
        categories: distinct categories (ndc), a whole number.
        percent_of_limit: six times `combined_um` in percent of the limit (zero being the other end).
        outside: (technician, part) whose range lies above the control limit of ranges.
        table: the analysis of variance.
    """

    method: Method
    technicians: int
    parts: int
    trials: int
    repeatability_um: float
    reproducibility_um: float | None
    combined_um: float
    part_um: float | None
    total_um: float | None
    interaction_um: float | None
    categories: int | None
    percent_of_limit: float | None
    outside: tuple[tuple[str, str], ...]
    table: tuple[AnovaRow, ...] = ()

    @property
    def percent_of_total(self) -> float | None:
        """The measuring system's share of the total variation, percent (%GRR)."""
        return None if not self.total_um else 100.0 * self.combined_um / self.total_um

    @property
    def fit_for_use(self) -> Literal["good", "with care", "not good", "cannot be told"]:
        """By the worst of the shares known and the categories (guideline of the manual, from memory)."""
        shares = [share for share in (self.percent_of_total, self.percent_of_limit) if share is not None]
        if not shares:
            return "cannot be told"
        if max(shares) > BAD_PERCENT:
            return "not good"
        few = self.categories is not None and self.categories < GOOD_CATEGORIES
        return "with care" if few or max(shares) >= GOOD_PERCENT else "good"


def plan(
    technicians: Sequence[str], parts: Sequence[str], trials: int, *, seed: int = 0
) -> tuple[PlanStep, ...]:
    """The order in which to measure: in each trial each technician takes all parts, shuffled anew.

    Raises:
        InputError: fewer than two trials, no part, a name twice, or more than the tables cover.
    """
    _check_plan(technicians, parts, trials)
    shuffle = Random(seed)  # noqa: S311  an order, not a secret
    steps: list[PlanStep] = []
    for trial in range(1, trials + 1):
        for technician in technicians:
            order = list(parts)
            shuffle.shuffle(order)
            steps.extend(PlanStep(trial, technician, part) for part in order)
    return tuple(steps)


def _check_plan(technicians: Sequence[str], parts: Sequence[str], trials: int) -> None:
    for name, values, most in (("technician", technicians, MOST_PARTS), ("part", parts, MOST_PARTS)):
        if len(set(values)) != len(values):
            raise InputError(f"a {name} is named twice", where="study", expected="each name once")
        if not 1 <= len(values) <= most:
            raise InputError(f"{len(values)} {name}s", where="study", expected=f"1 to {most}")
    if not 2 <= trials <= MOST_TRIALS:
        raise InputError(f"trials: {trials}", where="study", expected=f"2 to {MOST_TRIALS}")


def crossed(readings: Iterable[StudyReading]) -> Crossed:
    """Arrange readings as technicians x parts x trials, in the order in which names first appear.

    Raises:
        InputError: a cell is missing or filled twice (which one is named), or the plan is too small.
    """
    cells: dict[tuple[str, str, int], float] = {}
    for reading in readings:
        key = (reading.technician, reading.part, reading.trial)
        if key in cells:
            raise InputError(f"{_cell(*key)} is there twice", where="study", expected="one value")
        if not np.isfinite(reading.value_um):
            raise InputError(f"{_cell(*key)} is not a number", where="study")
        cells[key] = reading.value_um
    technicians = tuple(dict.fromkeys(technician for technician, _, _ in cells))
    parts = tuple(dict.fromkeys(part for _, part, _ in cells))
    trials = sorted({trial for _, _, trial in cells})
    _check_plan(technicians, parts, len(trials))
    for technician in technicians:
        for part in parts:
            for trial in trials:
                if (technician, part, trial) not in cells:
                    raise InputError(
                        f"{_cell(technician, part, trial)} is missing",
                        where="study",
                        do="measure it, or leave the part, technician or trial out altogether",
                    )
    values = np.array([[[cells[t, p, n] for n in trials] for p in parts] for t in technicians])
    return Crossed(technicians, parts, values)


def _cell(technician: str, part: str, trial: int) -> str:
    return f"technician {technician!r}, part {part!r}, trial {trial}"


def average_and_range(study: Crossed, *, limit_um: float | None = None) -> Study:
    """The study by average and range.

    Args:
        study: the complete study.
        limit_um: upper limit of the measured quantity (its natural lower end being zero), or None.
    """
    values = study.values_um
    n_technicians, n_parts, n_trials = values.shape
    ranges = np.ptp(values, axis=2)
    mean_range = float(ranges.mean())
    repeatability = mean_range / D2[n_trials]
    reproducibility = None
    if n_technicians > 1:
        spread = float(np.ptp(values.mean(axis=(1, 2)))) / D2_STAR[n_technicians]
        reproducibility = sqrt(max(0.0, spread**2 - repeatability**2 / (n_parts * n_trials)))
    part = float(np.ptp(values.mean(axis=(0, 2)))) / D2_STAR[n_parts] if n_parts > 1 else None
    return _study("average and range", study, repeatability, reproducibility, part, None, limit_um)


def analysis_of_variance(study: Crossed, *, limit_um: float | None = None) -> Study:
    """The study by two-way analysis of variance with random effects (one-way for one technician).

    The interaction of technician and part is kept when it shows (p up to 0.25), otherwise pooled into
    the repeatability. A negative estimate of a variance is set to zero.
    """
    table, pooled_ms = _anova_table(study)
    rows = {row.source: row for row in table}
    n_technicians, n_parts, n_trials = study.values_um.shape
    interaction = rows.get("interaction")
    keep = interaction is not None and interaction.p is not None and interaction.p <= POOL_ABOVE_P
    noise_ms = rows["repeatability"].mean_square if keep else pooled_ms
    base_ms = interaction.mean_square if keep and interaction else noise_ms
    between = max(0.0, (base_ms - noise_ms) / n_trials)
    reproducibility = part = None
    if n_technicians > 1:
        own = max(0.0, (rows["technician"].mean_square - base_ms) / (n_parts * n_trials))
        reproducibility = sqrt(own + between)
    if n_parts > 1:
        part = sqrt(max(0.0, (rows["part"].mean_square - base_ms) / (n_technicians * n_trials)))
    shared = sqrt(between) if interaction is not None else None
    return _study(
        "analysis of variance", study, sqrt(noise_ms), reproducibility, part, shared, limit_um, table
    )


def _anova_table(study: Crossed) -> tuple[tuple[AnovaRow, ...], float]:
    """The table, and the mean square of repeatability with the interaction pooled into it."""
    values = study.values_um
    n_technicians, n_parts, n_trials = values.shape
    grand = values.mean()
    ss_part = n_technicians * n_trials * float(((values.mean(axis=(0, 2)) - grand) ** 2).sum())
    ss_technician = n_parts * n_trials * float(((values.mean(axis=(1, 2)) - grand) ** 2).sum())
    cell_means = values.mean(axis=2)
    ss_cells = n_trials * float(((cell_means - grand) ** 2).sum())
    ss_noise = float(((values - cell_means[:, :, None]) ** 2).sum())
    ss_both = max(0.0, ss_cells - ss_part - ss_technician)
    df_part, df_technician, df_both = n_parts - 1, n_technicians - 1, (n_parts - 1) * (n_technicians - 1)
    df_noise = n_technicians * n_parts * (n_trials - 1)
    base_ms, base_df = ss_noise / df_noise, df_noise
    rows = []
    if df_both:
        base_ms, base_df = ss_both / df_both, df_both
    for name, ss, df in (("part", ss_part, df_part), ("technician", ss_technician, df_technician)):
        if df:
            rows.append(_row(name, ss, df, base_ms, base_df))
    if df_both:
        rows.append(_row("interaction", ss_both, df_both, ss_noise / df_noise, df_noise))
    rows.append(AnovaRow("repeatability", ss_noise, df_noise, ss_noise / df_noise))
    rows.append(AnovaRow("total", float(((values - grand) ** 2).sum()), values.size - 1, float("nan")))
    return tuple(rows), (ss_noise + ss_both) / (df_noise + df_both)


def _row(source: str, ss: float, df: int, base_ms: float, base_df: int) -> AnovaRow:
    from scipy.special import fdtrc  # heavy: a station that starts judges nothing yet

    if base_ms <= 0.0:  # readings without any scatter: there is nothing to test against
        return AnovaRow(source, ss, df, ss / df)
    f = ss / df / base_ms
    return AnovaRow(source, ss, df, ss / df, f, float(fdtrc(df, base_df, f)))


def _study(
    method: Method,
    study: Crossed,
    repeatability: float,
    reproducibility: float | None,
    part: float | None,
    interaction: float | None,
    limit_um: float | None,
    table: tuple[AnovaRow, ...] = (),
) -> Study:
    n_technicians, n_parts, n_trials = study.values_um.shape
    combined = sqrt(repeatability**2 + (reproducibility or 0.0) ** 2)
    categories = None
    if part is not None and combined > 0.0:
        categories = int(CATEGORIES_FACTOR * part / combined)
    ranges = np.ptp(study.values_um, axis=2)
    above = np.argwhere(ranges > D4[n_trials] * ranges.mean())
    return Study(
        method=method,
        technicians=n_technicians,
        parts=n_parts,
        trials=n_trials,
        repeatability_um=repeatability,
        reproducibility_um=reproducibility,
        combined_um=combined,
        part_um=part,
        total_um=None if part is None else sqrt(combined**2 + part**2),
        interaction_um=interaction,
        categories=categories,
        percent_of_limit=None if limit_um is None else 600.0 * combined / limit_um,
        outside=tuple((study.technicians[t], study.parts[p]) for t, p in above),
        table=table,
    )
