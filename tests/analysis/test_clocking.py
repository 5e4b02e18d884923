"""Clocking against vector sums worked by hand and against the turned profiles themselves."""

import numpy as np
import pytest

from analysis.clocking import Wave, at_radius, clock_disc
from config.errors import InputError


def test_opposite_vectors_cancel():
    """Flange 20 um high at stud 1; disc's own 20 um also high there: half a turn on they cancel."""
    got = clock_disc([Wave(1, 20, 0)], [Wave(1, 40, 0)], bolts=4)
    assert [round(p.runout_um, 6) for p in got.positions] == [80, pytest.approx(2 * 800**0.5), 0, 56.568542]
    assert got.best.bolts == 2
    assert got.gain_um == pytest.approx(80)


def test_five_bolts_by_hand():
    """Flange 20 um at 0 deg, disc's own 20 um at 0 deg: sum at k bolts is 2 x 20 cos(36 k) in half swing."""
    got = clock_disc([Wave(1, 20, 0)], [Wave(1, 40, 0)], bolts=5)
    by_hand = [abs(2 * 20 * np.cos(np.radians(36 * k))) for k in range(5)]
    assert [p.once_per_turn_um for p in got.positions] == pytest.approx(by_hand)
    assert got.best.bolts in (2, 3)


def test_turning_the_disc_turns_its_profile():
    """The predicted movement equals that of the profiles, the disc's own moved on by whole bolts."""
    rng = np.random.default_rng(7)
    angle = np.arange(3600) / 10.0

    def made(orders):
        return [Wave(n, float(rng.uniform(2, 20)), float(rng.uniform(0, 360 / n)), 0.2) for n in orders]

    def profile(waves, at):
        return sum(w.amplitude_um * np.cos(np.radians(w.order * (at - w.peak_deg))) for w in waves)

    flange, mounted = made((1, 2, 5)), made((1, 2, 3))
    got = clock_disc(flange, mounted, bolts=5)
    for position in got.positions:
        turned = angle - 72.0 * position.bolts
        own = profile(mounted, turned) - profile(flange, turned)
        assert position.runout_um == pytest.approx(np.ptp(profile(flange, angle) + own), abs=0.05)


def test_uncertainty_covers_repeated_measurements():
    """Scatter of the prediction over noisy measurements is what `standard_um` says (order 1 alone)."""
    rng = np.random.default_rng(3)
    flange, disc, noise = 20.0, 35.0 + 15.0j, 0.5
    made = []
    for _ in range(400):
        a, b = (v + noise * (rng.standard_normal() + 1j * rng.standard_normal()) for v in (flange + 0j, disc))
        waves = [[Wave(1, abs(v), float(-np.degrees(np.angle(v)) % 360), noise)] for v in (a, b)]
        made.append(clock_disc(*waves, bolts=5).positions[1])
    spread = np.std([p.runout_um for p in made])
    assert np.mean([p.standard_um for p in made]) == pytest.approx(spread, rel=0.12)


def test_a_tilt_grows_with_the_radius():
    """A face tilted by 0.25 mrad: 15 um half swing at 60 mm, 35 um at 140 mm."""
    got = at_radius([Wave(1, 15, 30, 0.3), Wave(2, 4, 10)], from_mm=60, to_mm=140)
    assert got == (Wave(1, pytest.approx(35), 30, pytest.approx(0.7)), Wave(2, 4, 10))


def test_no_gain_is_not_sold_as_one():
    got = clock_disc([Wave(1, 10, 0, 1.0)], [Wave(1, 1, 0, 1.0)], bolts=5)
    assert got.best.bolts == 0
    assert not got.sure


@pytest.mark.parametrize("bolts", [0, 1, 13])
def test_impossible_bolts(bolts):
    with pytest.raises(InputError, match="bolts"):
        clock_disc([], [Wave(1, 1, 0)], bolts=bolts)


def test_nothing_measured():
    with pytest.raises(InputError, match="no orders"):
        clock_disc([], [], bolts=5)
    with pytest.raises(InputError, match="radii"):
        at_radius([], from_mm=0, to_mm=1)
