"""The simulated bore: its geometry in closed form, and the project's measurement of it against its truth."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.bore import BoreSetup, measure_bore
from analysis.trace import Trace
from analysis.values import Setup
from simulators.bore import Bore, BoreBench, Gauging, gauge_bore
from simulators.indicator import Gauge


def trace_of(readings, step_um=1.0):
    return Trace(readings.time_s, readings.length_nm / 1000.0, resolution_um=step_um)


def test_the_bore_is_an_oval_that_tapers():
    bore = Bore(diameter_mm=74.0, taper_um=10.0, oval_um=20.0, widest_deg=30.0)
    assert bore.diameter_at_mm(0.0, 30.0) == pytest.approx(74.0 + 0.010 - 0.005)
    assert bore.diameter_at_mm(1.0, 120.0) == pytest.approx(74.0 - 0.010 + 0.005)
    assert bore.diameter_at_mm(0.5, 75.0) == pytest.approx(74.0)


def test_the_gauge_spans_the_diameter_only_where_it_stands_square():
    """The shortest span of each rocking is the diameter there; a tilt of 2 degrees spans D / cos 2."""
    bench = BoreBench(Bore(oval_um=0.0), 74.0, Gauge(), 1, grows=True)
    deed = bench.do(Gauging(directions=2, depths=1))
    assert deed.span_um.min() == pytest.approx(0.0, abs=0.05)
    values, often = np.unique(deed.span_um, return_counts=True)
    held = values[(often > 60) & (values < 1_000.0)]  # still for half a second, and not in the air
    least, most = (74_000 * (1 / np.cos(np.radians(tilt)) - 1) for tilt in (1.6, 2.8))
    assert held.size >= 2
    assert np.all((held >= least) & (held <= most))


def test_a_warm_knuckle_is_larger_by_its_expansion():
    """Cast iron 10.5e-6 per K: 74 mm, 10 K warmer than the ring, reads 7.77 um wider."""
    bench = BoreBench(Bore(oval_um=0.0), 74.0, Gauge(), 1, grows=True)
    deed = bench.do(Gauging(directions=2, depths=1, knuckle_c=30.0, ring_c=20.0))
    assert deed.span_um.min() == pytest.approx(74_000 * 10.5e-6 * 10, abs=0.05)


@pytest.mark.parametrize("grows", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_what_is_measured_is_true_within_its_uncertainty(seed, grows):
    """At 1 um a step, rests flicker between two steps: every place must still be found (it once was not)."""
    bore = Bore(diameter_mm=73.975, taper_um=-8.0, oval_um=24.0, widest_deg=20.0 * seed)
    asked = Gauging(ring_first=True, ring_last=True, knuckle_c=24.0, ring_c=22.0)
    readings, deed = gauge_bore(bore, asked, seed, ring_mm=74.002, grows=grows)
    setup = BoreSetup(
        directions=4, depths=2, ring_mm=74.002, ring_first=True, ring_last=True, knuckle_c=24.0, ring_c=22.0
    )
    got = measure_bore(trace_of(readings), setup=Setup(permissible_local_error_um=1.0), bore=setup)
    assert (got.method, got.places_seen) == ("rocked", 10)
    assert got.value_mm == pytest.approx(0.024, abs=got.uncertainty_mm.expanded)
    assert got.taper_mm == pytest.approx(deed.taper_um / 1000, abs=0.0012)
    assert got.diameter_mm == pytest.approx(deed.mean_mm, abs=2 * got.diameter_standard_mm)
    apart = (
        got.depths[0].widest_deg - bore.widest_deg + 90.0
    ) % 180.0 - 90.0  # a direction comes again at 180
    assert apart == pytest.approx(0.0, abs=4.0)


def test_the_same_seed_gives_the_same_readings():
    first, again = (gauge_bore(Bore(), Gauging(directions=2, depths=1), 5)[0] for _ in range(2))
    assert first.length_nm.tolist() == again.length_nm.tolist()
