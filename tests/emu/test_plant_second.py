"""A sink's second thermistor, and what goes by it."""

from __future__ import annotations

from pathlib import Path

import pytest
from scipy.integrate import solve_ivp

from tests.emu.test_plant_sink import now, run, sink, supply
from tests.reference.discharge import section
from wirevow.emu.control.cooling import Cooling, DeratingCurve, FanCurve
from wirevow.emu.plant.build import build_plant
from wirevow.emu.plant.interface import Crossing, Plant
from wirevow.emu.plant.registry import terminals_of
from wirevow.emu.plant.thermistor import resistance_ohm
from wirevow.protocol.document.load import read_document

S = 1_000_000_000


def second(on: str, **more: object) -> dict[str, object]:
    law = {"form": "beta", "r25_ohm": 1e4, "b_kelvin": 3435.0}
    return {"second_thermistor": {"law": law, "divider_ohm": 10000.0, "on": on, "lag_second": 2.0, **more}}


def warming(on: str) -> Plant:
    plant = sink(**second(on))
    plant.control({"stage": "hold", "level.current": 4.0}, 0)
    return plant


@pytest.mark.parametrize("on", ["case", "sink", "air"])
def test_it_follows_where_it_is_with_its_lag(on: str) -> None:
    """Against scipy's integration of T' = (there - T) / lag, with what is there as the plant tells it."""
    plant = warming(on)
    times, there, told = [0.0], [23.0], [23.0]
    for turn in range(1, 121):
        if turn == 60:
            plant.bench("ambient", 40.0, plant.now_ns)
        run(plant, 0.25)
        times.append(turn * 0.25)
        there.append(now(plant, f"heat.{on}"))
        told.append(now(plant, "heat.second"))

    def slope(t: float, y: list[float]) -> list[float]:
        at = min(int(t * 4.0), 119)
        share = t * 4.0 - at
        if on == "air":
            share = 1.0  # it steps
        return [(there[at] + (there[at + 1] - there[at]) * share - y[0]) / 2.0]

    theirs = solve_ivp(slope, (0.0, 30.0), [23.0], t_eval=times, rtol=1e-8, atol=1e-8, max_step=0.05).y[0]
    # The air steps at 14.75 s, a quarter of a second before it is looked at.
    assert told == pytest.approx(theirs.tolist(), abs=0.02)


@pytest.mark.parametrize(("condition", "volt", "celsius"), [("open", 5.0, -55.0), ("shorted", 0.0, 200.0)])
def test_a_broken_one_reads_at_the_ends_and_the_first_goes_on(
    condition: str, volt: float, celsius: float
) -> None:
    plant = warming("case")
    run(plant, 30.0)
    first = now(plant, "heat.temperature")
    plant.bench("second_thermistor", condition, plant.now_ns)
    assert (now(plant, "heat.second_voltage"), now(plant, "heat.second")) == (volt, celsius)
    assert now(plant, "heat.temperature") == first > 23.5


def test_its_divider_can_be_driven() -> None:
    plant = warming("sink")
    ohm = resistance_ohm(section(**second("sink")).second_thermistor.law, 60.0)
    plant.bench("second_thermistor.voltage", 5.0 * ohm / (ohm + 10000.0), 0)
    plant.bench("second_thermistor", "driven", 0)
    assert now(plant, "heat.second") == pytest.approx(60.0)


@pytest.mark.parametrize("signal", ["heat.second", "heat.second_voltage"])
def test_it_can_be_watched(signal: str) -> None:
    above = signal == "heat.second"
    whole, parts = warming("case"), warming("case")
    run(whole, 20.0)
    threshold = now(whole, signal)
    run(whole, 20.0)
    assert parts.watch(1, signal, above, threshold) is False
    crossing = parts.advance(40 * S)
    assert crossing == Crossing(1, parts.now_ns, True)
    assert crossing.when_ns == pytest.approx(20 * S, abs=1000)
    run(parts, (40 * S - parts.now_ns) * 1e-9)
    assert parts.at(signal, 40 * S) == whole.at(signal, 40 * S)


def test_the_fan_may_go_by_it() -> None:
    fan = FanCurve(S, (30.0,), (1.0,), 4.0)
    cooling = Cooling(fan, None, frozenset(["heat.second"]))
    plant = build_plant(section(**second("case")), supply(), 1, cooling)
    plant.control({"relay": "closed", "limit.current": 8.0, "stage": "hold", "level.current": 4.0}, 0)
    assert plant.watch(1, "fan.duty", True, 0.5) is False
    while now(plant, "fan.duty") < 0.5:
        before = now(plant, "heat.second")
        run(plant, 1.0)
    assert before < 30.0 <= now(plant, "heat.second")
    both = Cooling(fan, DeratingCurve(60.0, 90.0, 0.5), frozenset(["heat.second", "heat.temperature"]))
    with pytest.raises(ValueError, match="two thermistors"):
        build_plant(section(**second("case")), supply(), 1, both)


def test_fan_and_derating_that_step_in_one_instant_leave_the_temperatures_as_they_were() -> None:
    cooling = Cooling(FanCurve(S, (40.0,), (1.0,), 4.0), DeratingCurve(40.0, 60.0, 0.1))
    plant = build_plant(section(), supply(), 1, cooling)
    plant.control({"relay": "closed", "stage": "hold", "level.current": 8.0, "limit.current": 8.0}, 0)
    plant.control({"limit.power": 120.0}, 0)
    while now(plant, "fan.duty") == 0.0:
        plant.advance(plant.now_ns + S)
    assert now(plant, "heat.ceiling") < 120.0
    names = ("heat.junction", "heat.case", "heat.sink", "heat.temperature")
    before, after = ([plant.at(name, plant.now_ns - back) for name in names] for back in (1, 0))
    assert after == pytest.approx(before, abs=1e-6)


def test_a_document_without_one_has_no_such_signal() -> None:
    text = (Path(__file__).parents[2] / "spec" / "tarn.yaml").read_text(encoding="utf-8")
    terminals = terminals_of(read_document(text, "tarn.yaml").document)
    assert terminals is not None
    assert not {"heat.second", "second_thermistor"} & {*terminals.signals, *terminals.events}
