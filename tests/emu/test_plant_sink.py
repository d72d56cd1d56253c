"""What an electronic sink does: stage, regulation, swing, fan, counters, mishaps."""

from __future__ import annotations

import math

import pytest

from tests.reference.discharge import DERATING, cooling, section
from wirevow.emu.bench import Bench
from wirevow.emu.plant.build import build_plant
from wirevow.emu.plant.interface import Crossing, LooksAhead, Plant

MS = 1_000_000
S = 1_000_000_000
LAG = 1.0 / (2.0 * math.pi * 8e3)


def supply(volt: float = 12.0, limit: float = 10.0, **leads: object) -> Bench:
    return Bench.model_validate(
        {
            "title": "supply",
            "source": {
                "kind": "supply",
                "volt": volt,
                "ohm": 0.01,
                "limit_ampere": limit,
                "limit_ohm": 200.0,
            },
            "leads": {"ohm": 0.04, **leads},
        }
    )


def sink(bench: Bench | None = None, **changes: object) -> Plant:
    plant = build_plant(section(**changes), bench or supply(), 1, cooling())
    plant.control({"relay": "closed", "limit.current": 8.0, "limit.power": 120.0}, 0)
    return plant


def run(plant: Plant, seconds: float) -> None:
    end = plant.now_ns + round(seconds * S)
    while plant.advance(end) is not None:
        pass


def now(plant: Plant, signal: str) -> float:
    return plant.at(signal, plant.now_ns)


def test_nothing_flows_before_the_stage_is_on() -> None:
    plant = sink()
    run(plant, 1.0)
    assert now(plant, "input.current") == 0.0
    assert now(plant, "input.voltage") == pytest.approx(12.0)


@pytest.mark.parametrize("mode", ["auto", "manual"])
def test_around_somebodys_own_firmware_the_fan_turns_as_it_is_driven_and_nothing_is_derated(
    mode: str,
) -> None:
    plant = build_plant(section(), supply(), 1)
    plant.control({"limit.power": 120.0, "fan.mode": mode, "fan.manual": 0.25}, 0)
    plant.bench("ambient", 80.0, 0)
    run(plant, 3600.0)
    assert now(plant, "heat.temperature") > 75.0
    assert (now(plant, "fan.duty"), now(plant, "heat.ceiling")) == (0.25, 120.0)


def test_a_level_is_reached_by_ramp_and_lag() -> None:
    plant = sink()
    plant.control({"stage": "hold", "level.current": 2.0, "slew": 10_000.0}, 0)
    run(plant, 100e-6)
    ramp = 10_000.0 * (100e-6 - LAG * (1.0 - math.exp(-100e-6 / LAG)))
    assert now(plant, "input.current") == pytest.approx(ramp, rel=1e-9)
    run(plant, 2e-3)
    assert now(plant, "input.current") == pytest.approx(2.0, abs=1e-12)
    assert now(plant, "input.voltage") == pytest.approx(12.0 - 2.0 * 0.05)


@pytest.mark.parametrize(
    ("mode", "level", "amps"),
    [
        ("power", 24.0, (12.0 - math.sqrt(144.0 - 4 * 0.05 * 24.0)) / 0.1),
        ("resistance", 4.0, 12.0 / 4.05),
        ("voltage", 11.8, 0.2 / 0.05),
    ],
)
def test_loops_settle_at_the_operating_point(mode: str, level: float, amps: float) -> None:
    plant = sink()
    plant.control({"stage": "hold", "mode": mode, f"level.{mode}": level}, 0)
    run(plant, 2.0)
    assert now(plant, "input.current") == pytest.approx(amps, rel=1e-6)


def test_a_level_beyond_the_source_saturates_the_stage() -> None:
    """Current I needs I times the stage's resistance at the terminals."""
    plant = sink(supply(0.8))
    plant.control({"stage": "hold", "level.current": 8.0}, 0)
    run(plant, 0.1)
    assert now(plant, "input.current") == pytest.approx(0.8 / (0.05 + 0.12), rel=1e-9)
    assert now(plant, "input.terminal_voltage") == pytest.approx(0.12 * now(plant, "input.current"), rel=1e-9)


def test_constant_power_above_what_the_source_can_give_collapses() -> None:
    """V^2 / (4 R) is the greatest power (textbook); above it the loop ends at the greatest current."""
    bench = Bench.model_validate(
        {"title": "soft", "source": {"kind": "thevenin", "volt": 4.0, "ohm": 0.4}, "leads": {"ohm": 0.1}}
    )
    greatest = 4.0**2 / (4 * 0.5)
    for share, collapsed in ((0.9, False), (1.1, True)):
        plant = sink(bench)
        plant.control({"stage": "hold", "mode": "power", "level.power": share * greatest}, 0)
        run(plant, 1.0)
        if collapsed:
            assert now(plant, "input.current") == pytest.approx(4.0 / (0.5 + 0.12), rel=1e-6)
            assert now(plant, "input.power") < greatest
        else:
            assert now(plant, "input.power") == pytest.approx(share * greatest, rel=1e-6)


def test_a_resistance_loop_on_a_soft_source_oscillates() -> None:
    """The sample's factor is 1 - g (1 + Rs / R); below -1 the loop runs away until something clips it."""
    bench = Bench.model_validate(
        {"title": "soft", "source": {"kind": "thevenin", "volt": 10.0, "ohm": 5.0}, "leads": {"ohm": 0.0}}
    )
    calm, wild = sink(bench), sink(bench)
    for plant, ohm in ((calm, 8.0), (wild, 1.0)):
        plant.control({"stage": "hold", "mode": "resistance", "level.resistance": ohm}, 0)
        run(plant, 0.5)
    seen = {}
    for name, plant in (("calm", calm), ("wild", wild)):
        values = []
        for _ in range(40):
            run(plant, 1e-3)
            values.append(now(plant, "input.current"))
        seen[name] = max(values) - min(values)
    assert seen["calm"] < 1e-6
    assert seen["wild"] > 0.3


def test_a_supply_in_current_limit_lets_its_voltage_fall() -> None:
    plant = sink(supply(limit=3.0))
    plant.control({"stage": "hold", "level.current": 5.0}, 0)
    run(plant, 0.1)
    assert now(plant, "input.current") == pytest.approx(3.0, rel=0.03)
    assert now(plant, "input.terminal_voltage") == pytest.approx(0.12 * now(plant, "input.current"), rel=1e-6)
    plant.bench("source.limit", 8.0, plant.now_ns)
    run(plant, 0.1)
    assert now(plant, "input.current") == pytest.approx(5.0, rel=1e-9)


def test_remote_sense_sees_the_source_and_an_open_lead_nothing() -> None:
    plant = sink(supply(ohm=0.5))
    plant.control({"stage": "hold", "level.current": 2.0, "sense": "remote"}, 0)
    run(plant, 0.1)
    assert now(plant, "input.voltage") == pytest.approx(12.0 - 2.0 * 0.01)
    assert now(plant, "input.terminal_voltage") == pytest.approx(12.0 - 2.0 * 0.51)
    assert now(plant, "sense.drop") == pytest.approx(-1.0)
    plant.bench("lead.sense", "open", plant.now_ns)
    assert now(plant, "input.voltage") == 0.0
    assert now(plant, "sense.drop") == pytest.approx(12.0 - 2.0 * 0.51)


def test_a_reversed_source_drives_the_body_diodes() -> None:
    plant = sink(supply(limit=4.0))
    plant.bench("source.polarity", "reversed", 0)
    run(plant, 0.01)
    assert now(plant, "input.current") == pytest.approx(-4.0, rel=0.02)
    assert now(plant, "input.voltage") < -0.5
    plant.control({"relay": "open"}, plant.now_ns)
    assert now(plant, "input.current") == 0.0
    assert now(plant, "input.voltage") == pytest.approx(-12.0)


def test_a_shorted_stage_draws_with_the_stage_off() -> None:
    plant = sink(supply(limit=4.0))
    plant.bench("stage", "shorted", 0)
    run(plant, 0.01)
    assert now(plant, "input.current") == pytest.approx(4.0, rel=0.02)
    plant.bench("stage", "good", plant.now_ns)
    run(plant, 0.01)
    assert now(plant, "input.current") == pytest.approx(0.0, abs=1e-9)


def test_the_power_ceiling_holds_in_every_mode() -> None:
    for mode, level in (("current", 7.0), ("resistance", 1.0), ("voltage", 5.0), ("power", 110.0)):
        plant = sink(supply(24.0))
        plant.control({"stage": "hold", "mode": mode, f"level.{mode}": level, "limit.power": 40.0}, 0)
        run(plant, 1.0)
        assert now(plant, "input.power") == pytest.approx(40.0, rel=1e-3), mode


def test_swing_edges_come_on_time_and_are_counted() -> None:
    plant = sink()
    plant.control(
        {"stage": "swing", "swing.low": 1.0, "swing.high": 3.0, "swing.low_time": 2e-3,
         "swing.high_time": 1e-3, "swing.count": 3.0},
        0,
    )  # fmt: skip
    plant.watch(1, "input.current", True, 2.0)
    crossings = []
    while (crossing := plant.advance(20 * MS)) is not None:
        crossings.append(crossing)
    # Half-way of the step: the ramp of 2 A at 1e6 A/s and the lag; 1 + exp(-t/tau) solved for the half.
    rise = crossings[0].when_ns - 2 * MS
    assert 0 < rise < 30_000
    assert [c.when_ns - crossings[0].when_ns for c in crossings[::2]] == [0, 3 * MS, 6 * MS]
    assert [c.when_ns - crossings[1].when_ns for c in crossings[1::2]] == [0, 3 * MS, 6 * MS]
    assert crossings[1].when_ns - crossings[0].when_ns == pytest.approx(1 * MS, abs=1)
    assert now(plant, "swing.done") == 3.0
    assert now(plant, "input.current") == pytest.approx(1.0)


@pytest.mark.parametrize("hold", ["stay", "return"])
def test_a_trigger_starts_the_upper_level(hold: str) -> None:
    plant = sink()
    plant.control(
        {"stage": "swing", "swing.low": 1.0, "swing.high": 3.0, "swing.cue": "trigger", "swing.hold": hold,
         "swing.high_time": 5e-3},
        0,
    )  # fmt: skip
    run(plant, 0.05)
    assert now(plant, "swing.upper") == 0.0
    plant.bench("trigger", None, plant.now_ns)
    run(plant, 0.004)
    assert now(plant, "input.current") == pytest.approx(3.0)
    run(plant, 0.004)
    assert now(plant, "swing.upper") == (1.0 if hold == "stay" else 0.0)


def test_counters_follow_the_instruments_own_clock() -> None:
    plant = sink(clock_error_ppm=1000.0)
    plant.control({"stage": "run", "level.current": 1.0}, 0)
    run(plant, 100.0)
    assert now(plant, "run.time") == pytest.approx(100.1, rel=1e-12)
    assert now(plant, "charge") == pytest.approx(100.1, rel=1e-6)
    plant.control({"counters.zero": 1.0}, plant.now_ns)
    assert now(plant, "charge") == 0.0
    plant.control({"stage": "off"}, plant.now_ns)
    run(plant, 10.0)
    assert now(plant, "run.time") == 0.0


def test_the_fan_steps_on_its_tick_and_keeps_its_hysteresis() -> None:
    plant = sink(supply(24.0))
    plant.control({"stage": "hold", "level.current": 2.0}, 0)
    plant.watch(1, "heat.temperature", True, 32.0)
    warm = plant.advance(10_000 * S)
    assert warm is not None
    before = now(plant, "fan.duty")
    tick = -(-warm.when_ns // S) * S
    run(plant, (tick - plant.now_ns - 1) / S)
    assert (before, now(plant, "fan.duty")) == (0.0, 0.0)
    run(plant, 2e-9)
    assert now(plant, "fan.duty") == 0.25
    plant.control({"stage": "off"}, plant.now_ns)
    while now(plant, "fan.duty") > 0.0:
        run(plant, 1.0)
    assert now(plant, "heat.temperature") == pytest.approx(28.0, abs=0.1)


def test_a_stopped_fan_shows_in_its_speed_and_in_the_heat() -> None:
    good, bad = sink(supply(24.0)), sink(supply(24.0))
    bad.bench("fan", "stopped", 0)
    for plant in (good, bad):
        plant.control({"stage": "hold", "level.current": 2.0, "fan.mode": "manual", "fan.manual": 1.0}, 0)
        run(plant, 300.0)
    assert now(good, "fan.speed") == pytest.approx(4200.0)
    assert now(bad, "fan.speed") == pytest.approx(0.0, abs=1e-6)
    assert now(bad, "heat.sink") > now(good, "heat.sink") + 10.0


def test_derating_brings_a_hot_sink_to_rest() -> None:
    plant = sink(supply(24.0))
    for event, value in (("ambient", 60.0), ("vents", 0.9)):
        plant.bench(event, value, 0)
    plant.control({"stage": "hold", "level.current": 5.0}, 0)
    run(plant, 7200.0)
    assert now(plant, "heat.ceiling") < 119.0
    assert now(plant, "input.power") == pytest.approx(now(plant, "heat.ceiling"), rel=1e-2)
    # The ceiling that the temperature asks for is within two of its 64 steps.
    asked = 120.0 * DERATING.share(now(plant, "heat.temperature"))
    assert now(plant, "heat.ceiling") == pytest.approx(asked, abs=2.1 * 120.0 / 64)


def test_a_broken_thermistor_reads_at_the_ends() -> None:
    plant = sink()
    plant.bench("thermistor", "open", 0)
    assert (now(plant, "heat.sensor_voltage"), now(plant, "heat.temperature")) == (5.0, -55.0)
    plant.bench("thermistor", "shorted", 0)
    assert (now(plant, "heat.sensor_voltage"), now(plant, "heat.temperature")) == (0.0, 200.0)


def test_a_watch_stops_at_the_crossing_and_at_each_change_of_truth() -> None:
    plant = sink()
    plant.control({"stage": "hold", "level.current": 1.0}, 0)
    assert plant.watch(7, "charge", True, 5.0) is False
    crossing = plant.advance(20 * S)
    assert crossing == Crossing(7, plant.now_ns, True)
    assert plant.at("charge", plant.now_ns) > 5.0 >= plant.at("charge", plant.now_ns - 1)
    plant.control({"counters.zero": 1.0}, plant.now_ns)
    assert plant.advance(20 * S) == Crossing(7, crossing.when_ns, False)


def test_whoever_looks_ahead_misses_no_crossing() -> None:
    crossings = []
    for looks in (False, True):
        plant = sink()
        assert isinstance(plant, LooksAhead)
        plant.control({"stage": "hold", "level.current": 3.0}, 0)
        plant.watch(7, "charge", True, 60.0)
        run(plant, 1.0)
        early_ns = plant.quiet_until_ns()
        if looks:
            plant.look_ahead()
            assert plant.quiet_until_ns() > early_ns
        crossings.append(plant.advance(100 * S))
        assert crossings[-1] is not None
    assert crossings[0] == crossings[1]


def test_crossings_at_one_instant_come_in_the_order_of_keys() -> None:
    plant = sink()
    for key in (5, 2, 9):
        plant.watch(key, "input.voltage", False, 5.0)
    plant.bench("source.voltage", 3.0, 0)
    assert [plant.advance(S) for _ in range(3)] == [Crossing(key, 0, True) for key in (2, 5, 9)]
    plant.unwatch(5)
    plant.bench("source.voltage", 12.0, 0)
    assert [plant.advance(0) for _ in range(3)] == [Crossing(2, 0, False), Crossing(9, 0, False), None]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda p: p.control({"lever": 1.0}, 0), "no control 'lever'"),
        (lambda p: p.control({"relay": "ajar"}, 0), "open, closed"),
        (lambda p: p.control({"level.current": -1.0}, 0), "from 0 to"),
        (lambda p: p.control({"level.current": 1.0}, 5), "advance it first"),
        (lambda p: p.bench("rain", 1.0, 0), "no bench event 'rain'"),
        (lambda p: p.bench("battery.soc", 0.5, 0), "does not fit the supply"),
        (lambda p: p.at("input.voltage", 5), "advance the plant first"),
        (lambda p: p.at("input.colour", 0), "no signal 'input.colour'"),
    ],
)
def test_wrong_requests_are_refused_in_words(call: object, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call(sink())  # type: ignore[operator]


def test_a_refused_control_changes_nothing() -> None:
    plant = sink()
    with pytest.raises(ValueError):
        plant.control({"level.current": 1.0, "relay": "ajar"}, 0)
    plant.control({"stage": "hold"}, 0)
    run(plant, 0.1)
    assert now(plant, "input.current") == pytest.approx(0.0, abs=1e-9)


def test_trims_undo_the_converters_errors() -> None:
    channels = {"input.voltage": {"low": -1.0, "high": 40.0, "gain_error": 0.01, "offset": 0.05}}
    plant = sink(channels=channels)
    assert plant.sample("input.voltage", 0, S) == pytest.approx(12.0 * 1.01 + 0.05)
    plant.control({"trim.voltage_gain": 1 / 1.01, "trim.voltage_shift": -0.05 / 1.01}, 0)
    assert plant.sample("input.voltage", 0, S) == pytest.approx(12.0)


def test_a_coded_level_moves_in_steps_and_rests() -> None:
    plant = sink(supply(), level={"full_scale_ampere": 8.4, "bits": 12})
    plant.control({"stage": "hold", "mode": "power", "level.power": 24.0}, 0)
    run(plant, 1.0)
    step = 8.4 / 4096
    amps = now(plant, "input.current")
    assert amps / step == pytest.approx(round(amps / step), abs=1e-9)
    assert now(plant, "input.power") == pytest.approx(24.0, abs=1.5 * step * 12.0)


def test_a_value_that_creeps_up_to_a_threshold_does_not_stop_time() -> None:
    """A sink cools towards the air's own temperature, and a supply rests exactly on a watch's threshold."""
    plant = sink(supply(12.0))
    plant.control({"stage": "hold", "level.current": 2.0}, 0)
    run(plant, 600.0)
    for key, (signal, above, threshold) in enumerate(
        [("heat.temperature", False, 23.0), ("heat.sink", False, 23.0), ("input.voltage", True, 12.0),
         ("input.current", False, 0.0), ("heat.temperature", True, 23.0)]
    ):  # fmt: skip
        plant.watch(key, signal, above, threshold)
    plant.control({"stage": "off"}, plant.now_ns)
    run(plant, 2e6)
    assert now(plant, "heat.temperature") == pytest.approx(23.0, abs=1e-9)
    assert now(plant, "input.voltage") == 12.0
