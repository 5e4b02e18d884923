"""Two tablets at one study: what one of them read before the other wrote decides nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.record import Store
from analysis.record.studies import Studies, StudyRecord, StudySheet
from config.errors import InputError


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "record.sqlite"
    Store.open(path).close()
    return path


def measured(studies: Studies) -> StudyRecord:
    """A study of one technician, two parts and two trials, complete."""
    study = studies.begin(StudySheet("bench", "runout", ("A",), ("hub 1", "hub 2"), 2))
    for number, step in enumerate(study.plan):
        study = studies.measured(study, step, 50_000 + 1_000 * number)
    return study


def test_a_study_is_finished_once(path: Path) -> None:
    with Studies.open(path) as one, Studies.open(path) as other:
        study = measured(one)
        seen = other.find(study.id)
        one.finish(study)
        with pytest.raises(InputError, match="is finished"):
            other.finish(seen)
        with pytest.raises(InputError, match="is finished"):
            other.measured(seen, seen.plan[0], 60_000)
        kept = other.find(study.id)
        assert (len(kept.results), len(kept.trials)) == (2, 4)


def test_what_was_measured_anew_meanwhile_counts(path: Path) -> None:
    with Studies.open(path) as one, Studies.open(path) as other:
        study = measured(one)
        seen = other.find(study.id)
        for step in study.plan:  # every trial gives the same now: nothing is left to scatter
            one.measured(study, step, 50_000)
        assert other.finish(seen)[0].repeatability_um == 0.0
