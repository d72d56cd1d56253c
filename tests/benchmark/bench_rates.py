"""What a plant in Python costs, by its rates of change, against the closed form of the same room."""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path

from tests.emu.test_plant_python import BRAE, BY_TWIN, TWIN
from wirevow.emu.plant.build import plant_of
from wirevow.emu.plant.interface import Plant
from wirevow.emu.plant.registry import fitted
from wirevow.protocol.document.load import load_document, read_document

BARS = {
    "python_plant_vs_closed_room": ("at most", 5.0),
}
ROUNDS = 5
S = 1_000_000_000
HOURS = 10
LOOK_S = 1
"""A host that logs asks once a second."""


def thermostat(plant: Plant) -> float:
    """Seconds of processor time for ten hours between 20 and 22 Cel, read once a second."""
    begun = time.process_time()
    plant.control({"heater": 1.0}, 0)
    plant.watch(1, "room.temperature", True, 22.0)
    plant.watch(2, "room.temperature", False, 20.0)
    for second in range(LOOK_S, HOURS * 3600, LOOK_S):
        while (crossing := plant.advance(second * S)) is not None:
            if crossing.true:
                plant.control({"heater": 0.0 if crossing.key == 1 else 1.0}, plant.now_ns)
        plant.sample("room.temperature", second // LOOK_S, LOOK_S * S)
    return time.process_time() - begun


def measure() -> dict[str, float]:
    """The ratio of the two, for the same hours."""
    closed = read_document(BRAE).document
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "twin.py").write_text(TWIN, encoding="utf-8")
        path = folder / "twin.yaml"
        path.write_text(BRAE[: BRAE.index("\nplant:")] + BY_TWIN, encoding="utf-8")
        python = fitted(load_document(path))
        thermostat(plant_of(python, None, 1))  # loads the solver
        pairs = [
            (thermostat(plant_of(python, None, 1)), thermostat(plant_of(closed, None, 1)))
            for _ in range(ROUNDS)
        ]
    return {"python_plant_vs_closed_room": statistics.median(ours / theirs for ours, theirs in pairs)}
