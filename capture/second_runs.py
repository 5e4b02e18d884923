"""A second indicator in a run: its readings are a run of their own, begun and ended with the first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.messages import RunRequest
from config.errors import InputError

if TYPE_CHECKING:
    from capture.bench import Bench


class SecondRuns:
    """The runs of second indicators, by the run of the first.

    Args:
        bench: owns the runs.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._of: dict[str, str] = {}

    async def begin(self, request: RunRequest, first: str) -> str | None:
        """Begin the second indicator's run, if there is to be one.

        Args:
            request: of the first indicator's run.
            first: name of the first indicator.

        Returns:
            Its id.

        Raises:
            InputError: it is the same indicator, is busy, or the kind of run has no second one.
        """
        if request.second_indicator is None and request.second is None:
            return None
        if request.second_indicator is None or request.second is None:
            raise InputError(
                "a second indicator needs its name and what it touches",
                where="--second",
                expected="reference, pilot or face:90",
            )
        if request.kind != "runout" or request.second_indicator == first:
            raise InputError(
                f"indicator {request.second_indicator!r} cannot be the second one here",
                where="--second-indicator",
                expected="another indicator, in a run-out",
            )
        given = {"job": request.job, "wheel": request.wheel, "stage": request.stage}
        second = RunRequest.model_validate({"kind": "trace", "indicator": request.second_indicator, **given})
        return (await self._bench.start_run(second)).run

    def keep(self, first_run: str, second_run: str | None) -> None:
        """The two belong together."""
        if second_run is not None:
            self._of[first_run] = second_run

    async def end(self, first_run: str) -> None:
        """End the second's run and wait until all of it is stored."""
        second_run = self._of.get(first_run)
        if second_run is not None and any(each.run == second_run for each in self._bench.active()):
            await self._bench.stop_run(second_run)

    def let_end(self, first_run: str) -> None:
        """The first is over, however it ended: the second ends too."""
        if (second_run := self._of.pop(first_run, None)) is not None:
            self._bench.let_run_end(second_run)
