"""Bores of known shape, measured through traces made here: closed forms are the truth."""

import numpy as np
import pytest

from analysis.bore import BoreSetup, measure_bore
from analysis.press import CAST_IRON
from analysis.trace import Trace
from analysis.values import Setup
from config.errors import InputError
from config.fits import SizeLimits, hole_limits
from config.limits import parse_limit

RATE_HZ = 25.0
STEP_UM = 1.0
INDICATOR = Setup(permissible_local_error_um=1.0)


def trace_of(reading_um, angle_deg=None, step_um=STEP_UM, rate_hz=RATE_HZ):
    reading = np.round(np.asarray(reading_um) / step_um) * step_um
    time = np.arange(reading.size) / rate_hz
    return Trace(time, reading, angle_deg=angle_deg, resolution_um=step_um)


def rocked(levels_um, *, seed=1, noise_um=0.3, rocks=3, sign=1.0):
    """Each level rocked `rocks` times, with uneven swings, then held about half way up a swing."""
    rng = np.random.default_rng(seed)
    parts = []
    for level in levels_um:
        rest = level + 25.0
        path = [np.full(20, rest)]
        start = 25.0
        for _ in range(rocks):
            end = float(rng.uniform(30.0, 90.0))
            tilt = np.linspace(-np.sqrt(start), np.sqrt(end), int(rng.integers(22, 40)))
            path.append(level + tilt**2)
            start = end
        back = np.linspace(np.sqrt(start), 5.0, 8)
        path.append(level + back**2)
        path.append(np.full(20, rest))
        parts += path
    made = np.concatenate(parts)
    return trace_of(sign * (made + noise_um * rng.standard_normal(made.size)))


def held(levels_um, *, seed=1, noise_um=0.3, between_um=60.0):
    rng = np.random.default_rng(seed)
    parts = [np.full(30, 1500.0)]  # the gauge still out of the bore
    for level in levels_um:
        hump = level + between_um * np.sin(np.linspace(0.3, np.pi, 12))
        parts += [hump, np.full(30, level)]
    made = np.concatenate(parts)
    return trace_of(made + noise_um * rng.standard_normal(made.size))


def oval(mean_um, swing_um, widest_deg, directions=4):
    angle = 180.0 / directions * np.arange(directions)
    return mean_um + swing_um / 2.0 * np.cos(2 * np.radians(angle - widest_deg))


def limit(text="0.03 mm"):
    return parse_limit(text, "bore")


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("make", [rocked, held])
def test_oval_and_taper_are_found(make, seed):
    depths = [oval(12.0, 24.0, 20.0), oval(2.0, 10.0, 20.0), oval(-4.0, 6.0, 110.0)]
    got = measure_bore(make(np.concatenate(depths), seed=seed), setup=INDICATOR)
    assert got.method == make.__name__
    assert len(got.stations) == 12
    assert [d.mean_deviation_mm for d in got.depths] == pytest.approx([0.012, 0.002, -0.004], abs=0.0008)
    assert got.depths[0].out_of_round_mm == pytest.approx(0.012, abs=0.0008)
    assert got.depths[0].widest_deg == pytest.approx(20.0, abs=3.0)
    assert got.taper_mm == pytest.approx(-0.016, abs=0.0012)
    assert got.two_point_difference_mm == pytest.approx(np.ptp(depths[0]) / 1000, abs=0.0012)


@pytest.mark.parametrize(("swing", "verdict"), [(10.0, "within"), (60.0, "over"), (30.0, "undecided")])
def test_verdict_on_out_of_round(swing, verdict):
    got = measure_bore(rocked(oval(0.0, swing, 0.0)), limit=limit(), setup=INDICATOR)
    assert got.verdict == verdict
    assert got.value_mm == pytest.approx(swing / 1000, abs=0.0012)
    assert [p.part for p in got.points_to] == (["knuckle"] if verdict == "over" else [])


def test_a_reading_that_falls_as_the_bore_grows_is_turned():
    depths = oval(12.0, 24.0, 20.0)
    straight = measure_bore(rocked(depths), setup=INDICATOR)
    fallen = measure_bore(rocked(depths, sign=-1.0), setup=INDICATOR)
    assert "reading_falls" in [reason.code for reason in fallen.reasons]
    assert fallen.mean_deviation_mm == pytest.approx(straight.mean_deviation_mm, abs=1e-9)
    told = measure_bore(rocked(depths, sign=-1.0), setup=INDICATOR, bore=BoreSetup(grows=False))
    assert told.depths == fallen.depths


def test_taper_alone_is_over():
    levels = np.concatenate([oval(0.0, 2.0, 0.0), oval(60.0, 2.0, 0.0)])
    got = measure_bore(rocked(levels), limit=limit(), setup=INDICATOR)
    assert got.verdict == "over"
    assert "bore_tapered" in [reason.code for reason in got.reasons]


def test_two_directions_never_prove_roundness():
    got = measure_bore(
        rocked([0.0, 0.0, 1.0, 1.0]), limit=limit(), setup=INDICATOR, bore=BoreSetup(directions=2)
    )
    assert got.verdict == "undecided"
    assert "few_directions" in [reason.code for reason in got.reasons]


def test_a_missing_station_is_not_guessed():
    got = measure_bore(rocked([0.0] * 7), limit=limit(), bore=BoreSetup(directions=4))
    assert got.verdict == "not measurable"
    assert got.value_mm is None


def test_size_at_20_degrees_with_ring_stations_and_limits():
    """Ring 74.000 mm read at -3 um before and after; bore 20 um below the ring, all at 30 degrees C."""
    levels = [-3.0, *oval(-23.0, 4.0, 0.0), -3.0]
    bore = BoreSetup(
        directions=4, ring_mm=74.0, ring_first=True, ring_last=True, knuckle_c=30.0, ring_c=30.0,
        size=hole_limits(74.0, "N7"), temperature_standard_k=0.5,
    )  # fmt: skip
    got = measure_bore(rocked(levels), setup=INDICATOR, bore=bore)
    warm_um = 74_000 * 10 * (CAST_IRON.expansion_per_k - 12.0e-6)  # the ring grew more than the knuckle
    assert got.diameter_mm == pytest.approx(74.0 - 0.020 - warm_um / 1000, abs=0.0008)
    assert got.size_verdict == "within"
    assert got.verdict == "within"


def test_a_bore_that_lets_the_race_turn_is_over():
    bore = BoreSetup(ring_mm=74.0, size=SizeLimits(74.0, -39.0, -9.0, "typed"))
    got = measure_bore(rocked(oval(30.0, 2.0, 0.0)), setup=INDICATOR, bore=bore)
    assert (got.size_verdict, got.verdict) == ("over", "over")
    assert "bore_too_large" in [reason.code for reason in got.reasons]


def swept(radius_mm, eccentric_um, orders, *, turns=2.0, seed=3, noise_um=0.2):
    """Plunger on the wall: pushed in where the wall is near. Exact distance to a wall of these orders."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0.0, 360.0 * turns, 900)
    u = np.radians(angle - 40.0)
    radius_um = radius_mm * 1000.0
    distance = np.sqrt(radius_um**2 - (eccentric_um * np.sin(u)) ** 2) - eccentric_um * np.cos(u)
    for order, amplitude, peak in orders:
        distance = distance + amplitude * np.cos(order * np.radians(angle - peak))
    reading = radius_um - distance + noise_um * rng.standard_normal(angle.size)
    return trace_of(reading, angle_deg=angle)


def test_swept_bore():
    got = measure_bore(
        swept(37.0, 400.0, [(2, 8.0, 30.0), (3, 2.0, 10.0)]),
        limit=limit(),
        setup=INDICATOR,
        bore=BoreSetup(ring_mm=74.0),
    )
    angle = np.radians(np.arange(0, 360, 0.1))
    truth = 8 * np.cos(2 * (angle - np.radians(30))) + 2 * np.cos(3 * (angle - np.radians(10)))
    assert got.method == "swept"
    assert got.eccentricity_mm == pytest.approx(0.4, abs=0.0002)
    assert got.out_of_round_mm == pytest.approx(np.ptp(truth) / 1000, abs=0.0006)
    assert got.two_point_difference_mm == pytest.approx(0.032, abs=0.0006)
    assert got.per_turn_orders[2].amplitude_mm == pytest.approx(0.002, abs=0.0001)
    assert got.verdict == "within"


def test_eccentric_round_bore_is_round_when_the_size_is_known():
    """e = 1 mm in R = 37 mm makes an apparent order 2 of e^2/4R = 6.76 um; known size takes it off."""
    blind = measure_bore(swept(37.0, 1000.0, []), setup=INDICATOR)
    known = measure_bore(swept(37.0, 1000.0, []), setup=INDICATOR, bore=BoreSetup(ring_mm=74.0))
    assert blind.out_of_round_mm == pytest.approx(2 * 0.00676, abs=0.0005)
    assert known.out_of_round_mm < 0.0008


def test_directions_from_the_angle_column():
    levels = np.concatenate([oval(5.0, 20.0, 45.0), oval(0.0, 4.0, 45.0)])
    made = held(levels)
    angle = np.zeros(len(made))
    for k in range(8):
        angle[30 + 42 * k :] = (k % 4) * 45.0
    got = measure_bore(trace_of(made.reading_um, angle_deg=angle), setup=INDICATOR)
    assert [s.direction_deg for s in got.stations] == [0, 45, 90, 135] * 2
    assert got.depths[0].widest_deg == pytest.approx(45.0, abs=3.0)


@pytest.mark.parametrize("reading", [np.zeros(0), np.zeros(2), np.linspace(0, 300, 200)])
def test_nothing_to_measure_is_said(reading):
    got = measure_bore(trace_of(reading), limit=limit())
    assert got.verdict == "not measurable"
    assert got.reasons[0].code == "no_stations"


def test_contradictions_are_refused():
    with pytest.raises(InputError, match="one indicator"):
        measure_bore(trace_of(np.zeros(9)), second="pilot")
    with pytest.raises(InputError, match="setting ring"):
        measure_bore(trace_of(np.zeros(9)), bore=BoreSetup(size=hole_limits(74, "N7")))


def test_stated_uncertainty_covers_the_truth():
    """Two-point difference between two known directions over 30 seeds: 95 % intervals cover at least 27."""
    hit = 0
    for seed in range(30):
        levels = oval(float(np.random.default_rng(seed).uniform(-3, 3)), 24.0, 0.0)
        got = measure_bore(rocked(levels, seed=seed, noise_um=0.6), setup=Setup())
        hit += abs(got.value_mm - 0.024) <= got.uncertainty_mm.expanded
    assert hit >= 27
