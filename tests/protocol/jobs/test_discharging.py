"""Whole discharges of the simulated instrument, on its own clock."""

from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace as After

import numpy as np
import pytest
from ruamel.yaml import YAML

import wirevow
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.jobs.battery import declared
from wirevow.protocol.jobs.discharging import Course, Plan
from wirevow.protocol.jobs.parts import Parts, PartsError
from wirevow.protocol.jobs.stopping import Limits

SPEC = Path(__file__).parents[3] / "spec"
VOW = wirevow.load("tarn")
PACK = declared("lithium-ion", 3, 3.0, 5.0)


def run(bench="lithium-pack", battery=PACK, before=None, box_is=None, **plan):
    given = {"mode": "current", "level": 2.5, "every_s": 10.0, **plan}
    box = After()
    with wirevow.emulate("tarn", bench=bench) as emulation:
        if before is not None:
            before(emulation)
        client = emulation.client
        try:
            result = Course(client, Parts(VOW), Plan(battery, **given)).run()
        finally:
            box.state = client.self.state.read()
            box.settings = list(client.read("sink.level", "capacity.cutoff").values())
            if box_is is not None:
                box_is.append(box)
    return result, box


def later(emulation, seconds, event, value):
    """Make a bench event happen while the client sleeps, after so many seconds."""
    client = emulation.client
    real = client.sleep

    def sleep(span):
        real(span)
        if client.now_s() > seconds:
            emulation.bench(event, value)

    client.sleep = sleep


@contextmanager
def opened(bench="lithium-pack"):
    with wirevow.emulate("tarn", bench=bench) as emulation:
        yield emulation.client


def test_a_whole_discharge_agrees_with_the_boxs_own_counter():
    result, box = run()
    assert result.reason == "cut-off"
    assert abs(result.totals.charge.value - result.counted) < result.totals.charge.expanded
    assert 4.5 < result.totals.charge.value < 5.15  # the pack's charge in lithium-pack.yaml
    mean = result.totals.energy.value / result.totals.charge.value
    assert 9.0 < mean < 12.6
    assert box.state == "off"
    assert box.settings == [0.0, 3.0], "settings are put back"


def test_rests_and_pulses_measure_the_resistance_of_the_bench():
    result, _ = run(level=1.0, pulses=True, pause_every_s=3600.0, pause_s=120.0, ambient=23.0, rested_h=2.0,
                    limits=Limits(seconds=4500.0))  # fmt: skip
    assert result.reason == "time"
    (_, first), (drawn, second) = result.resistances
    # The bench's own network, fully charged: cells and leads of lithium-pack.yaml, RC pairs for their times.
    import math

    def pair(ohm, second, t):
        return ohm * (1 - math.exp(-t / second))

    def at(t):
        return 3 * (0.02639 + pair(0.01307, 30, t) + pair(0.01558, 600, t)) + 0.02

    low, high = 1.0, 5.0
    expected = ((high - low) * at(1) + low * (at(11) - at(10))) / (high - low)
    # The table's resistance varies with charge, by a few per cent over what the pulse itself takes out.
    assert first.ohms.value == pytest.approx(expected, rel=0.03)
    assert first.named
    assert drawn > 0.9
    assert not second.named
    assert {row.phase for row in result.rows} >= {"open", "load", "rest", "pulse"}
    assert second.unmet == f"nothing drawn before ({drawn:.3f} A.h)"
    assert [each.method for each in result.unmeasured] == ["alternating"]


@pytest.mark.parametrize(
    ("limits", "reason"),
    [
        (Limits(seconds=300.0), "time"),
        (Limits(ampere_hours=0.25), "charge"),
        (Limits(watt_hours=2.0), "energy"),
        (Limits(celsius=27.0), "temperature"),
    ],
)
def test_each_rule_ends_the_run_with_the_box_off(limits, reason):
    result, box = run(limits=limits)
    assert result.reason == reason
    assert box.state == "off"
    assert [each.method for each in result.unmeasured] == ["direct", "alternating"]


def test_a_step_of_the_voltage_ends_it():
    result, _ = run(
        before=lambda emulation: later(emulation, 200, "source.connected", "no"), limits=Limits(volt_step=0.2)
    )
    assert result.reason == "voltage step"
    assert not result.done


@pytest.mark.parametrize(("mode", "level", "point"), [("power", 20.0, 1), ("resistance", 6.0, 0)])
def test_power_and_resistance_are_held_and_the_host_keeps_the_cut_off(mode, level, point):
    result, box = run(mode=mode, level=level, every_s=20.0)
    assert result.reason == "cut-off"
    load = [row for row in result.rows if row.phase == "load" and row.settled][5:-2]
    held = [row.volts * row.amperes if mode == "power" else row.volts / row.amperes for row in load]
    assert min(held) == pytest.approx(level, rel=0.03)
    assert max(held) == pytest.approx(level, rel=0.03)
    assert box.state == "off"


@pytest.mark.parametrize(("mode", "level"), [("power", 20.0), ("resistance", 6.0)])
def test_where_the_state_holds_the_mode_the_box_keeps_the_cut_off_and_rests_show_the_ohms(
    tmp_path, mode, level
):
    """A capacity run in any mode is a word in the document: its state holds (`stage: hold`)."""
    text = (SPEC / "tarn.yaml").read_text(encoding="utf-8")
    whole = "    outputs: {relay: closed, stage: run}\n"
    assert text.count(whole) == 1
    (tmp_path / "any.yaml").write_text(text.replace(whole, whole.replace("run", "hold")))
    vow = wirevow.load(tmp_path / "any.yaml")
    with wirevow.emulate(tmp_path / "any.yaml", bench="lithium-pack") as emulation:
        plan = Plan(PACK, mode, level, 20.0, pause_every_s=1800.0, pause_s=120.0)
        result = Course(emulation.client, Parts(vow), plan).run()
    assert (result.reason, result.text) == ("cut-off", "the box ended it at its cut-off of 9.000 V")
    assert result.totals.charge.value == pytest.approx(result.counted, rel=0.01)
    drawn, found = result.resistances[0]
    # The bench's own network (lithium-pack.yaml), at the share of its charge that is left: cells and leads.
    bench = YAML(typ="safe").load((SPEC / "bench" / "lithium-pack.yaml").read_text(encoding="utf-8"))
    table = bench["source"]["table"]
    share = 1 - drawn / bench["source"]["ampere_hour"]
    cells = 3 * np.interp(share, [row["soc"] for row in table], [row["ohm"] for row in table])
    assert found.ohms.value == pytest.approx(cells + bench["leads"]["ohm"], rel=0.1)
    assert not found.named


def test_a_battery_that_is_reversed_is_one_error_and_nothing_starts():
    boxes = []
    with pytest.raises(WirevowError, match="connected reversed"):
        run(
            before=lambda emulation: (emulation.bench("source.polarity", "reversed"), emulation.advance(0.1)),
            box_is=boxes,
        )
    assert boxes[0].state in ("off", "tripped")


def test_a_trip_ends_it_and_is_told():
    result, _ = run(before=lambda emulation: later(emulation, 100, "thermistor", "open"))
    assert result.reason == "trip"
    assert "thermistor_open" in result.text


def test_a_box_that_falls_silent_ends_the_run_and_every_row_is_kept():
    kept = []

    with opened() as client:
        real = client._driver.link._write

        def write(data):
            if client.now_s() <= 60:
                real(data)

        client._driver.link._write = write
        course = Course(client, Parts(VOW), Plan(PACK, "current", 2.5), add=kept.append)
        with pytest.raises(WirevowError, match="disconnect the source"):
            course.run()
        client._driver.link._write = real
        assert client.trip.last.read().startswith("link_silent "), "the box's own watchdog"
        assert client.self.state.read() == "off"
    assert len(kept) > 30


def test_an_interrupt_leaves_the_box_off():
    with opened() as client:

        def tell(row, left):
            if row.seconds > 30:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            Course(client, Parts(VOW), Plan(PACK, "current", 2.5), tell=tell).run()
        assert client.self.state.read() == "off"


def test_a_run_is_gone_on_with():
    with opened() as client:
        parts = Parts(VOW)
        half = Course(client, parts, Plan(PACK, "current", 2.5, 10.0, limits=Limits(seconds=3600.0))).run()
        whole = Course(client, parts, Plan(PACK, "current", 2.5, 10.0), earlier=half.rows).run()
    assert whole.reason == "cut-off"
    assert {row.segment for row in whole.rows} == {1, 2}
    assert whole.totals.charge.value == pytest.approx(whole.counted, rel=0.01)
    assert whole.totals.charge.value > half.totals.charge.value + 1


@pytest.mark.parametrize(
    ("plan", "says"),
    [
        ({"level": 9.0}, "not what sink.level holds"),
        ({"mode": "power", "level": 10.0, "pulses": True}, "discharge at a current"),
        ({"battery": declared("lithium-ion", 3, 3.0, 20.0), "pulses": True}, "second pulse is 20 A"),
        ({"battery": declared("lithium-ion", 3, 3.0), "pulses": True}, "--rated"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_before_anything_starts(plan, says):
    with pytest.raises(WirevowError, match=says):
        run(**plan)


def test_a_document_without_the_parts_says_which():
    with pytest.raises(PartsError, match=r"brae has no level: the job needs a setting in A"):
        Parts(wirevow.load("brae")).level("current")
    with pytest.raises(PartsError, match=r"brae has no voltage: the job needs a reading in V"):
        Parts(wirevow.load("brae")).voltage()
    with pytest.raises(PartsError, match="no number in V"):
        Parts(VOW, {"voltage": "sink.level"}).voltage()
    assert Parts(VOW, {"voltage": "input.terminal"}).voltage().name == "input.terminal"


def test_a_log_that_cannot_be_written_is_one_error_and_leaves_the_box_off():
    def add(row):
        if row.seconds > 30:
            raise WirevowError("run.csv: a row cannot be written (No space left on device)")

    with opened() as client:
        with pytest.raises(WirevowError, match="No space left"):
            Course(client, Parts(VOW), Plan(PACK, "current", 2.5), add=add).run()
        assert client.read("self.state", "sink.level") == {"self.state": "off", "sink.level": 0.0}
