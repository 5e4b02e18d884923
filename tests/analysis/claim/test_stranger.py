"""A script with nothing but numpy finds the same figures in an exported pack."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest

from analysis.claim.pack import Pack
from analysis.claim.values import ClaimInput
from analysis.results import EndplayResult, RunoutResult

SCRIPT = Path(__file__).with_name("stranger.py")
WITHIN_MM = 1e-9


@pytest.fixture
def folder(pack: Pack, tmp_path: Path) -> Path:
    zipfile.ZipFile(io.BytesIO(pack.content)).extractall(tmp_path)
    return tmp_path / pack.name


def computed(folder: Path, name: str) -> dict[str, Any]:
    done = subprocess.run([sys.executable, SCRIPT, folder, name], capture_output=True, check=True, cwd="/")
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_movement_as_read_and_orders(folder: Path, claim: ClaimInput) -> None:
    result = claim.runs[1].result
    assert isinstance(result, RunoutResult)
    found = computed(folder, "02-front-left-as-found-runout")
    assert found["as_read"] == pytest.approx(result.fim_mm.as_read, abs=WITHIN_MM)
    amplitudes = [order.amplitude_mm for order in result.per_turn_orders]
    assert found["orders"] == pytest.approx(amplitudes, abs=WITHIN_MM)


def test_play_of_every_stroke(folder: Path, claim: ClaimInput) -> None:
    result = claim.runs[0].result
    assert isinstance(result, EndplayResult)
    plays = computed(folder, "01-front-left-as-found-endplay")["plays"]
    assert plays == pytest.approx([stroke.play_mm for stroke in result.strokes], abs=WITHIN_MM)
    assert len(plays) >= 3
