"""The heated room: exact exponentials, and crossings where they are."""

from __future__ import annotations

import math

import pytest

from wirevow.emu.bench import Bench
from wirevow.emu.plant.build import build_plant
from wirevow.emu.plant.interface import Plant
from wirevow.emu.plant.room_section import RoomPlant

S = 1_000_000_000
ROOM = RoomPlant(
    kind="room",
    heater_watt=1000.0,
    loss_kelvin_per_watt=0.02,
    window_kelvin_per_watt=0.03,
    room_joule_per_kelvin=3e5,
    sensor_lag_second=20.0,
    outside_celsius=10.0,
)
TAU = 0.02 * 3e5


def room(bench: Bench | None = None) -> Plant:
    return build_plant(ROOM, bench, 1, horizon_ns=10 * S)


def test_the_air_follows_its_exponential() -> None:
    plant = room()
    plant.control({"heater": 0.5}, 0)
    assert plant.advance(3000 * S) is None
    assert plant.at("room.air", 3000 * S) == pytest.approx(
        10.0 + 10.0 * (1.0 - math.exp(-3000 / TAU)), rel=1e-12
    )
    assert plant.at("heater.power", 3000 * S) == 500.0


def test_the_thermometer_lags_by_its_time_constant_on_a_slope() -> None:
    plant = room()
    plant.control({"heater": 1.0}, 0)
    plant.advance(200 * S)
    lag = plant.at("room.air", 200 * S) - plant.at("room.temperature", 200 * S)
    slope = (plant.at("room.air", 200 * S) - plant.at("room.air", 199 * S)) / 1.0
    assert lag == pytest.approx(20.0 * slope, rel=0.01)


def test_a_crossing_is_found_to_the_nanosecond() -> None:
    plant = room()
    plant.control({"heater": 1.0}, 0)
    plant.watch(1, "room.temperature", True, 20.0)
    crossing = plant.advance(10**6 * S)
    assert crossing is not None
    assert (
        plant.at("room.temperature", crossing.when_ns)
        > 20.0
        >= plant.at("room.temperature", crossing.when_ns - 1)
    )


def test_an_open_window_and_a_broken_sensor() -> None:
    bench = Bench.model_validate(
        {
            "title": "window",
            "timeline": [
                {"at_second": 100, "event": "window", "value": "open"},
                {"at_second": 200, "event": "sensor", "value": "open"},
            ],
        }
    )
    plant = room(bench)
    plant.control({"heater": 1.0}, 0)
    plant.watch(1, "room.temperature", False, -20.0)
    crossing = plant.advance(10**5 * S)
    assert crossing is not None
    assert crossing.when_ns == 200 * S
    assert plant.at("room.temperature", 200 * S) == ROOM.open_reads_celsius
    plant.advance(10**5 * S)
    way = 0.02 * 0.03 / 0.05
    assert plant.at("room.air", 10**5 * S) == pytest.approx(10.0 + 1000.0 * way, abs=1e-6)


def test_reads_change_nothing() -> None:
    def run(step: int) -> float:
        plant = room()
        plant.control({"heater": 0.7}, 0)
        for ns in range(step, 1000 * S + 1, step):
            plant.advance(ns)
            plant.sample("room.temperature", ns // S, S)
        plant.advance(1000 * S)
        return plant.at("room.temperature", 1000 * S)

    assert run(1000 * S) == run(7 * S)


def test_a_control_it_does_not_have() -> None:
    with pytest.raises(ValueError, match="no control 'cooler'"):
        room().control({"cooler": 1.0}, 0)
