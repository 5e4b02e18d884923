"""Strokes in a run that was begun as run-out, and turning in one begun as end play: what is said of them.

    python -m tests.bench.mistaken [--seeds 40] [--from-seed 0]

A row a case and kind of run: how many were given each verdict, against the shipped limits. `not measurable`
is right for all of them. Nothing here fails: the figures are for reading.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter

from analysis.measure import measure_endplay, measure_runout
from config.settings import default_limit, load_limits
from simulators.accuracy import accuracy_case
from tests.recordings import trace_of

MISTAKEN = {
    "runout": ("endplay-1um", "endplay-10um", "endplay-12.7um"),
    "endplay": ("gentle-1um", "ordinary-1um", "hard-1um", "gentle-10um", "ordinary-10um", "hard-10um"),
}
MEASURE = {"runout": measure_runout, "endplay": measure_endplay}


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--seeds", type=int, default=40)
    options.add_argument("--from-seed", type=int, default=0)
    asked = options.parse_args()
    limits = load_limits()
    for kind, cases in MISTAKEN.items():
        limit = default_limit(kind, limits)
        for case in cases:
            seeds = range(asked.from_seed, asked.from_seed + asked.seeds)
            found = Counter(
                MEASURE[kind](trace_of(accuracy_case(case, seed)), limit=limit).verdict for seed in seeds
            )
            told = ", ".join(f"{verdict} {count}" for verdict, count in sorted(found.items(), key=str))
            sys.stdout.write(f"{case:16} begun as {kind:8} {told}\n")


if __name__ == "__main__":
    main()
