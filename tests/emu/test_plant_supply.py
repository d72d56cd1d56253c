"""The example of a bench supply: its physics against closed forms and another solver, and how it is checked.

Closed forms are those of any textbook on circuits: a capacitor discharges as v0 exp(-t / R C), and a constant
current charges it beside a resistance as I R (1 - exp(-t / R C)).
"""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import pytest
from scipy.integrate import solve_ivp

import wirevow
from tests.protocol.conformance.instruments import hands_on, try_purpose, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults.change import with_trip
from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.build import plant_of
from wirevow.emu.plant.interface import Plant
from wirevow.emu.plant.registry import fitted
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import compile_vow

SPEC = Path(__file__).parents[2] / "spec"
S = 1_000_000_000
MS = 1_000_000
RAIL, FARAD, BLEEDER, SHORT, BEHIND = 42.0, 470e-6, 2200.0, 0.02, 0.005
KELVIN_PER_WATT, JOULE_PER_KELVIN = 0.5, 300.0
"""As in spec/supply.yaml."""


def supply() -> Plant:
    return plant_of(fitted(load_document(SPEC / "supply.yaml")), None, 1)


def beside(ohm: float) -> float:
    """A load and the bleeder together."""
    return 1.0 / (1.0 / ohm + 1.0 / BLEEDER)


def test_it_charges_by_a_constant_current_and_discharges_as_a_textbook_says() -> None:
    plant = supply()
    plant.bench("load.resistance", 100.0, 0)
    ohm = beside(100.0)
    plant.control({"volts": 30.0, "amperes": 0.2, "output": "on"}, 0)
    for ms in (1, 20, 90, 700):
        plant.advance(ms * MS)
        expected = 0.2 * ohm * -math.expm1(-ms * 1e-3 / (ohm * FARAD))
        assert plant.at("output.voltage", ms * MS) == pytest.approx(expected, rel=1e-5)
        assert plant.at("output.current", ms * MS) == pytest.approx(0.2, abs=1e-12)
    begun = plant.at("output.voltage", plant.now_ns)
    plant.control({"output": "off"}, plant.now_ns)
    for ms in (10, 50, 200):
        plant.advance((700 + ms) * MS)
        expected = begun * math.exp(-ms * 1e-3 / (ohm * FARAD))
        assert plant.at("output.voltage", plant.now_ns) == pytest.approx(expected, rel=1e-4)


def test_it_crosses_over_where_the_load_takes_what_it_may() -> None:
    plant = supply()
    plant.control({"volts": 10.0, "amperes": 2.0, "output": "on"}, 0)
    for second, ohm in enumerate((20.0, 6.0, 4.0, 1.0), 1):
        plant.bench("load.resistance", ohm, plant.now_ns)
        plant.advance(second * S)
        held = 10.0 * beside(ohm) / (beside(ohm) + BEHIND)  # the voltage divider of both resistances
        volt, ampere = min((held, held / beside(ohm)), (2.0 * beside(ohm), 2.0))
        assert plant.at("output.voltage", plant.now_ns) == pytest.approx(volt, rel=1e-5)
        assert plant.at("output.current", plant.now_ns) == pytest.approx(ampere, rel=1e-3)


# Seconds, set voltage and current, load, whether that is shorted, whether the relay is closed.
COURSE = [
    (30.0, 12.0, 1.5, 10.0, False, True),
    (40.0, 12.0, 1.5, 4.0, False, True),
    (20.0, 12.0, 1.5, 4.0, True, True),
    (60.0, 24.0, 5.0, 8.0, False, True),
    (5.0, 6.0, 5.0, 1e5, False, True),
    (30.0, 6.0, 5.0, 1e5, False, False),
]


def test_it_is_what_another_solver_makes_of_the_same_equations() -> None:
    """Radau of scipy at 1e-9: E. Hairer and G. Wanner, Solving Ordinary Differential Equations II, IV.8."""
    plant = supply()
    states = [0.0, 23.0, 0.0]
    for seconds, volts, amps, ohm, shorted, on in COURSE:
        plant.bench("load.resistance", ohm, plant.now_ns)
        plant.bench("load.shorted", "yes" if shorted else "no", plant.now_ns)
        plant.control({"volts": volts, "amperes": amps, "output": "on" if on else "off"}, plant.now_ns)
        siemens = 1.0 / ohm + 1.0 / BLEEDER + (1.0 / SHORT if shorted else 0.0)

        def rates(
            _t: float,
            y: list[float],
            volts: float = volts,
            amps: float = amps,
            siemens: float = siemens,
            on: bool = on,
        ) -> list[float]:
            v, warm, _ = y
            i = min(max((volts - v) / BEHIND, -0.5), amps) if on else 0.0
            watt = i * (RAIL - v) if i > 0 else -i * v
            return [
                (i - v * siemens) / FARAD,
                (watt - (warm - 23.0) / KELVIN_PER_WATT) / JOULE_PER_KELVIN,
                i * v,
            ]

        run = solve_ivp(rates, (0.0, seconds), states, method="Radau", rtol=1e-9, atol=1e-10)
        states = run.y[:, -1].tolist()
        plant.advance(plant.now_ns + round(seconds * S))
        now = plant.now_ns
        assert plant.at("output.voltage", now) == pytest.approx(states[0], rel=1e-4, abs=1e-6)
        assert plant.at("heat.sink", now) == pytest.approx(states[1], abs=2e-3)
        assert plant.at("energy", now) == pytest.approx(states[2], rel=1e-4)


def test_its_relay_saves_the_load_from_a_stage_that_has_failed() -> None:
    plant = supply()
    plant.control({"volts": 5.0, "amperes": 1.0, "output": "on"}, 0)
    plant.advance(S)
    plant.bench("stage", "shorted", S)
    plant.advance(2 * S)
    assert plant.at("output.voltage", 2 * S) > 40.0
    plant.control({"output": "off"}, 2 * S)
    plant.advance(3 * S)
    assert plant.at("output.voltage", 3 * S) == pytest.approx(0.0, abs=1e-6)
    assert plant.at("output.current", 3 * S) == 0.0


def test_it_is_as_short_as_it_says() -> None:
    assert len((SPEC / "supply.py").read_text(encoding="utf-8").splitlines()) <= 120


def test_it_runs_from_a_copy_of_its_two_files(tmp_path: Path) -> None:
    for name in ("supply.yaml", "supply.py"):
        shutil.copy(SPEC / name, tmp_path / name)
    with wirevow.emulate(tmp_path / "supply.yaml", bench="shorted-load") as run:
        run.client.output.start()
        run.advance(seconds=30)
        assert run.client.read("self.state") == {"self.state": "current"}  # 5 V on 4.7 Ohm, and 1 A at most
        run.client.supply.amps.put(2.0)
        run.advance(seconds=5)
        assert run.client.read("self.state") == {"self.state": "voltage"}
        run.advance(seconds=35)
        assert run.client.read("self.state") == {"self.state": "current"}
        run.advance(seconds=55)
        assert run.client.read("trip.last")["trip.last"].split()[0] == "overvoltage"


# ----------------------------------------------------------------------------------------------- the check


@pytest.mark.parametrize(
    ("name", "about"),
    [("limit", "limit.current"), ("wherever_armed_at_last", "trip.overheat.fires")],
)
def test_what_lawfully_goes_on_or_comes_to_nothing_is_not_accused(name: str, about: str) -> None:
    """A limit's own provocation leads to another state in which it holds; a short warms nothing while off."""
    try_purpose(hands_on("supply"), name, about)


def test_a_limit_is_judged_where_the_instrument_has_gone_by_itself(tmp_path: Path) -> None:
    shutil.copy(SPEC / "supply.py", tmp_path)
    text = (SPEC / "supply.yaml").read_text(encoding="utf-8")
    strict = tmp_path / "strict.yaml"
    strict.write_text(text.replace("high: supply.amps + 0.02", "high: supply.amps - 0.05"), encoding="utf-8")
    vow = compile_vow(load_document(strict).document)
    with pytest.raises(Broken) as caught:
        try_purpose(direct_tester(vow, Instrument(vow)), "limit", "limit.current")
    assert caught.value.judgement.expected == "output.current at most 1.45"


def test_a_trip_that_the_readings_show_due_is_still_missed_in_a_state_without_power() -> None:
    vow = vow_of("supply")
    blind = with_trip(vow, "sensor", armed_in=vow.trips["sensor"].armed_in - {"off"})
    with pytest.raises(Broken):
        try_purpose(direct_tester(vow, Instrument(blind)), "wherever_armed_at_last", "trip.sensor.fires")


@pytest.mark.parametrize("name", ["supply", "bath", "brae"])
def test_a_reading_that_stands_still_is_what_its_trip_has_to_report(name: str) -> None:
    good, bad = hands_on(name), hands_on(name, "trip-reports-threshold")
    for hands in (good, bad):
        hands.acquaint()
    try_purpose(good, "reports_what_stands", "trip.sensor.report")
    with pytest.raises(Broken) as caught:
        try_purpose(bad, "reports_what_stands", "trip.sensor.report")
    assert caught.value.judgement.requirement == "trip.sensor.report"


def test_what_a_bath_hides_is_seen_beside_what_is_read() -> None:
    name = "state.holding.leave.1"
    try_purpose(hands_on("bath"), "beside_what_is_read", name)
    with pytest.raises(Broken) as caught:
        try_purpose(hands_on("bath", "reading-stuck"), "beside_what_is_read", name)
    assert caught.value.judgement.requirement == name
