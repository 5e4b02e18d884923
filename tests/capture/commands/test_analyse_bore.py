"""`hubproof analyse --kind bore` with sizes: bores of known size, and options that contradict each other."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from capture.commands import run

RING = ("--setting-ring", "74.000 mm +- 0.001 mm")
N7 = ("--size", "74 mm", "--bore", "N7")  # ISO 286-2, over 65 to 80 mm: -9 and -39 um


def held(folder: Path, levels_um: list[float]) -> str:
    """A self-centring gauge held at each level, a hump between, zero at the setting ring."""
    rng = np.random.default_rng(1)
    parts = [np.full(30, 1500.0)]
    for level in levels_um:
        parts += [level + 60.0 * np.sin(np.linspace(0.3, np.pi, 12)), np.full(30, level)]
    um = np.concatenate(parts)
    um = um + rng.normal(0, 0.3, um.size)
    rows = "".join(f"{i / 25:.2f},{round(v) / 1000:.3f}\n" for i, v in enumerate(um))
    file = folder / "bore.csv"
    file.write_text("time_s,reading_mm\n" + rows)
    return str(file)


def analyse(capsys: pytest.CaptureFixture[str], *arguments: str, status: int) -> dict[str, Any]:
    capsys.readouterr()
    assert run(["analyse", "--kind", "bore", "--json", *arguments]) == status
    told = capsys.readouterr()
    if status == 2:
        assert told.err.count("\n") == 1
        return {"error": told.err}
    result: dict[str, Any] = json.loads(told.out)
    return result


@pytest.mark.parametrize(
    ("level_um", "verdict", "status"), [(-24.0, "within", 0), (5.0, "over", 1), (-60.0, "over", 1)]
)
def test_size_is_judged_against_the_hole_class(
    level_um: float, verdict: str, status: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = held(tmp_path, [level_um] * 8)
    got = analyse(capsys, file, *RING, *N7, "--directions", "4", status=status)
    assert got["diameter_mm"] == pytest.approx(74.0 + level_um / 1000, abs=4e-4)
    assert (got["size_verdict"], got["verdict"]) == (verdict, verdict)
    assert [depth["depth"] for depth in got["depths"]] == [1, 2]
    assert run(["schema", "bore"]) == 0
    jsonschema.validate(got, json.loads(capsys.readouterr().out))


def test_temperatures_are_corrected_to_20_degrees(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By hand (ISO 1): aluminium at 30 C, ring at 20 C: 74 mm x 23e-6 x 10 = 17.02 um come off."""
    file = held(tmp_path, [-24.0] * 8)
    plain = analyse(capsys, file, *RING, status=0)
    warm = ("--knuckle", "aluminium", "--knuckle-temperature", "30", "--ring-temperature", "20")
    got = analyse(capsys, file, *RING, *warm, status=0)
    assert plain["diameter_mm"] - got["diameter_mm"] == pytest.approx(0.01702, abs=2e-5)
    exact = analyse(capsys, file, *RING, *warm, "--temperature-within", "0", status=0)
    part = 74_000 * 23e-6 * 1.0 / 1000  # 1 K, the default, in mm
    assert got["diameter_standard_mm"] ** 2 - exact["diameter_standard_mm"] ** 2 == pytest.approx(
        part**2, rel=1e-6
    )


def test_ring_among_the_stations_and_its_certificate(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Set 10 um off: measuring the ring first and last takes that off."""
    file = held(tmp_path, [10.0, *[-14.0] * 8, 10.0])
    flags = ("--ring-first", "--ring-last", "--depths", "2")
    got = analyse(capsys, file, *RING, *flags, status=0)
    assert got["diameter_mm"] == pytest.approx(74.0 - 0.024, abs=4e-4)
    assert len(got["depths"]) == 2
    coarse = analyse(capsys, file, "--setting-ring", "74.000 mm +- 0.008 mm", *flags, status=0)
    gained = coarse["diameter_standard_mm"] ** 2 - got["diameter_standard_mm"] ** 2
    assert gained == pytest.approx(0.004**2 - 0.0005**2, rel=1e-6)


def test_stations_that_do_not_make_the_depths_are_not_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = held(tmp_path, [-24.0] * 8)
    for counts in (("--depths", "3"), ("--depths", "2", "--directions", "3"), ("--directions", "3")):
        got = analyse(capsys, file, *RING, "--limit", "0.03 mm", *counts, status=4)
        assert got["reasons"][-1]["code"] == "stations_do_not_fit"


def test_the_table_says_the_diameter(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["analyse", "--kind", "bore", held(tmp_path, [-24.0] * 8), *RING, *N7]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "mean diameter 73.97" in shown
    assert "mm at 20 °C: within" in shown


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (N7, "without the setting ring"),
        ((*RING, "--size", "74 mm"), "--size and --bore"),
        ((*RING, "--knuckle-temperature", "30"), "--knuckle-temperature and --ring-temperature"),
        (("--setting-ring", "74"), "no unit"),
        ((*RING, "--size", "74 mm", "--bore", "Q9"), "unknown hole class"),
        ((*RING, "--size", "74 mm", "--bore", "7.4 mm"), "far from the nominal"),
    ],
)
def test_options_that_cannot_be_used(
    more: tuple[str, ...], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert says in analyse(capsys, held(tmp_path, [0.0] * 4), *more, status=2)["error"]


def test_bore_options_go_with_a_bore(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["analyse", "--kind", "runout", held(tmp_path, [0.0]), *RING]) == 2
    assert capsys.readouterr().err == "analyse: --setting-ring goes with --kind bore, not with runout\n"
