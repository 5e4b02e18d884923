"""How the interpreter is set for a station at work: it takes readings on time while an analysis computes."""

from __future__ import annotations

import gc
import sys

SWITCH_S = 0.001
"""A thread that computes gives way so often. With Python's own 5 ms a reading that arrived while an analysis
ran was stamped 7 ms late in the middle; with this 1 ms."""

COLLECT_AFTER = (20_000, 20, 20)


def load_quickly() -> None:
    """Call once, before the heavy modules are loaded: nothing of theirs is garbage, so none is looked for.

    A tenth of the time until the station is ready went into looking. `settle_in` ends it.
    """
    gc.disable()


def settle_in() -> None:
    """Call once, when all is loaded and before the first reading.

    Readings are many small tuples without cycles: to look through them again and again doubled their
    cost. What was loaded stays and is not looked through any more; cycles are still found, less often.
    """
    sys.setswitchinterval(SWITCH_S)
    gc.collect()
    gc.freeze()
    gc.set_threshold(*COLLECT_AFTER)
    gc.enable()
