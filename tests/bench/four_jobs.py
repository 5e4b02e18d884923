"""Four whole jobs through a real serial device and the daemon: run it by hand, it takes about six minutes.

    python -m tests.bench.four_jobs

Prints a line for each run (found, its uncertainty, true) and each wrong step that was caught; exit status 1
when a job did not end as its story tells, or a figure lies off the truth by more than its uncertainty.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile

from simulators.stories import STORIES


def walk(name: str, folder: str) -> tuple[int, list[dict[str, object]]]:
    """One job; its exit status and lines."""
    words = [sys.executable, "-m", "capture", "simulate", "job", name, "--out", folder, "--json"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=900, check=False)
    sys.stderr.write(done.stderr)
    return done.returncode, [json.loads(line) for line in done.stdout.splitlines()]


def main() -> int:
    worst = 0
    for story in STORIES:
        with tempfile.TemporaryDirectory(prefix="hubproof-four-") as folder:
            status, lines = walk(story.name, folder)
        worst = max(worst, status)
        caught = [line["step"] for line in lines if line.get("caught")]
        print(f"{story.name}: exit {status}, caught: {', '.join(map(str, caught))}")
        for line in lines:
            if "true_mm" in line:
                off_mm = abs(line["found_mm"] - line["true_mm"])  # type: ignore[operator]
                inside = off_mm <= line["expanded_mm"]  # type: ignore[operator]
                worst = max(worst, 0 if inside else 1)
                print(
                    f"  {line['step']:<14} {line['answer']:<10} found {line['found_mm']:.4f} "
                    f"+- {line['expanded_mm']:.4f} mm, true {line['true_mm']:.4f} mm"
                    f"{'' if inside else '  OUTSIDE'}"
                )
        print(f"  end: {lines[-1] if lines else 'nothing was said'}")
    return worst


if __name__ == "__main__":
    raise SystemExit(main())
