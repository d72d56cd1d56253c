"""A stage of transistors in parallel, of which one fails."""

from __future__ import annotations

import pytest

from tests.emu.test_plant_sink import now, run, sink, supply
from tests.reference.discharge import section
from wirevow.emu.bench import Bench
from wirevow.emu.plant.interface import Crossing, Plant
from wirevow.emu.plant.sink_section import Stage

S = 1_000_000_000
OF_FOUR = {"saturation_ohm": 0.12, "transistors": 4, "transistor_ohm": 0.4}


def four(bench: Bench | None = None, level: float = 4.0, **stage: object) -> Plant:
    plant = sink(bench, stage={**OF_FOUR, **stage})
    plant.control({"stage": "hold", "level.current": level}, 0)
    return plant


def test_they_share_the_current_and_with_one_open_the_others_carry_its_share() -> None:
    plant = four()
    run(plant, 1.0)
    assert (now(plant, "stage.first"), now(plant, "stage.other")) == pytest.approx((1.0, 1.0))
    plant.bench("transistor", "open", plant.now_ns)
    run(plant, 1.0)
    assert now(plant, "input.current") == pytest.approx(4.0)
    assert (now(plant, "stage.first"), now(plant, "stage.other")) == pytest.approx((0.0, 4.0 / 3.0))
    assert now(plant, "stage.spread") == pytest.approx(4.0 / 3.0)


def test_with_one_open_the_others_get_hotter_by_what_the_heat_has_to_pass() -> None:
    heat = section().heat
    rise = []
    for condition in ("good", "open"):
        plant = four()
        plant.bench("transistor", condition, 0)
        run(plant, 3600.0)
        rise.append((now(plant, "heat.junction") - now(plant, "heat.sink")) / now(plant, "input.power"))
    per_watt = heat.junction_to_case_kelvin_per_watt + heat.case_to_sink_kelvin_per_watt
    assert rise == pytest.approx([per_watt, per_watt * 4.0 / 3.0], rel=5e-3)


def test_no_temperature_jumps_when_one_opens() -> None:
    plant = four()
    run(plant, 300.0)
    names = ("heat.junction", "heat.case", "heat.sink", "heat.temperature")
    before = [now(plant, name) for name in names]
    plant.bench("transistor", "open", plant.now_ns)
    assert [now(plant, name) for name in names] == pytest.approx(before, abs=1e-9)


def test_with_one_open_less_current_can_be_held() -> None:
    # 0.02 Ohm of path, 0.4 Ohm each: 0.12 Ohm of four, 0.1533 Ohm of three; 0.05 Ohm of source and leads.
    plant = four(supply(volt=1.0), level=8.0)
    run(plant, 1.0)
    assert now(plant, "input.current") == pytest.approx(1.0 / 0.17, rel=1e-6)
    plant.bench("transistor", "open", plant.now_ns)
    run(plant, 1.0)
    assert now(plant, "input.current") == pytest.approx(1.0 / (0.05 + 0.02 + 0.4 / 3.0), rel=1e-6)


@pytest.mark.parametrize("stage", ["hold", "off"])
def test_one_shorted_takes_what_the_source_gives_until_the_relay_opens(stage: str) -> None:
    plant = four(supply(volt=3.0), level=1.0)
    plant.control({"stage": stage}, 0)
    plant.bench("transistor", "shorted", plant.now_ns)
    run(plant, 1.0)
    everything = 3.0 / (0.05 + 0.02 + 0.4)
    assert now(plant, "stage.first") == pytest.approx(everything, rel=1e-6)
    assert (now(plant, "input.current"), now(plant, "stage.other")) == pytest.approx((everything, 0.0))
    plant.control({"relay": "open"}, plant.now_ns)
    run(plant, 1.0)
    assert now(plant, "input.current") == 0.0


def test_one_shorted_is_stopped_by_the_limit_of_the_source() -> None:
    plant = four(supply(limit=6.0), level=1.0)
    plant.bench("transistor", "shorted", plant.now_ns)
    run(plant, 1.0)
    assert now(plant, "input.current") == pytest.approx(6.0, abs=0.05)


def test_reversed_a_shorted_one_conducts_without_the_diodes_drop() -> None:
    plant = four(supply(volt=2.0), level=1.0)
    plant.bench("source.polarity", "reversed", plant.now_ns)
    plant.bench("transistor", "shorted", plant.now_ns)
    run(plant, 1.0)
    assert now(plant, "input.current") == pytest.approx(-2.0 / 0.47, rel=1e-6)


def test_the_only_one_open_draws_nothing_and_mended_draws_again() -> None:
    plant = four(transistors=1, transistor_ohm=None)
    plant.bench("transistor", "open", plant.now_ns)
    run(plant, 1.0)
    assert (now(plant, "input.current"), now(plant, "input.voltage")) == (0.0, 12.0)
    plant.bench("transistor", "good", plant.now_ns)
    run(plant, 1.0)
    assert now(plant, "input.current") == pytest.approx(4.0)


def test_what_one_carries_can_be_watched() -> None:
    plant = four(level=0.0)
    plant.control({"level.current": 4.0, "slew": 4.0}, 0)
    assert plant.watch(1, "stage.other", True, 0.5) is False
    crossing = plant.advance(2 * S)
    assert crossing == Crossing(1, plant.now_ns, True)
    assert now(plant, "stage.other") == pytest.approx(0.5, abs=1e-6)
    assert plant.watch(2, "stage.first", False, 0.1) is False
    plant.bench("transistor", "open", plant.now_ns)
    assert plant.advance(2 * S) == Crossing(2, plant.now_ns, True)


def test_a_part_is_not_more_than_the_whole() -> None:
    with pytest.raises(ValueError, match="more than saturation_ohm"):
        Stage(saturation_ohm=0.1, transistors=2, transistor_ohm=0.3)
