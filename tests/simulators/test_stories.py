"""Each story follows the shipped path: its steps are asked, its wrong answers caught, its end is reached."""

from __future__ import annotations

import pytest

from analysis.record.jobs import Jobs, JobSheet, WheelSheet
from config.errors import InputError
from config.path import find_step, load_path
from config.vin import parse_vin
from simulators.stories import STORIES, Answer, Measure

STEPS = load_path()


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.name)
def test_a_story_follows_the_shipped_path(story, tmp_path):
    """Runs, fits and photos are answered here by what the story says they come to."""
    with Jobs.open(tmp_path / "hubproof.sqlite") as jobs:
        job_id = jobs.begin(
            JobSheet("A", vin=parse_vin(story.vin).text), [WheelSheet("front left", torque_n_m=180.0)]
        )
        for part in story.parts:
            job = jobs.find(job_id)
            step = find_step(STEPS, part.step)
            if isinstance(part, Answer):
                text, wrong = part.answer or "within", part.wrong
            elif isinstance(part, Measure):
                text = "within" if part.verdict == "any" else part.verdict
                wrong = text in step.wrong
            else:
                text, wrong = part.name, False
            given = jobs.answer(job, job.wheels[0], step, text, "A")
            assert (given.problem is not None) == wrong, part.step
        for name in story.refused:
            job = jobs.find(job_id)
            with pytest.raises(InputError, match="comes after"):
                jobs.check_step(job, job.wheels[0], find_step(STEPS, name))
        job = jobs.find(job_id)
        if story.ends == "released":
            jobs.release(job, STEPS)
        else:
            with pytest.raises(InputError, match="is open"):
                jobs.release(job, STEPS)
