"""The simulated hub, hand, holder and indicator against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.bench import SimulatedBench, Workshop
from simulators.faults import Gap, HoldKey, LowBattery, Rezero, Spikes, Stuck, UnitSwitch
from simulators.hand import SPEED_SWING, STEP_S, Manner, Rest, Stops, Strokes, Turn, move
from simulators.holder import Holder, Slip
from simulators.hub import Bearing, Bump, Hub, Order, Seat, Surface, follow
from simulators.indicator import STATUSES, Gauge, Reader, error_curve
from simulators.truth import TurnTruth

DEGREES = np.arange(0.0, 720.0, 7.3)


def rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_one_order_is_a_cosine_with_its_peak_where_said() -> None:
    surface = Surface((Order(2, 7.0, 25.0),))
    expected = 7.0 * np.cos(2.0 * np.deg2rad(DEGREES - 25.0))
    np.testing.assert_allclose(surface.movement_um(DEGREES), expected, atol=1e-9)


def test_a_surface_tells_the_orders_it_was_made_of() -> None:
    made = (Order(1, 20.0, 200.0), Order(2, 5.0, 33.0), Order(5, 2.0, 70.0))
    told = {order.order: order for order in Surface(made).harmonics()}
    for order in made:
        assert told[order.order].amplitude_um == pytest.approx(order.amplitude_um, abs=1e-9)
        assert told[order.order].peak_deg == pytest.approx(order.peak_deg, abs=1e-6)
    assert told[3].amplitude_um == pytest.approx(0.0, abs=1e-9)


def test_a_bump_is_as_high_and_as_wide_as_said_and_comes_every_turn() -> None:
    bump = Bump(10.0, 359.0, 8.0)
    np.testing.assert_allclose(bump.rise_um(np.array([359.0, -1.0, 719.0])), 10.0)
    np.testing.assert_allclose(bump.rise_um(np.array([3.0, 355.0])), 5.0)


def test_the_hub_crosses_the_clearance_gives_by_the_two_thirds_power_and_stays_where_it_is_let_go() -> None:
    bearing = Bearing(clearance_um=50.0, give_um=2.0, friction_n=15.0, hysteresis_um=0.0)
    force = np.array([0.0, 10.0, 100.0, 200.0, 0.0, -10.0, -100.0, -200.0])
    moved, seat = follow(bearing, force, Seat())
    assert moved[1] < 1.0  # below the friction only the elastic part answers
    assert moved[2] == pytest.approx(25.0 + 2.0)
    assert moved[3] == pytest.approx(25.0 + 2.0 * 2.0 ** (2.0 / 3.0))
    assert moved[4] == pytest.approx(25.0)
    assert moved[5] == pytest.approx(25.0, abs=0.6)
    assert moved[6] == pytest.approx(-27.0)
    assert moved[3] - moved[7] == pytest.approx(50.0 + 4.0 * 2.0 ** (2.0 / 3.0))
    assert follow(bearing, np.zeros(3), seat)[0] == pytest.approx(-25.0)


def test_hysteresis_keeps_back_a_part_of_the_deflection() -> None:
    bearing = Bearing(clearance_um=0.0, give_um=2.0, hysteresis_um=0.6)
    moved, _ = follow(bearing, np.array([0.0, 100.0, 0.0]), Seat())
    assert moved[1] == pytest.approx(1.7)
    assert moved[2] == pytest.approx(0.3)


def test_the_wobble_comes_round_with_the_cage_and_reaches_a_second_plunger_later() -> None:
    bearing = Bearing(cage_um=3.0, cage_per_turn=0.4, cage_deg=0.0)
    assert bearing.wobble_um(np.array([0.0, 900.0, 450.0])) == pytest.approx([3.0, 3.0, -3.0])
    later = bearing.wobble_um(np.array([90.0 / 0.4]), at_deg=90.0)
    assert later == pytest.approx([3.0])


@pytest.mark.parametrize("manner", ["gentle", "ordinary", "hard"])
def test_the_hand_turns_as_far_as_asked_and_as_unevenly_as_its_manner(manner: Manner) -> None:
    swings = []
    for seed in range(12):
        motion = move(Turn(3.3, manner, turn_s=5.0), rng(seed), 40.0)
        assert motion.angle_deg[0] == 40.0
        assert motion.angle_deg[-1] == pytest.approx(40.0 + 3.3 * 360.0)
        speed = np.diff(motion.angle_deg) / STEP_S
        assert speed.max() < 72.0 * 1.86
        swings.append(np.ptp(speed[40:-80]) / 2.0 / 72.0)
    if manner == "gentle":
        assert max(swings) <= SPEED_SWING["gentle"] + 0.01
    assert np.median(swings) > 0.7 * SPEED_SWING[manner]


def test_a_hard_hand_rests_and_steps_back() -> None:
    for seed in range(10):
        speed = np.diff(move(Turn(3.0, "hard"), rng(seed)).angle_deg) / STEP_S
        assert np.count_nonzero(np.abs(speed) < 0.5) * STEP_S >= 0.4
        stepped_back = -np.sum(speed[:-60][speed[:-60] < 0]) * STEP_S
        assert 3.0 < stepped_back < 19.0


def test_strokes_hold_pushed_and_pulled_and_end_without_force() -> None:
    motion = move(Strokes(4, lets_go=True), rng(3))
    assert [hold.kind for hold in motion.holds] == ["pushed", "pulled"] * 4
    assert motion.force_n[0] == motion.force_n[-1] == 0.0
    assert np.all(np.diff(motion.time_s) > 0)
    for hold in motion.holds:
        held = (motion.time_s > hold.starts_s) & (motion.time_s < hold.ends_s)
        sign = -1.0 if hold.kind == "pushed" else 1.0
        assert np.all(sign * motion.force_n[held] > 150.0)
    between = (motion.time_s > motion.holds[1].ends_s) & (motion.time_s < motion.holds[2].starts_s)
    assert np.any(motion.force_n[between] == 0.0)


def test_stops_stand_at_the_studs() -> None:
    motion = move(Stops(5, 2), rng(4))
    assert len(motion.holds) == 10
    for number, hold in enumerate(motion.holds):
        stands = np.interp([hold.starts_s + 0.01, hold.ends_s - 0.01], motion.time_s, motion.angle_deg)
        assert stands[0] == pytest.approx(stands[1])
        assert stands[0] == pytest.approx(72.0 * number, abs=0.5)


def test_a_holder_creeps_settles_bends_and_slips() -> None:
    holder = Holder(
        creep_um_per_s=0.5, settle_um=10.0, settle_s=2.0, flex_um_per_n=0.01, slips=(Slip(3.0, -20.0),)
    )
    moved = holder.movement_um(np.array([0.0, 2.0, 3.0]), np.array([0.0, 100.0, 0.0]))
    assert moved == pytest.approx(
        [0.0, 1.0 + 10 * (1 - math.exp(-1)) + 1.0, 1.5 + 10 * (1 - math.exp(-1.5)) - 20]
    )


def reader(gauge: Gauge, *faults: object) -> Reader:
    return Reader(gauge, rng(1), tuple(faults))  # type: ignore[arg-type]


QUIET = Gauge(noise_um=0.0, rate_hz=100.0, jitter=0.0)


def test_a_slanting_plunger_travels_further_by_the_cosine() -> None:
    slanted = reader(Gauge(noise_um=0.0, step_nm=1, plunger_angle_deg=10.0))
    times = slanted.instants_s(1.0)
    read = slanted.read(times, np.full(times.size, 100.0))
    assert read.length_nm[0] == round(100_000 / math.cos(math.radians(10.0)))


@pytest.mark.parametrize("step_nm", [1000, 10_000, 12_700])
def test_readings_are_whole_steps_nearest_to_the_movement(step_nm: int) -> None:
    stepped = reader(Gauge(noise_um=0.0, step_nm=step_nm))
    times = stepped.instants_s(2.0)
    moved = np.linspace(-80.0, 80.0, times.size)
    read = stepped.read(times, moved)
    assert np.all(read.length_nm % step_nm == 0)
    assert np.all(np.abs(read.length_nm - moved * 1000.0) <= step_nm / 2)


def test_hysteresis_shows_the_way_in_apart_from_the_way_out() -> None:
    lagging = reader(Gauge(noise_um=0.0, step_nm=1, hysteresis_um=2.0))
    way = np.concatenate([np.linspace(-50, 50, 50), np.linspace(50, -50, 50)])
    read = lagging.read(lagging.instants_s(10.0)[:100], way)
    assert read.length_nm[25] == pytest.approx(way[25] * 1000 - 1000, abs=1)
    assert read.length_nm[75] == pytest.approx(way[75] * 1000 + 1000, abs=1)


def test_beyond_its_range_the_plunger_shows_the_end() -> None:
    short = reader(Gauge(noise_um=0.0, range_um=1000.0, stands_at_um=100.0))
    read = short.read(short.instants_s(1.0)[:2], np.array([-500.0, 5000.0]))
    assert read.length_nm.tolist() == [-100_000, 900_000]


def test_an_error_curve_stays_within_its_bound_and_is_smooth() -> None:
    for seed in range(20):
        curve = error_curve(rng(seed), 3.0, 12_700.0)
        deviation = curve.deviation_um(np.linspace(0.0, 12_700.0, 3000))
        assert 1.0 < np.max(np.abs(deviation)) <= 2.71
        assert np.max(np.abs(np.diff(deviation))) / 4.23 < 0.01  # under 1 um over a tenth of a millimetre


def test_readings_come_at_the_rate_and_never_backwards() -> None:
    uneven = reader(Gauge(rate_hz=50.0, jitter=0.4))
    times = uneven.instants_s(20.0)
    assert times.size == pytest.approx(1000, abs=1)
    assert np.all(np.diff(times) > 0)
    assert 0.001 < np.std(np.diff(times)) < 0.012


def test_the_keys_of_the_indicator_do_what_they_do() -> None:
    faulty = reader(
        QUIET, Rezero(1.0), HoldKey(2.0, 3.0), UnitSwitch(4.0), UnitSwitch(5.0, "mm"), Gap(6.0, 7.0),
        Stuck(7.5, 8.0), LowBattery(9.0),
    )  # fmt: skip
    times = faulty.instants_s(10.0)
    read = faulty.read(times, 10.0 * times)
    assert not np.any((times >= 6.0) & (times < 7.0))

    def at(time_s: float) -> int:
        return int(np.searchsorted(times, time_s))

    assert read.length_nm[at(0.5)] == pytest.approx(5_000, abs=600)
    assert read.length_nm[at(1.5)] == pytest.approx(5_000, abs=600)
    held = read.length_nm[at(2.0) : at(3.0)]
    assert np.all(held == held[0])
    assert STATUSES[read.status[at(2.5)]] == "hold"
    assert read.inch[at(4.5)]
    assert read.length_nm[at(4.5)] % 1270 == 0
    assert not read.inch[at(5.5)]
    stuck = read.length_nm[at(7.5) : at(8.0)]
    assert np.all(stuck == stuck[0])
    assert STATUSES[read.status[at(7.7)]] == ""
    assert STATUSES[read.status[-1]] == "battery"


def test_spikes_hit_the_share_of_readings_that_was_asked_for() -> None:
    dirty = reader(QUIET, Spikes(0.02))
    times = dirty.instants_s(200.0)
    read = dirty.read(times, np.zeros(times.size))
    assert np.mean(np.abs(read.length_nm) >= 29_000) == pytest.approx(0.02, abs=0.004)


def test_readings_do_not_depend_on_how_the_time_is_cut() -> None:
    workshop = Workshop(
        hub=Hub(face=Surface((Order(1, 20.0, 0.0),)), bearing=Bearing(clearance_um=30.0, cage_um=1.0)),
        gauge=Gauge(hysteresis_um=0.4),
    )
    faults = (Spikes(0.02), Rezero(3.0), HoldKey(5.0, 5.5))

    def taken(step_s: float) -> list[int]:
        bench = SimulatedBench(workshop, 5, faults=faults)
        for action in (Rest(1.0), Strokes(2), Turn(2.2, "hard")):
            bench.do(action)
        ends = np.arange(step_s, bench.busy_until_s + step_s, step_s)
        return [value for end in ends for value in bench.until(end).length_nm.tolist()]

    whole, pieces = taken(1000.0), taken(0.13)
    assert pieces[: len(whole)] == whole[: len(pieces)]
    assert len(pieces) > 300


def test_the_truth_of_turning_agrees_with_closed_forms() -> None:
    """Order 1 of 6 um and a cage of 2 um at 0.5 a turn: the cage comes back after two turns."""
    bearing = Bearing(cage_um=2.0, cage_per_turn=0.5)
    truth = TurnTruth(Surface((Order(1, 6.0, 0.0),)), bearing, 0.0, 4.2 * 360.0)
    assert truth.total_turns == pytest.approx(4.2)
    assert truth.complete == 4
    assert truth.repeatable_um == pytest.approx(12.0, abs=1e-4)
    assert truth.non_repeatable_um == pytest.approx(4.0, abs=1e-3)
    assert truth.mean_turn_fim_um == pytest.approx(12.0, abs=1e-3)  # over four turns the cage cancels
    first, second, third, fourth = truth.fim_per_turn_um()
    assert first == pytest.approx(third)
    assert second == pytest.approx(fourth)
    grid = np.deg2rad(np.linspace(0.0, 360.0, 100_001))
    assert first == pytest.approx(np.ptp(6 * np.cos(grid) + 2 * np.cos(grid / 2)), abs=1e-3)


def test_the_true_play_is_clearance_and_give_at_the_forces_held() -> None:
    workshop = Workshop(hub=Hub(bearing=Bearing(clearance_um=60.0, give_um=1.5, hysteresis_um=0.0)))
    deed = SimulatedBench(workshop, 9).do(Strokes(3, force_n=200.0))
    strokes = deed.truth.strokes
    assert strokes is not None
    give = 2.0 * 1.5 * 2.0 ** (2.0 / 3.0)
    assert strokes.play_um == pytest.approx(60.0 + give, abs=0.12 * give)
    assert len(strokes.strokes_um) == 3
