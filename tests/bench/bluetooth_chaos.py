"""Fault upon fault at random moments: whether a supervised Bluetooth indicator is live again afterwards.

    python -m tests.bench.bluetooth_chaos [SECONDS] [SEED]

For so many seconds (30) on each route a random fault comes every eighth of a second or so, most often
while the indicator is still being connected again. The supervision, whose clock runs five times as fast,
must never end, and the indicator must be live within 20 s of the last fault.
"""

from __future__ import annotations

import asyncio
import logging
import random
import sys
from typing import Any

from capture.supervisor import Supervisor
from simulators.gatt import Pacing, table_for
from tests.bench.bluetooth_drops import Heard
from tests.bluetooth_faults import Counting, by_address, until
from tests.bluetooth_routes import IN_ONE_PROCESS, SYSTEM_SERVICE, HurriedClock, Route, missing, route

WITHIN_S = 20.0
KINDS = ("dropped", "dropped in discovery", "forgotten", "out of reach", "off", "crashed")


async def hurt(kind: str, way: Route, peripheral: Any, lasts_s: float) -> None:
    match kind:
        case "dropped":
            await way.drop(peripheral)
        case "dropped in discovery":
            await way.drop_in_next_discovery(peripheral)
            await way.drop(peripheral)
        case "forgotten":
            await way.forget(peripheral)
        case "out of reach":
            await way.away(peripheral)
            await asyncio.sleep(lasts_s)
            await way.back(peripheral)
        case "off":
            await way.power(False)
            await asyncio.sleep(lasts_s)
            await way.power(True)
        case _:
            await way.crash()
            await asyncio.sleep(lasts_s)
            await way.restart()


async def survived(name: str, seconds: float, seed: int) -> str:
    dice, clock, heard = random.Random(seed), HurriedClock(5), Heard()
    indicator, loop = by_address("bench-bluetooth", 1), asyncio.get_running_loop()
    counts = dict.fromkeys(KINDS, 0)
    async with route(name, clock) as way:
        table = table_for([indicator], address="F0:0D:00:00:00:01")
        peripheral = await way.put(table, Counting(), Pacing(0.0075))
        task = asyncio.create_task(Supervisor(indicator, clock, heard, way.open_link).run())
        until_s = loop.time() + seconds
        while loop.time() < until_s and not task.done():
            await asyncio.sleep(dice.uniform(0.0, 0.25))
            kind = dice.choice(KINDS)
            counts[kind] += 1
            await hurt(kind, way, peripheral, dice.uniform(0.0, 0.1))
        over_s = loop.time()
        try:
            await until(lambda: task.done() or heard.state == "live", WITHIN_S)
            told = f"live again after {loop.time() - over_s:.2f} s"
        except TimeoutError:
            told = f"NOT live within {WITHIN_S:.0f} s"
        if task.done():
            return f"the supervision ENDED: {task.exception()!r} ({counts})"
        task.cancel()
        await asyncio.wait([task])
    return f"{sum(counts.values())} faults ({', '.join(f'{n} {kind}' for kind, n in counts.items())}): {told}"


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    logging.disable(logging.ERROR)
    for name in (IN_ONE_PROCESS, SYSTEM_SERVICE):
        lacks = missing(name)
        print(
            f"{name}: {f'left out, {lacks}' if lacks else asyncio.run(survived(name, seconds, seed))}",
            flush=True,
        )


if __name__ == "__main__":
    main()
