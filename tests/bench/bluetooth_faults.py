"""What goes wrong with Bluetooth in the middle of a run: time to notice, time to recover, readings lost.

    python -m tests.bench.bluetooth_faults [TIMES]

The whole bench records an indicator of 50 readings/s that counts, on both routes of the simulated
Bluetooth (`tests.bluetooth_routes`). Each fault happens TIMES times (3); the table shows the worst of
them. `noticed` counts from the fault to the state "stale" or "lost", `back` from the fault's end to
"live"; `lost` are all readings that the record lacks between its first and its last, most of them due
while there was no link; `late` is from when a reading was due to its arrival, 50 % and 99 % points.
"""

from __future__ import annotations

import asyncio
import logging
import sys
import tempfile
from pathlib import Path

from config.clock import SystemClock
from tests.bluetooth_faults import FAULTS, Fault, Suffered, suffer
from tests.bluetooth_routes import IN_ONE_PROCESS, SYSTEM_SERVICE, missing, route


async def once(name: str, fault: Fault) -> Suffered:
    with tempfile.TemporaryDirectory() as folder:
        async with route(name, SystemClock()) as way:
            return await suffer(fault, way, Path(folder))


def worst(times: list[float | None]) -> str:
    known = [each for each in times if each is not None]
    return f"{max(known):8.2f}" if known else "       -"


def main() -> None:
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    logging.disable(logging.ERROR)
    for name in (IN_ONE_PROCESS, SYSTEM_SERVICE):
        lacks = missing(name)
        print(f"\n{name}" + (f": left out, {lacks}" if lacks else f" (worst of {times})"))
        if lacks:
            continue
        print(f"  {'fault':<32}{'noticed s':>10}{'back s':>9}{'lost':>6}{'gaps':>6}{'late ms 50 / 99 %':>20}")
        for fault in FAULTS:
            seen = [asyncio.run(once(name, fault)) for _ in range(times)]
            late = f"{max(s.late_ms[0] for s in seen):8.1f} / {max(s.late_ms[1] for s in seen):.1f}"
            print(
                f"  {fault.name:<32}{worst([s.noticed_s for s in seen]):>10}"
                f"{worst([s.recovered_s for s in seen]) if fault.told else '-':>9}"
                f"{max(s.lost for s in seen):>6}{max(s.gaps for s in seen):>6}{late:>20}",
                flush=True,
            )


if __name__ == "__main__":
    main()
