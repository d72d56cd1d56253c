"""The plant against scipy's solvers at tight tolerance and against a brute-force sampled loop."""

from __future__ import annotations

import math
from bisect import bisect_right

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from tests.reference.discharge import FAN, TABLE, Equations, cooling, pack, section
from wirevow.emu.bench import Bench, PanelSource
from wirevow.emu.control.cooling import Cooling
from wirevow.emu.plant.build import build_plant
from wirevow.emu.plant.expoly import Curve, first_exit, product, respond
from wirevow.emu.plant.heat import air_conductance, constants, ladder
from wirevow.emu.plant.interface import Plant
from wirevow.emu.plant.sources import Panel, pchip

S = 1_000_000_000
CUT_OFF = 9.6


def capacity_run(mode: str) -> tuple[Plant, int]:
    plant = build_plant(section(), pack(), 7, cooling())
    plant.watch(1, "input.voltage", False, CUT_OFF)
    plant.control(
        {"relay": "closed", "stage": "run" if mode == "current" else "hold", "mode": mode,
         "level.current": 2.0, "level.power": 22.0, "limit.current": 6.0, "limit.power": 120.0},
        0,
    )  # fmt: skip
    crossing = plant.advance(45_000 * S)
    assert crossing is not None
    return plant, crossing.when_ns


def reference(mode: str) -> tuple[float, list[float]]:
    """(seconds at the cut-off, states there) by LSODA at 1e-12, the fan switched on its ticks."""
    amps, watt = (2.0, None) if mode == "current" else (None, 22.0)
    t, level = 0.0, 0
    y = np.array(Equations(section(), pack(), 0.0, amps, watt).start())
    while True:
        f = Equations(section(), pack(), FAN.duty[level - 1] if level else 0.0, amps, watt)
        low, high = FAN.stays(level)

        def ended(_t: float, y: np.ndarray, f: Equations = f) -> float:
            return f.circuit(float(y[0]), float(y[1]), float(y[2]))[1] - CUT_OFF

        def outside(_t: float, y: np.ndarray, low: float = low, high: float = high) -> float:
            return min(float(y[6]) - max(low, -1e3), min(high, 1e3) - float(y[6]))

        ended.terminal = outside.terminal = True  # type: ignore[attr-defined]
        run = solve_ivp(
            f,
            (t, 45_000.0),
            y,
            method="LSODA",
            rtol=1e-12,
            atol=1e-11,
            events=[ended, outside],
            max_step=200.0,
        )
        t, y = float(run.t[-1]), run.y[:, -1]
        if len(run.t_events[0]):
            return t, y.tolist()
        tick = math.ceil(t)
        y = solve_ivp(f, (t, tick), y, method="LSODA", rtol=1e-12, atol=1e-11).y[:, -1]
        t, level = float(tick), FAN.level(level, float(y[6]))


def test_constant_current_capacity_run() -> None:
    plant, when_ns = capacity_run("current")
    end, y = reference("current")
    # The plant's current begins with a ramp (2 A at 1e6 A/s) and the stage's lag, the reference's at once.
    late = 2.0 / 1e6 / 2 + 1.0 / (2 * math.pi * 8e3)
    assert when_ns * 1e-9 == pytest.approx(end + late, abs=1e-6)
    assert plant.at("charge", when_ns) == pytest.approx(y[7], rel=1e-9)
    assert plant.at("energy", when_ns) == pytest.approx(y[8], rel=1e-9)
    for signal, state in (("heat.junction", 3), ("heat.case", 4), ("heat.sink", 5), ("heat.temperature", 6)):
        assert plant.at(signal, when_ns) == pytest.approx(y[state], abs=1e-6)


def test_constant_power_capacity_run() -> None:
    plant, when_ns = capacity_run("power")
    end, y = reference("power")
    # The sampled loop takes off gain of the error a tick, so its current begins late by a tick and T / gain.
    tick, gain = section().regulation.tick_second, section().regulation.gain
    assert when_ns * 1e-9 == pytest.approx(end + tick / gain + tick, abs=2 * tick)
    assert plant.at("charge", when_ns) == pytest.approx(y[7], rel=1e-6)
    assert plant.at("energy", when_ns) == pytest.approx(y[8], rel=1e-6)
    assert plant.at("heat.sink", when_ns) == pytest.approx(y[5], abs=1e-4)


def brute_force(mode: str, level: float, ticks: int, cap: float = 6.0) -> list[tuple[float, float]]:
    """(voltage, current) at each tick of a sampled loop, stepped through 400 pieces of every tick."""
    plant, bench = section(), pack(0.3)
    f = Equations(plant, bench, 0.0, amps=0.0)
    tick, gain = plant.regulation.tick_second, plant.regulation.gain
    tau, slew = 1.0 / (2 * math.pi * plant.stage.bandwidth_hertz), plant.stage.slew_ampere_per_second
    (r1, s1), (r2, s2) = f.pairs
    pieces = 400
    h = tick / pieces
    soc, v1, v2, amps, target, u = 1.0, 0.0, 0.0, 0.0, 0.0, 0.0
    seen = []
    for k in range(ticks):
        at = min(max(bisect_right(f.knots, soc) - 1, 0), len(f.knots) - 2)
        x = soc - f.knots[at]
        c3, c2, c1, c0 = f.pieces[at]
        ohm = f.ohms[at] + (f.ohms[at + 1] - f.ohms[at]) * x / (f.knots[at + 1] - f.knots[at]) + f.lead
        volt = c0 + x * (c1 + x * (c2 + x * c3)) - v1 - v2 - ohm * amps
        if k:
            wanted = {
                "power": level / volt,
                "resistance": volt / level,
                "voltage": u + (volt - level) / plant.regulation.voltage_gain_ohm,
            }[mode]
            u += gain * (min(max(wanted, 0.0), cap) - u)
        seen.append((volt, amps))
        for _ in range(pieces):
            moved = max(min(u - target, slew * h), -slew * h)
            a = target - moved / h * tau
            decay = math.exp(-h / tau)
            charge = a * h + 0.5 * moved * h + (amps - a) * tau * (1 - decay)
            amps = a + moved + (amps - a) * decay
            target += moved
            mean = charge / h
            v1 = r1 * mean + (v1 - r1 * mean) * math.exp(-h / s1)
            v2 = r2 * mean + (v2 - r2 * mean) * math.exp(-h / s2)
            soc -= charge / f.coulomb
    return seen


@pytest.mark.parametrize(("mode", "level"), [("power", 30.0), ("resistance", 6.0), ("voltage", 12.0)])
def test_sampled_loops_sample_by_sample(mode: str, level: float) -> None:
    """While samples are stepped both agree to the brute force's own grid; the settled loop keeps the average
    of the saw-tooth that the samples make, half a tick's change away from its value just before a tick."""
    plant = build_plant(section(), pack(0.3), 1)
    plant.control(
        {"relay": "closed", "stage": "hold", "mode": mode, f"level.{mode}": level, "limit.current": 6.0}, 0
    )
    ticks = brute_force(mode, level, 400)
    change = (ticks[-1][1] - ticks[-21][1]) / 20
    for k, (volt, amps) in enumerate(ticks):
        plant.advance(k * 1_000_000)
        early = k < 8
        if not early and k < 300:
            continue  # on the way from samples to the settled loop; the voltage loop takes its time
        assert plant.at("input.current", plant.now_ns) == pytest.approx(
            amps + (0.0 if early else 0.25 * change), abs=3e-7 if early else 0.3 * abs(change) + 5e-6
        )
        assert plant.at("input.voltage", plant.now_ns) == pytest.approx(volt, abs=2e-5)


def test_energy_is_conserved() -> None:
    """From the battery's table and resistances to heat: nothing is lost over any run."""
    plant = build_plant(section(), pack(1.0), 1, Cooling(FAN, None))
    plant.control({"relay": "closed", "stage": "hold", "level.current": 4.0, "limit.current": 6.0}, 0)
    heat = section().heat
    c = constants(heat, section().thermistor)
    removed = stored = 0.0
    step = S // 4
    before = plant.at("heat.sink", 0)
    air = air_conductance(heat, 0.5, plant.at("fan.duty", 0), 0.0)
    for k in range(1, 2400):
        duty = plant.at("fan.duty", plant.now_ns)
        air = air_conductance(heat, 0.5, duty, 0.0)
        plant.advance(k * step)
        after = plant.at("heat.sink", plant.now_ns)
        # Simpson over the quarter second: the sink moves in minutes.
        middle = plant.at("heat.sink", plant.now_ns - step // 2)
        removed += air * ((before + 4 * middle + after) / 6 - 23.0) * step * 1e-9
        before = after
    nodes = [plant.at(f"heat.{n}", plant.now_ns) - 23.0 for n in ("junction", "case", "sink")]
    nodes.append(plant.at("heat.temperature", plant.now_ns) - 23.0)
    stored = sum(capacity * kelvin for capacity, kelvin in zip(c[3:], nodes, strict=True))
    assert plant.at("energy", plant.now_ns) == pytest.approx(stored + removed, rel=1e-6)


def test_the_ladders_step_response() -> None:
    """Against solve_ivp (Radau, 1e-10) on the nodes' own equations."""
    heat, thermistor = section().heat, section().thermistor
    g_jc, g_cs, g_sb, cj, cc, cs, cb = constants(heat, thermistor)
    air = 0.9
    at = ladder(constants(heat, thermistor), air)

    def f(_t: float, y: np.ndarray) -> list[float]:
        j, c, s, b = y
        return [
            (50.0 - (j - c) * g_jc) / cj,
            ((j - c) * g_jc - (c - s) * g_cs) / cc,
            ((c - s) * g_cs - s * air - (s - b) * g_sb) / cs,
            (s - b) * g_sb / cb,
        ]

    times = [0.01, 0.1, 1.0, 10.0, 100.0, 1000.0]
    run = solve_ivp(f, (0, 1000.0), [0.0] * 4, method="Radau", rtol=1e-10, atol=1e-10, t_eval=times)
    modes = [
        respond(rate, 0.0, Curve((50.0 * push,)), 1000.0)
        for rate, push in zip(at.rates, at.push, strict=True)
    ]
    for k, t in enumerate(times):
        for node in range(4):
            value = sum(w * mode(t) for w, mode in zip(at.shape[node], modes, strict=True))
            assert value == pytest.approx(run.y[node, k], rel=1e-7, abs=1e-7)


@pytest.mark.parametrize("rate", [0.0, 1e-9, 0.3, 0.5, 0.5 + 1e-9, 2.0, 50.0])
@pytest.mark.parametrize("span", [1e-6, 1.0, 40.0])
def test_responses_at_and_near_resonance(rate: float, span: float) -> None:
    """A lag driven by t^2, t exp(-t/2) and exp(-2t), its own rate among them,
    against scipy's DOP853 at 1e-13."""
    forcing = Curve((1.0, -0.2, 0.05), ((2.0, 0.7),), ((0.5, (0.3, -0.1)),))
    y = respond(rate, 0.4, forcing, span)
    run = solve_ivp(
        lambda t, v: -rate * v + forcing(t), (0, span), [0.4], method="DOP853", rtol=1e-13, atol=1e-14
    )
    assert y(span) == pytest.approx(run.y[0, -1], rel=1e-10)


def test_first_exit_finds_the_first_of_many() -> None:
    curve = product(Curve((0.0, 1.0)), Curve((0.0,), ((0.1, 3.0),)))  # rises to 11.04 at t = 10, then falls
    at = first_exit(curve, -1.0, 8.0, 0.0, 100.0)
    exact = brentq(lambda t: curve(t) - 8.0, 0.0, 10.0, xtol=1e-13)
    assert at == pytest.approx(exact, abs=1e-9)
    assert first_exit(curve, -1.0, 11.1, 0.0, 100.0) is None
    top = curve(10.0)
    assert first_exit(curve, -1.0, top - 1e-9, 0.0, 100.0) is not None


def test_pchip_is_scipys() -> None:
    soc, volts = [row[0] for row in TABLE], [row[1] for row in TABLE]
    theirs = PchipInterpolator(soc, volts)
    pieces = pchip(tuple(soc), tuple(volts))
    for s in np.linspace(0, 1, 301)[:-1]:
        k = bisect_right(soc, s) - 1
        x = s - soc[k]
        c0, c1, c2, c3 = pieces[k]
        assert c0 + x * (c1 + x * (c2 + x * c3)) == pytest.approx(float(theirs(s)), abs=1e-13)


def test_the_panels_curve_solves_its_equation() -> None:
    """scipy's brentq on the single-diode equation itself."""
    of = PanelSource(
        kind="panel", photo_ampere=5.0, saturation_ampere=3e-9, slope_volt=1.02, ohm=0.25, shunt_ohm=250.0
    )
    panel = Panel(of)

    def current(v: float) -> float:
        def miss(i: float) -> float:
            x = v + i * of.ohm
            return (
                of.photo_ampere - of.saturation_ampere * math.expm1(x / of.slope_volt) - x / of.shunt_ohm - i
            )

        return float(brentq(miss, -50.0, 6.0, xtol=1e-14))

    for v in (0.0, 5.0, 12.0, 17.0, 20.0, 21.5):
        assert panel.volts(current(v)) == pytest.approx(v, abs=1e-8)
    load = 3.0
    i = panel.available(load, 0.0)
    assert panel.volts(i) == pytest.approx(load * i, rel=1e-9)


def test_a_lead_with_inductance_kicks_by_its_slope() -> None:
    bench = Bench.model_validate(
        {
            "title": "coil",
            "source": {"kind": "thevenin", "volt": 12.0, "ohm": 0.1},
            "leads": {"ohm": 0.0, "henry": 5e-6},
        }
    )
    plant = build_plant(section(), bench, 1)
    plant.control(
        {"relay": "closed", "stage": "hold", "level.current": 2.0, "limit.current": 6.0, "slew": 20_000.0}, 0
    )
    plant.advance(90_000)  # the ramp lasts 100 us, the lag is 20 us
    slope = 20_000.0 * (1.0 - math.exp(-90e-6 * 2 * math.pi * 8e3))
    amps = plant.at("input.current", 90_000)
    assert plant.at("input.terminal_voltage", 90_000) == pytest.approx(
        12.0 - 0.1 * amps - 5e-6 * slope, rel=1e-9
    )
