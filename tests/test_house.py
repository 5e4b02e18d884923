"""The house rules that a program can check."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

import config

ROOT = Path(__file__).parents[1]
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE"}
PACKAGES = ("capture", "analysis", "simulators", "config", "tests")
LONGEST_FILE = 450


def tracked() -> list[Path]:
    """Files of the checkout that git knows."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    return [ROOT / name for name in listed.stdout.split("\0") if name and (ROOT / name).exists()]


def test_config_is_ours_and_not_another_package_of_that_name() -> None:
    assert config.__file__ is not None
    assert Path(config.__file__).parent == ROOT / "config"


def test_the_top_level_holds_only_what_belongs_there() -> None:
    names = {path.relative_to(ROOT).parts[0] for path in tracked()}
    assert {name for name in names if not name.startswith(".")} <= TOP | set(PACKAGES)


def test_no_source_file_grows_past_one_idea() -> None:
    sizes = {path: path.read_text(encoding="utf-8").count("\n") for path in tracked() if path.suffix == ".py"}
    assert {str(path.relative_to(ROOT)): size for path, size in sizes.items() if size > LONGEST_FILE} == {}
