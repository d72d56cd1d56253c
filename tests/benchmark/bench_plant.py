"""What simulated time costs, against one plain run of scipy's LSODA over the same equations."""

from __future__ import annotations

import statistics
import time
import tracemalloc
from collections.abc import Callable

from scipy.integrate import solve_ivp

from tests.reference.discharge import Equations, cooling, pack, section
from tests.reference.test_plant_ode import reference
from wirevow.emu.plant.build import build_plant
from wirevow.emu.plant.interface import Plant

BARS = {
    "ten_hours_vs_lsoda": ("at most", 1.0),
    "ten_hours_power_vs_lsoda": ("at most", 2.0),
    "thousand_reads_cost": ("at most", 3.0),
    "charge_error": ("at most", 1e-9),
    "charge_error_power": ("at most", 1e-6),
    "fleet_1000_kib": ("at most", 64.0),
    "fleet_1000_vs_one": ("at least", 0.8),
}
ROUNDS = 9
S = 1_000_000_000
CUT_OFF = 9.6
TRIPS = [
    ("input.voltage", True, 38.0), ("input.current", True, 6.7), ("input.power", True, 134.0),
    ("heat.temperature", True, 90.0), ("input.voltage", False, -0.5), ("heat.sensor_voltage", True, 4.9),
    ("heat.sensor_voltage", False, 0.1), ("sense.drop", True, 2.0),
]  # fmt: skip
POINTS = (
    "input.voltage", "input.terminal_voltage", "input.current", "input.power", "heat.temperature",
    "heat.sensor_voltage", "charge", "energy", "fan.duty", "battery.soc",
)  # fmt: skip
FLEET_LINES = [b"ask input.voltage\n", b"ask sink.level\n", b"put sink.level 1.000 A\n", b"ask self.uptime\n"]


def ours(mode: str, reads: int = 0) -> tuple[float, Plant]:
    """Seconds of processor time for a run to the cut-off, over ten hours; trips watched, fan on its tick."""
    plant = build_plant(section(), pack(), 7, cooling())
    plant.watch(1, "input.voltage", False, CUT_OFF)
    for key, (signal, above, threshold) in enumerate(TRIPS, 2):
        plant.watch(key, signal, above, threshold)
    begun = time.process_time()
    plant.control(
        {"relay": "closed", "stage": "run" if mode == "current" else "hold", "mode": mode,
         "level.current": 2.0, "level.power": 22.0, "limit.current": 6.0, "limit.power": 120.0},
        0,
    )  # fmt: skip
    for k in range(1, reads + 1):
        plant.advance(k * 36_000 * S // reads)
        now = plant.now_ns
        for point in POINTS:
            plant.at(point, now)
    crossing = plant.advance(45_000 * S)
    taken = time.process_time() - begun
    if crossing is None or crossing.key != 1 or plant.now_ns < 36_000 * S:
        raise AssertionError(f"the run was to end at its cut-off after ten hours, not with {crossing}")
    return taken, plant


def lsoda(mode: str, seconds: float) -> float:
    """Seconds of processor time of one plain LSODA run of the same length at rtol 1e-6."""
    f = Equations(section(), pack(), 0.25, *((2.0, None) if mode == "current" else (None, 22.0)))
    events = []
    if mode == "power":

        def ended(_t: float, y: list[float]) -> float:
            return f.circuit(float(y[0]), float(y[1]), float(y[2]))[1] - CUT_OFF

        ended.terminal = True  # type: ignore[attr-defined]
        events = [ended]
        seconds = 45_000.0
    begun = time.process_time()
    run = solve_ivp(f, (0.0, seconds), f.start(), method="LSODA", rtol=1e-6, events=events or None)
    if not run.success:
        raise AssertionError(run.message)
    return time.process_time() - begun


def error(mode: str) -> float:
    """The larger relative error of charge and energy at the cut-off, against LSODA at 1e-12."""
    _, plant = ours(mode)
    _, states = reference(mode)
    charge, energy = plant.at("charge", plant.now_ns), plant.at("energy", plant.now_ns)
    return max(abs(charge / states[7] - 1.0), abs(energy / states[8] - 1.0))


def fleet() -> tuple[float, float]:
    """(KiB of memory for one of 1,000 instruments, their answered lines per second over those of one)."""
    from pathlib import Path

    from wirevow.emu.instrument import Instrument
    from wirevow.protocol.document.load import load_document
    from wirevow.protocol.vow import compile_vow

    vow = compile_vow(load_document(Path(__file__).parents[2] / "spec" / "tarn.yaml").document)
    make: Callable[[int], Instrument] = lambda seed: Instrument(vow, None, seed)  # noqa: E731

    def lines(instruments: list[Instrument], rounds: int) -> float:
        begun = time.process_time()
        answered = 0
        for k in range(1, rounds + 1):
            for instrument in instruments:
                now = instrument.now_ns + 1_000_000
                instrument.receive(FLEET_LINES[k % len(FLEET_LINES)], now)
                instrument.advance(now + 1_000_000)
                answered += instrument.take().count(b"\n")
        return answered / (time.process_time() - begun)

    lines([make(0)], 200)
    tracemalloc.start()
    many = [make(seed) for seed in range(1000)]
    lines(many, 1)
    used = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    ratios = [lines(many, 5) / lines([make(0)], 5000) for _ in range(3)]
    return used / 1024 / len(many), statistics.median(ratios)


def measure() -> dict[str, float]:
    ours("current"), ours("power")
    ratios: dict[str, list[float]] = {"current": [], "power": [], "reads": []}
    for _ in range(ROUNDS):
        plain, plant = ours("current")
        other = lsoda("current", plant.now_ns * 1e-9)
        ratios["current"].append(plain / other)
        ratios["reads"].append(ours("current", 1000)[0] / max(plain, other))
        ratios["power"].append(ours("power")[0] / lsoda("power", 0.0))
    kib, scaling = fleet()
    return {
        "ten_hours_vs_lsoda": statistics.median(ratios["current"]),
        "ten_hours_power_vs_lsoda": statistics.median(ratios["power"]),
        "thousand_reads_cost": statistics.median(ratios["reads"]),
        "charge_error": error("current"),
        "charge_error_power": error("power"),
        "fleet_1000_kib": kib,
        "fleet_1000_vs_one": scaling,
    }
