"""numpy's own libraries on one thread: what is fitted here is small, and threads would wait for each other.

On two cores that another program wanted too, a run-out of 600 readings took ten times as long with two
threads as with one, most of it spent waiting.
"""

from __future__ import annotations

import os

LIBRARIES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def one_thread() -> None:
    """Call before numpy is loaded, for that is when it looks; what the user has set stays."""
    for name in LIBRARIES:
        os.environ.setdefault(name, "1")
