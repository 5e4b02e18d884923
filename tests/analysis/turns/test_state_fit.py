"""What a fit says of its own uncertainty: the same on every computer."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from analysis.turns.polish import angle_standard_deg
from analysis.turns.state_fit import fit
from analysis.turns.state_model import Problem
from tests.analysis.turns.made_traces import made


def test_the_uncertainty_of_the_angle_does_not_hang_on_the_signs_of_eigenvectors(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Minus an eigenvector is as good a one: which comes out differs between linear algebra libraries."""
    one = made(16, rate_hz=20.0)
    trace = one.trace
    problem = Problem(trace.time_s, trace.reading_um, np.full(len(trace), one.noise_um))
    found = fit(problem, one.turns)
    plain = angle_standard_deg(found)
    eigh = np.linalg.eigh

    def turned_about(matrix: Any) -> tuple[Any, Any]:
        values, vectors = eigh(matrix)
        return values, vectors * np.where(np.arange(values.size) % 2, -1.0, 1.0)

    monkeypatch.setattr(np.linalg, "eigh", turned_about)
    assert angle_standard_deg(found) == pytest.approx(plain, rel=1e-9)
