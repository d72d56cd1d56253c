"""Bench files: the ready ones run, and a defect is told with its line and its remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

import spec
from tests.reference.discharge import cooling, section
from wirevow.emu.bench import COPPER_OHM_PER_KILOMETRE, Bench, Leads
from wirevow.emu.plant.build import build_plant
from wirevow.emu.plant.registry import wired
from wirevow.protocol.document.load import DocumentError, load_document, load_yaml_model

FOLDER = Path(next(iter(spec.__path__))) / "bench"
READY = sorted(FOLDER.glob("*.yaml"))


def test_at_least_eight_are_ready() -> None:
    assert len(READY) >= 8


@pytest.mark.parametrize("path", READY, ids=lambda path: path.stem)
def test_every_ready_bench_runs_and_says_what_it_is_for(path: Path) -> None:
    bench = load_yaml_model(path, Bench).document
    assert len(bench.means) > 40
    if bench.source is None:
        return
    plant = build_plant(section(), bench, 1, cooling())
    plant.control({"relay": "closed", "stage": "hold", "level.current": 1.0, "limit.current": 6.0}, 0)
    plant.advance(5_000_000_000)
    assert plant.at("input.current", 5_000_000_000) == pytest.approx(1.0, abs=1e-6)


PLAIN = """\
title: a bench
source: {kind: supply, volt: 12.0}
leads: {ohm: 0.02}
"""


@pytest.mark.parametrize(
    ("wrong", "line", "words"),
    [
        (PLAIN.replace("kind: supply", "kind: dynamo"), 2, "supply"),
        (PLAIN.replace("volt: 12.0", "volt: -1"), 2, "volt"),
        (PLAIN.replace("ohm: 0.02", "ohms: 0.02"), 3, "ohms"),
        (PLAIN.replace("{ohm: 0.02}", "{metre: 3.0}"), 3, "square_millimetre"),
        (PLAIN + "timeline:\n  - {at_second: 1, event: rain}\n", 5, "rain"),
        (PLAIN + "timeline:\n  - {at_second: 1, event: fan, value: tired}\n", 5, "good, stopped"),
        (
            PLAIN + "timeline:\n  - {at_second: 2, event: trigger}\n  - {at_second: 1, event: trigger}\n",
            None,
            "sort it",
        ),
        (
            PLAIN.replace(
                "{kind: supply, volt: 12.0}",
                "{kind: battery, ampere_hour: 1, table: [{soc: 0.1, volt: 3, ohm: 0}, "
                "{soc: 0.5, volt: 3, ohm: 0}, {soc: 1, volt: 4, ohm: 0}]}",
            ),
            2,
            "begin at 0",
        ),
    ],
)
def test_a_defect_has_its_line_and_remedy(wrong: str, line: int | None, words: str, tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(wrong, encoding="utf-8")
    with pytest.raises(DocumentError) as caught:
        wired(path, load_document(FOLDER.parent / "tarn.yaml").document)
    problem = caught.value.problems[0]
    assert words in problem.message
    if line is not None:
        assert problem.line == line


@pytest.mark.parametrize("area", sorted(COPPER_OHM_PER_KILOMETRE))
def test_leads_by_length_are_there_and_back(area: float) -> None:
    """IEC 60228 class 5 (figures from memory) against copper's resistivity, 1.724e-8 Ohm m (IEC 60028)."""
    leads = Leads(metre=10.0, square_millimetre=area)
    ideal = 20.0 * 1.724e-8 / (area * 1e-6)
    assert ideal < leads.loop_ohm < 1.2 * ideal
