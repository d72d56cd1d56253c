"""Reads change nothing: values and events are bitwise the same however reads and `advance` cut the time."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reference.discharge import cooling, pack, section
from wirevow.emu.bench import Bench
from wirevow.emu.plant.build import build_plant
from wirevow.emu.plant.interface import Plant
from wirevow.emu.plant.terminals import SIGNALS

SOURCES: list[dict[str, object] | None] = [
    {"kind": "supply", "volt": 12, "limit_ampere": 3},
    {"kind": "thevenin", "volt": 10, "ohm": 0.5},
    {"kind": "bank", "farad": 0.5, "volt": 16, "ohm": 0.05},
    {
        "kind": "panel",
        "photo_ampere": 5,
        "saturation_ampere": 1e-9,
        "slope_volt": 0.9,
        "ohm": 0.2,
        "shunt_ohm": 200,
    },
    None,
]
SECOND = {
    "second_thermistor": {
        "law": {"form": "beta", "r25_ohm": 1e4, "b_kelvin": 3950.0},
        "divider_ohm": 1e4,
        "on": "case",
        "lag_second": 0.5,
    },
    "stage": {"saturation_ohm": 0.12, "transistors": 3},
}
WATCHES = [
    ("input.voltage", True, 11.0), ("input.current", True, 3.0), ("input.power", True, 30.0),
    ("heat.temperature", True, 40.0), ("input.voltage", False, 5.0), ("heat.junction", True, 50.0),
    ("fan.speed", False, 500.0), ("heat.sensor_voltage", True, 2.5),
    ("heat.second", True, 30.0), ("stage.other", True, 1.0),
]  # fmt: skip


def disturb(plant: Plant, r: random.Random) -> None:
    """One random change of a setting or of the bench; what does not fit is refused and changes nothing."""
    table = plant.controls if r.random() < 0.6 else plant.events
    name = r.choice(sorted(table))
    control = table[name]
    high = min(
        control.high,
        {"A": 6.0, "V": 20.0, "W": 100.0, "Ohm": 50.0, "s": 0.1, "A/s": 1e5}.get(control.unit, 1.0),
    )
    if name == "relay":
        value: float | str = r.choice(["open", "closed", "closed", "closed"])
    elif name == "stage" and table is plant.controls:
        value = r.choice(["hold", "hold", "run", "swing", "off"])
    elif control.choices:
        value = r.choice(control.choices)
    else:
        value = 1.0 if control.pulse else max(control.low, r.random() * high)
    if name.startswith("trim."):
        return
    try:
        if table is plant.controls:
            plant.control({name: value}, plant.now_ns)
        else:
            plant.bench(name, value, plant.now_ns)
    except ValueError as refused:
        if "does not fit" not in str(refused):
            raise


def history(seed: int, cuts: random.Random) -> list[object]:
    r = random.Random(seed)
    source = r.choice(SOURCES)
    leads = {"ohm": 0.03, "henry": r.choice([0.0, 1e-6])}
    bench = (
        pack(ampere_hour=0.05)
        if source is None
        else Bench.model_validate({"title": "any", "source": source, "leads": leads})
    )
    bits = {"level": {"full_scale_ampere": 8.4, "bits": 12}} if r.random() < 0.5 else {}
    plant = build_plant(section(**SECOND, **bits), bench, seed, cooling())
    plant.control({"relay": "closed", "stage": "hold", "level.current": 1.0, "limit.current": 6.0}, 0)
    for key, (signal, above, threshold) in enumerate(WATCHES):
        plant.watch(key, signal, above, threshold)
    log: list[object] = []
    for _ in range(6):
        disturb(plant, r)
        target = plant.now_ns + int(10 ** r.uniform(5, 8.3))
        for stop in [*sorted(cuts.randint(plant.now_ns, target) for _ in range(cuts.randint(0, 5))), target]:
            while (crossing := plant.advance(stop)) is not None:
                log.append(crossing)
            for signal in cuts.sample(sorted(SIGNALS), 5):
                plant.at(signal, plant.now_ns)
        values = {signal: plant.at(signal, target) for signal in sorted(SIGNALS)}
        log.append(values)
        # Whatever happens, the stage cannot go below its own resistance.
        if not leads["henry"]:
            least = 0.12 * abs(values["input.current"]) * (1 - 1e-6) - 1e-9
            assert abs(values["input.terminal_voltage"]) >= least
    return log


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 10**6))
def test_any_cutting_gives_the_same_history(seed: int, cut: int) -> None:
    assert history(seed, random.Random(cut)) == history(seed, random.Random(cut + 1))


def test_a_sample_depends_on_its_number_and_seed_only() -> None:
    channels = {"input.voltage": {"low": 0.0, "high": 40.0, "bits": 16, "noise_rms": 2e-3}}

    def samples(seed: int, order: list[int]) -> dict[int, float]:
        plant = build_plant(section(channels=channels), None, seed)
        plant.advance(200_000_000)
        return {tick: plant.sample("input.voltage", tick, 10_000_000) for tick in order}

    forward, backward = samples(1, list(range(20))), samples(1, list(range(19, -1, -1)))
    assert forward == backward
    assert samples(2, list(range(20))) != forward
    assert len(set(forward.values())) > 5


def test_values_before_the_horizon_are_refused() -> None:
    plant = build_plant(section(), None, 1, horizon_ns=50_000_000)
    for step in range(10):
        plant.advance(step * 100_000_000)
        plant.control({"level.current": 0.1 * step}, plant.now_ns)
        plant.bench("ambient", 20.0 + step, plant.now_ns)
    with pytest.raises(ValueError, match="horizon"):
        plant.at("input.voltage", 0)


def test_a_past_value_stays_what_it_was() -> None:
    plant = build_plant(section(**SECOND), None, 1)
    plant.control({"relay": "closed", "stage": "hold", "level.current": 1.0}, 0)
    plant.advance(50_000_000)
    seen = {signal: plant.at(signal, 50_000_000) for signal in SIGNALS if signal not in ("heat.ceiling",)}
    plant.advance(60_000_000)
    plant.bench("thermistor", "open", plant.now_ns)
    plant.bench("second_thermistor", "shorted", plant.now_ns)
    plant.bench("transistor", "open", plant.now_ns)
    plant.bench("lead.sense", "open", plant.now_ns)
    plant.control({"stage": "off"}, plant.now_ns)
    plant.advance(90_000_000)
    assert {signal: plant.at(signal, 50_000_000) for signal in seen} == seen
