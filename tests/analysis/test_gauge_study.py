"""The crossed study: plan, bad input, short form, and variances recovered from made readings."""

import numpy as np
import pytest

from analysis.gauge_study import StudyReading, analysis_of_variance, average_and_range, crossed, plan
from config.errors import InputError


def made(technicians, parts, trials, *, ev, av, pv, seed):
    rng = np.random.default_rng(seed)
    own = av * rng.standard_normal(technicians)
    part = pv * rng.standard_normal(parts)
    return [
        StudyReading(f"t{t}", f"p{p}", n, float(50 + own[t] + part[p] + ev * rng.standard_normal()))
        for t in range(technicians)
        for p in range(parts)
        for n in range(1, trials + 1)
    ]


@pytest.mark.parametrize("method", [average_and_range, analysis_of_variance])
def test_variances_are_recovered_on_average(method):
    runs = [method(crossed(made(3, 10, 3, ev=2.0, av=3.0, pv=8.0, seed=s))) for s in range(150)]
    for name, truth in (("repeatability_um", 2.0), ("reproducibility_um", 3.0), ("part_um", 8.0)):
        mean = np.sqrt(np.mean([getattr(run, name) ** 2 for run in runs]))
        assert mean == pytest.approx(truth, rel=0.08)


def test_short_form_for_one_technician():
    study = crossed(made(1, 5, 3, ev=1.0, av=0.0, pv=0.0, seed=2))
    for got in (average_and_range(study, limit_um=50.0), analysis_of_variance(study, limit_um=50.0)):
        assert got.reproducibility_um is None
        assert got.combined_um == got.repeatability_um
        assert got.percent_of_limit == pytest.approx(12 * got.combined_um)


def test_one_part_gives_no_categories():
    got = analysis_of_variance(crossed(made(1, 1, 5, ev=1.0, av=0, pv=0, seed=2)))
    assert (got.part_um, got.categories, got.percent_of_total, got.fit_for_use) == (
        None, None, None, "cannot be told",
    )  # fmt: skip


def test_plan_visits_every_cell_once_and_hides_the_part():
    steps = plan(["a", "b"], ["1", "2", "3", "4"], 3, seed=5)
    assert len({(s.trial, s.technician, s.part) for s in steps}) == len(steps) == 24
    orders = [tuple(s.part for s in steps[k : k + 4]) for k in range(0, 24, 4)]
    assert len(set(orders)) > 1


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda rows: rows[:-1], "is missing"),
        (lambda rows: [*rows, rows[0]], "twice"),
        (lambda rows: [r for r in rows if r.trial == 1], "trials: 1"),
        (lambda rows: [], "technician"),
        (lambda rows: [StudyReading("t0", "p0", 9, float("nan")), *rows], "not a number"),
    ],
)
def test_broken_studies_are_refused_in_one_line(change, says):
    with pytest.raises(InputError, match=says):
        crossed(change(made(2, 3, 2, ev=1, av=1, pv=1, seed=1)))


def test_readings_without_any_scatter():
    rows = [StudyReading(t, p, n, float(ord(p))) for t in "ab" for p in "xyz" for n in (1, 2)]
    got = analysis_of_variance(crossed(rows))
    assert got.combined_um == 0.0
    assert got.categories is None
