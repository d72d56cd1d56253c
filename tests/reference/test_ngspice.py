"""The circuit simulator ngspice (Debian package `ngspice`) as a second opinion on circuits and heat.

Each test writes a netlist from the same numbers, runs it in batch mode and compares. Heat is a circuit too:
watts are amperes, kelvin volts, joules per kelvin farads.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from tests.reference.discharge import section
from wirevow.emu.bench import Bench
from wirevow.emu.plant.build import build_plant
from wirevow.emu.plant.heat import constants
from wirevow.emu.plant.sink_section import SinkPlant

S = 1_000_000_000


def ngspice(netlist: str, folder: Path, columns: int) -> np.ndarray:
    """Rows of (time or sweep, values...) that the netlist's `wrdata out.txt` wrote."""
    program = shutil.which("ngspice")
    if program is None:
        pytest.skip("ngspice is not installed: apt-get install ngspice")
    (folder / "circuit.cir").write_text(netlist)
    done = subprocess.run(
        [program, "-b", "circuit.cir"], cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )
    data = folder / "out.txt"
    if not data.exists():
        pytest.fail(f"ngspice wrote nothing: {done.stdout[-500:]} {done.stderr[-500:]}")
    rows = np.loadtxt(data)
    # wrdata repeats the scale before each value.
    return np.column_stack([rows[:, 0], rows[:, 1::2]])[:, : columns + 1]


def same_heat(
    parameters: SinkPlant, watts: Sequence[float], folder: Path, rel: float, *events: tuple[str, str]
) -> None:
    """A sink at 24 V in still air warms as in ngspice, with so many watts in each of its transistors.

    Each has its share of capacity and resistance, and its own way to the sink.
    """
    source = {"kind": "thevenin", "volt": 24.0, "ohm": 0.0}
    plant = build_plant(parameters, Bench.model_validate({"title": "x y z", "source": source}), 1)
    for event, value in (("lead.resistance", 0.0), *events):
        plant.bench(event, value, 0)
    amperes = sum(watts) / 24.0
    plant.control({"relay": "closed", "stage": "hold", "level.current": amperes, "limit.current": 8.0}, 0)
    g_jc, g_cs, g_sb, cj, cc, cs, cb = constants(parameters.heat, parameters.thermistor)
    number, hot = len(watts), watts.index(max(watts))
    ways = "".join(
        f"I{n} 0 j{n} {watt}\nCj{n} j{n} 0 {cj / number}\nRjc{n} j{n} c{n} {number / g_jc}\n"
        f"Cc{n} c{n} 0 {cc / number}\nRcs{n} c{n} s {number / g_cs}\n"
        for n, watt in enumerate(watts)
    )
    out = ngspice(
        f"""heat ladder
{ways}Cs s 0 {cs}
Rair s 0 {parameters.heat.still_kelvin_per_watt}
Rsb s b {1 / g_sb}
Cb b 0 {cb}
.options reltol=1e-7 abstol=1e-12 method=gear
.control
tran 0.05 600 0 0.05 uic
wrdata out.txt v(j{hot}) v(c{hot}) v(s) v(b)
.endc
.end
""",
        folder,
        4,
    )
    for t in (1.0, 10.0, 60.0, 300.0, 599.0):
        plant.advance(round(t * S))
        theirs = [np.interp(t, out[:, 0], out[:, k]) for k in range(1, 5)]
        names = ("heat.junction", "heat.case", "heat.sink", "heat.temperature")
        ours = [plant.at(name, plant.now_ns) - 23.0 for name in names]
        assert ours == pytest.approx(theirs, rel=rel, abs=2e-3)


def test_heat_ladder(tmp_path: Path) -> None:
    """Junction, case, sink and bead warming at 2 A."""
    same_heat(section(), (48.0,), tmp_path, 2e-3)


def test_two_of_three_transistors_carry_all(tmp_path: Path) -> None:
    """Three transistors on one sink, 3 A in the two that work."""
    apart = section(stage={"saturation_ohm": 0.12, "transistors": 3})
    # Ours leaves out the case that stays cold: a hundredth of what stores heat.
    same_heat(apart, (0.0, 36.0, 36.0), tmp_path, 1.2e-2, ("transistor", "open"))


def test_lead_drop_with_inductance(tmp_path: Path) -> None:
    """A ramp of current through resistance and inductance of the leads: voltage at the terminals."""
    bench = Bench.model_validate(
        {
            "title": "leads",
            "source": {"kind": "thevenin", "volt": 12.0, "ohm": 0.05},
            "leads": {"ohm": 0.1, "henry": 4e-6},
        }
    )
    plant = build_plant(section(), bench, 1)
    plant.control(
        {"relay": "closed", "stage": "hold", "level.current": 4.0, "slew": 20_000.0, "limit.current": 8.0}, 0
    )
    tau = 1.0 / (2 * np.pi * 8e3)
    # The stage's lag is an RC behind the ramp; its voltage is the current drawn.
    out = ngspice(
        f"""leads
Vramp r 0 pwl(0 0 200u 4 1m 4)
Rlag r i 1
Clag i 0 {tau}
Vs e 0 12
Rs e a 0.15
Ls a t 4u
Gload t 0 i 0 1
.options reltol=1e-6 method=gear
.control
tran 0.2u 400u 0 0.2u
wrdata out.txt v(t) v(i)
.endc
.end
""",
        tmp_path,
        2,
    )
    for us in (20, 60, 150, 210, 260, 390):
        plant.advance(us * 1000)
        volt, amps = (np.interp(us * 1e-6, out[:, 0], out[:, k]) for k in (1, 2))
        assert plant.at("input.current", plant.now_ns) == pytest.approx(amps, abs=2e-3)
        assert plant.at("input.terminal_voltage", plant.now_ns) == pytest.approx(volt, abs=3e-3)


def test_source_crossover(tmp_path: Path) -> None:
    """A supply of 12 V that holds its current from 3 A on: a behavioural source in ngspice."""
    bench = Bench.model_validate(
        {
            "title": "supply",
            "source": {"kind": "supply", "volt": 12.0, "ohm": 0.01, "limit_ampere": 3.0, "limit_ohm": 200.0},
            "leads": {"ohm": 0.04},
        }
    )
    out = ngspice(
        """crossover: voltage at the terminals against the current drawn
Bs e 0 V = I(Vm) < 3 ? 12 - 0.01*I(Vm) : 12 - 0.03 - 200*(I(Vm)-3)
Vm e m 0
Rl m t 0.04
Iload t 0 1
.control
dc Iload 0.5 3.05 0.05
wrdata out.txt v(t)
.endc
.end
""",
        tmp_path,
        1,
    )
    plant = build_plant(section(), bench, 1)
    plant.control({"relay": "closed", "stage": "hold", "limit.current": 8.0, "limit.power": 1e4}, 0)
    seen = 0
    for amps, volt in out:
        if volt < 0.12 * amps:
            continue  # the stage is fully on there
        plant.control({"level.current": float(amps)}, plant.now_ns)
        plant.advance(plant.now_ns + S // 10)
        assert plant.at("input.terminal_voltage", plant.now_ns) == pytest.approx(float(volt), abs=1e-3)
        seen += amps > 3.0
    assert seen
