"""What every test may rely on."""

from __future__ import annotations

from pathlib import Path

import pytest

DATASETS = Path(__file__).parents[2] / "shared" / "datasets"


@pytest.fixture(scope="session")
def datasets() -> Path:
    """The folder of real recordings beside the project, which has no licence to be copied into it."""
    if not DATASETS.is_dir():
        pytest.skip(f"the real recordings are not beside this checkout ({DATASETS})")
    return DATASETS
