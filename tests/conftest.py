"""What every test may rely on."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from config.threads import one_thread

one_thread()  # as a process of ours does; pytest loads no numpy before this

# The same examples everywhere, and none that fails because the machine is busy.
settings.register_profile(
    "hubproof", deadline=None, derandomize=True, database=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("hubproof")

DATASETS = Path(__file__).parents[2] / "shared" / "datasets"


@pytest.fixture(scope="session")
def datasets() -> Path:
    """The folder of real recordings beside the project, which has no licence to be copied into it."""
    if not DATASETS.is_dir():
        pytest.skip(f"the real recordings are not beside this checkout ({DATASETS})")
    return DATASETS
