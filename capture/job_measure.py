"""The run of a step as the bench is asked for it, from the path and the job's sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis.record.job_results import AFTER
from analysis.record.jobs import Jobs
from capture.job_runs import bore_asked
from capture.jobs import pick
from capture.messages import RunRequest
from config.errors import InputError
from config.path import Step, find_step
from config.sizes import read_sizes

DIRECTIONS, DEPTHS = 4, 2
"""Of a bore, where the sheet does not say."""


def run_request(jobs: Jobs, steps: Sequence[Step], given: Mapping[str, Any]) -> RunRequest:
    """The run of a step, from typed words.

    Args:
        jobs: of the station.
        steps: the path.
        given: `job`, `step`, `wheel`, and where they are wanted `indicator`, `turns`, `strokes`.

    Raises:
        InputError: a step that is not measured, or that cannot be recorded now.
    """
    job, end = pick(jobs, given["job"], given.get("wheel"))
    step = find_step(steps, given["step"])
    if step.run is None:
        raise InputError(f"step {step.id!r} is not measured")
    jobs.check_step(job, end, step)
    typed = end.sheet.limits.get(step.limit or step.run)
    after = step.stage == AFTER
    how = {name: given[name] for name in ("indicator", "turns", "strokes") if given.get(name) is not None}
    return RunRequest.model_validate(
        {
            "kind": step.run,
            "job": job.id,
            "wheel": end.sheet.wheel,
            "stage": AFTER if after else "as found",
            "freshly_fitted": after and end.answers.get("replace") == "yes",
            "studs": read_sizes(end.sheet.sizes).studs,
            "bore": bore_asked(end, step, directions=DIRECTIONS, depths=DEPTHS)
            if step.run == "bore"
            else None,
            "nut_torqued": True if "nut_torqued" in step.needs or "torque" in step.needs else None,
            "unjudged": typed is None and step.limit is not None,
            "limit": typed,
            "limit_source": end.sheet.source[:200] if typed else None,
            **how,
        }
    )
