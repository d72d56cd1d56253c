"""Textbook limits and published laws."""

from __future__ import annotations

import math

import pytest

from tests.reference.discharge import section
from wirevow.emu.bench import Bench
from wirevow.emu.plant.build import build_plant
from wirevow.emu.plant.heat import air_conductance
from wirevow.emu.plant.interface import Plant
from wirevow.emu.plant.sink_section import BetaLaw, SteinhartHartLaw
from wirevow.emu.plant.thermistor import celsius, resistance_ohm

S = 1_000_000_000


def drawing(source: dict[str, object], mode: str, level: float, ohm: float = 0.0) -> Plant:
    bench = Bench.model_validate({"title": "textbook", "source": source, "leads": {"ohm": ohm}})
    plant = build_plant(section(), bench, 1)
    plant.control(
        {"relay": "closed", "stage": "hold", "mode": mode, f"level.{mode}": level, "limit.current": 8.0}, 0
    )
    return plant


def test_greatest_power_of_a_source_is_v_squared_over_four_r() -> None:
    """Maximum power transfer: V^2 / (4 R), at half the voltage."""
    best = max(
        (lambda p: (p.advance(S), p.at("input.power", S), p.at("input.voltage", S))[1:])(
            drawing({"kind": "thevenin", "volt": 10.0, "ohm": 1.0}, "current", amps / 100)
        )
        for amps in range(450, 551, 5)
    )
    assert best[0] == pytest.approx(10.0**2 / 4.0, rel=1e-6)
    assert best[1] == pytest.approx(5.0, rel=1e-6)


def test_a_bank_at_constant_power_falls_as_the_root_of_its_energy() -> None:
    """E = C V^2 / 2, so at constant power (no resistance) V^2 falls in a line."""
    farad, watt = 50.0, 30.0
    plant = drawing({"kind": "bank", "farad": farad, "volt": 16.0, "ohm": 0.0}, "power", watt)
    plant.advance(60 * S)
    drawn = plant.at("energy", 60 * S)
    assert plant.at("input.voltage", 60 * S) == pytest.approx(
        math.sqrt(16.0**2 - 2 * drawn / farad), rel=1e-7
    )
    # From settled on, the energy is power times time.
    assert drawn - plant.at("energy", 60 * S) + watt * 60 == pytest.approx(1800.0, abs=1e-9)
    plant.advance(120 * S)
    assert plant.at("energy", 120 * S) - drawn == pytest.approx(watt * 60.0, rel=1e-4)


def test_a_bank_at_constant_current_falls_in_a_line() -> None:
    plant = drawing({"kind": "bank", "farad": 10.0, "volt": 10.0, "ohm": 0.1}, "current", 2.0)
    plant.advance(20 * S)
    assert plant.at("input.voltage", 20 * S) == pytest.approx(10.0 - 2.0 * 20.0 / 10.0 - 0.2, abs=1e-4)


def test_a_bank_run_down_into_the_saturated_stage_is_an_rc() -> None:
    """Below the level's headroom the stage is a resistance: V falls with exp(-t / RC)."""
    farad, ohm = 2.0, 0.05 + 0.12
    plant = drawing({"kind": "bank", "farad": farad, "volt": 5.0, "ohm": 0.05}, "current", 8.0)
    plant.advance(S // 10)
    plant.watch(1, "input.current", False, 4.0)
    half = plant.advance(100 * S)
    plant.unwatch(1)
    plant.watch(1, "input.current", False, 2.0)
    quarter = plant.advance(100 * S)
    assert half is not None
    assert quarter is not None
    assert (quarter.when_ns - half.when_ns) * 1e-9 == pytest.approx(farad * ohm * math.log(2.0), abs=2e-9)
    plant.advance(100 * S)
    assert plant.at("input.current", 100 * S) == pytest.approx(0.0, abs=1e-8)


@pytest.mark.parametrize("amps", [0.35, 1.4, 5.0])
def test_lead_acid_at_high_rate_follows_peukert(amps: float) -> None:
    """t = H (C / (I H))^k (Peukert 1897): time from full to state of charge 0."""
    hours, capacity, k = 20.0, 7.0, 1.2
    source = {
        "kind": "battery",
        "cells": 6,
        "ampere_hour": capacity,
        "table": [{"soc": s, "volt": 2.0 + 0.1 * s, "ohm": 0.001} for s in (0.0, 0.5, 1.0)],
        "peukert": {"exponent": k, "hours": hours},
    }
    plant = drawing(source, "current", amps)
    plant.watch(1, "battery.soc", False, 0.0)
    empty = plant.advance(100 * 3600 * S)
    assert empty is not None
    expected = hours * (capacity / (amps * hours)) ** k
    assert empty.when_ns / (3600 * S) == pytest.approx(expected, rel=1e-6)


def test_one_ampere_hour_is_3600_coulomb() -> None:
    """SI."""
    plant = drawing({"kind": "thevenin", "volt": 10.0, "ohm": 0.0}, "current", 1.0)
    plant.advance(3600 * S)
    assert plant.at("charge", 3600 * S) == pytest.approx(3600.0, abs=1e-4)
    assert plant.at("energy", 3600 * S) == pytest.approx(36_000.0, abs=1e-3)


def test_headroom_is_about_a_volt_at_eight_ampere() -> None:
    """0.125 Ohm in all (common practice, no source)."""
    bench = Bench.model_validate({"title": "low", "source": {"kind": "thevenin", "volt": 1.0, "ohm": 0.0}})
    stage = {"saturation_ohm": 0.125}
    plant = build_plant(section(stage=stage), bench.model_copy(update={"leads": bench.leads}), 1)
    plant.bench("lead.resistance", 0.0, 0)
    plant.control({"relay": "closed", "stage": "hold", "level.current": 8.4}, 0)
    plant.advance(S)
    assert plant.at("input.current", S) == pytest.approx(8.0, rel=1e-9)


def test_thermistor_b_parameter_form() -> None:
    """B25/85 is defined by the resistances at 25 and 85 Cel (IEC 60539-1)."""
    law = BetaLaw(form="beta", r25_ohm=10_000.0, b_kelvin=3977.0)
    assert resistance_ohm(law, 25.0) == pytest.approx(10_000.0)
    b = math.log(resistance_ohm(law, 25.0) / resistance_ohm(law, 85.0)) / (1 / 298.15 - 1 / 358.15)
    assert b == pytest.approx(3977.0)
    for t in (-40.0, 0.0, 60.0, 120.0):
        assert celsius(law, resistance_ohm(law, t)) == pytest.approx(t, abs=1e-9)


def test_thermistor_three_coefficient_form() -> None:
    """Steinhart and Hart 1968; coefficients of a 10 kOhm part (from memory) give 25 Cel at 10 kOhm."""
    law = SteinhartHartLaw(form="steinhart-hart", a=1.129148e-3, b=2.34125e-4, c=8.76741e-8)
    assert celsius(law, 10_000.0) == pytest.approx(25.0, abs=0.01)
    for t in (-40.0, 0.0, 60.0, 120.0):
        assert celsius(law, resistance_ohm(law, t)) == pytest.approx(t, abs=1e-9)


def test_forced_convection_goes_with_the_root_of_speed_above_still_air() -> None:
    """Laminar flat plate, mean Nu = 0.664 Re^0.5 Pr^(1/3): conductance with the root of the velocity."""
    heat = section().heat
    full = air_conductance(heat, 0.5, 1.0, 0.0)
    assert air_conductance(heat, 0.5, 0.25, 0.0) == pytest.approx(0.5 * full)
    assert air_conductance(heat, 0.5, 0.0, 0.0) == pytest.approx(1.0 / heat.still_kelvin_per_watt)
    assert air_conductance(heat, 0.5, 1e-6, 0.0) == pytest.approx(1.0 / heat.still_kelvin_per_watt)


def test_a_warm_sink_rests_at_power_times_resistance() -> None:
    """Steady state: each step of the ladder takes power times its resistance."""
    plant = drawing({"kind": "thevenin", "volt": 12.0, "ohm": 0.0}, "current", 2.0)
    plant.advance(36_000 * S)
    heat = section().heat
    watt = plant.at("input.power", plant.now_ns)
    nodes = [plant.at(f"heat.{n}", plant.now_ns) for n in ("junction", "case", "sink")]
    assert nodes[0] - nodes[1] == pytest.approx(watt * heat.junction_to_case_kelvin_per_watt)
    assert nodes[1] - nodes[2] == pytest.approx(watt * heat.case_to_sink_kelvin_per_watt)
    assert nodes[2] - 23.0 == pytest.approx(watt * heat.still_kelvin_per_watt)
