"""How long a claim pack takes, how large it is, and whether 1,000 random changes are all noticed.

Run: ``python tests/bench/claim.py``. Targets: 10 runs of 3,000 readings under 2 s and 3 MB, check under 3 s
(seconds of one core, so that a busy machine does not decide).
"""

from __future__ import annotations

import importlib.util
import random
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from types import ModuleType

FOLDER = Path(__file__).parents[1] / "analysis" / "claim"
sys.path.insert(0, str(Path(__file__).parents[2]))

from analysis.claim.pack import make_pack  # noqa: E402 - after the path
from analysis.claim.signature import load_or_make_key  # noqa: E402
from analysis.claim.values import ClaimInput  # noqa: E402
from analysis.claim.verify import verify_pack  # noqa: E402

CHANGES, SECONDS_TO_MAKE, SECONDS_TO_CHECK, BYTES = 1_000, 2.0, 3.0, 3_000_000


def load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"claim_{name}", FOLDER / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def timed_pack(whole: ClaimInput, path: Path) -> bool:
    key = load_or_make_key(path / "key")
    began = time.process_time()
    pack = make_pack(whole, key)
    made = time.process_time() - began
    (path / "pack.zip").write_bytes(pack.content)
    began = time.process_time()
    report = verify_pack(path / "pack.zip")
    checked = time.process_time() - began
    print(
        f"10 runs x 3000 readings: {made:.2f} s of one core, {len(pack.content)} bytes; "
        f"checked in {checked:.2f} s"
    )
    assert report.good, report.faults
    return made < SECONDS_TO_MAKE and checked < SECONDS_TO_CHECK and len(pack.content) < BYTES


def missed_changes(small: ClaimInput, changes: ModuleType, path: Path) -> list[str]:
    pack = make_pack(small, load_or_make_key(path / "key"))
    draw = random.Random(2026)
    missed = []
    for _ in range(CHANGES):
        name, content = changes.random_change(pack, draw)
        (path / "changed.zip").write_bytes(content)
        if not changes.noticed(path / "changed.zip"):
            missed.append(name)
    print(f"{CHANGES} random changes: {CHANGES - len(missed)} noticed; missed: {missed}")
    return missed


def main() -> int:
    parts, changes = load("conftest"), load("test_verify")
    claim = parts.claim.__wrapped__()
    long = [
        parts.claim_run(
            2 * n, "endplay", "as found", parts.pushed(152, readings=3000, seed=n), parts.PLAY_LIMIT
        )
        for n in range(1, 6)
    ] + [
        parts.claim_run(
            2 * n + 1, "runout", "as found", parts.turned(90, readings=3000, seed=n), parts.RUNOUT_LIMIT
        )
        for n in range(1, 6)
    ]
    only_turned = [
        parts.claim_run(n, "runout", "as found", parts.turned(90, readings=3000, seed=n), parts.RUNOUT_LIMIT)
        for n in range(1, 11)
    ]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder)
        good = timed_pack(replace(claim, runs=tuple(long)), path)
        good &= timed_pack(replace(claim, runs=tuple(only_turned)), path)
        small = replace(claim, runs=claim.runs[:1])
        missed = missed_changes(small, changes, path)
        return 0 if good and not missed else 1


if __name__ == "__main__":
    raise SystemExit(main())
