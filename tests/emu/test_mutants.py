"""`wirevow audit DOC`: mutants of a document's entries, what comes of each, and why."""

from __future__ import annotations

import json
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

import pytest

from tests.emu.exchanges import successors
from wirevow.emu.command import run as wirevow
from wirevow.emu.faults import build_instrument
from wirevow.emu.mutants import FATES, attempt_mutant, behaving, behaviour, drawn, mutant_named, why_same
from wirevow.protocol.document.entries import data_of
from wirevow.protocol.document.load import load_document, read_document
from wirevow.protocol.document.model import Document
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow, compile_vow

SPEC = Path(__file__).parents[2] / "spec"


@cache
def vow_of(name: str) -> Vow:
    return compile_vow(load_document(SPEC / f"{name}.yaml").document)


@pytest.mark.parametrize("name", ["tarn", "brae", "skerry", "bath", "sluice", "supply"])
def test_a_document_is_the_data_that_it_was_read_from(name: str) -> None:
    document = vow_of(name).document
    data = data_of(document)
    data.pop("plant", None)
    again = Document.model_validate(data).model_copy(update={"plant": document.plant})
    assert again == document
    assert behaviour(compile_vow(again)) == behaviour(vow_of(name))


def test_the_same_mutants_are_drawn_each_time_and_more_of_them_begin_with_fewer() -> None:
    few, many = ([each.name for each in drawn(vow_of("brae"), count)] for count in (20, 40))
    assert few == many[:20]
    assert len(set(many)) == 40
    assert all(mutant_named(vow_of("brae").document, name).name == name for name in many)


def test_a_mutant_runs_wherever_a_fault_does() -> None:
    late = build_instrument(vow_of("brae"), fault="states.ready.leaves.0.after/timed/1")
    assert late.vow.identity == vow_of("brae").identity
    assert (
        late.vow.states["ready"].leaves[0].after_ns == 2 * vow_of("brae").states["ready"].leaves[0].after_ns
    )
    with pytest.raises(WirevowError, match="brae has no mutant 'states/nothing/1'"):
        build_instrument(vow_of("brae"), fault="states/nothing/1")


@pytest.mark.parametrize(
    ("name", "accused"),
    [
        ("trips.sensor.latched/turned/1", "trip.sensor.*"),
        ("actions.store.keep.from/put-in/2", "action.store.keep.refused"),
        ("wire.idle_typing/timed/1", "wire.idle"),
    ],
)
def test_an_instrument_by_a_mutant_is_found(name: str, accused: str) -> None:
    trial = attempt_mutant(vow_of("brae"), name, 0)
    assert trial.detected, trial
    assert fnmatchcase(trial.requirement or "", accused)


@pytest.mark.parametrize(
    "name",
    [
        "actions.sink.stop.always/taken-out/1",
        "records.image.fields/ordered/9",
        "states.armed.leaves.0.after/timed/1",
        "states.swinging.leaves.0.when/shortened/1",
    ],
)
def test_a_mutant_that_has_taken_the_place_of_a_fault_is_found(name: str) -> None:
    """All of them: `make campaign`."""
    assert name in successors("tarn")
    assert attempt_mutant(vow_of("tarn"), name, 0).detected


def test_every_mutant_that_has_taken_a_fault_s_place_is_one() -> None:
    for vow in map(vow_of, ("tarn", "skerry")):
        for name in successors(vow.identity[0]):
            assert behaviour(behaving(vow, mutant_named(vow.document, name))) != behaviour(vow)


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("points.room.wanted.means/reworded/1", "words for people"),
        ("trips.sensor.provoke.within/timed/1", "how it is tested"),
        ("laws.lack_is_difference.holds/reformed/1", "what its physics is held to"),
        ("actions.heat.begin.repeat/chosen/1", "what hosts are told and may rely on"),
    ],
)
def test_no_instrument_does_anything_by_what_is_for_people_and_testers(name: str, why: str) -> None:
    variant = mutant_named(vow_of("brae").document, name)
    assert behaviour(behaving(vow_of("brae"), variant)) == behaviour(vow_of("brae"))
    assert why_same(variant.path) == why


def test_the_command_tells_each_fate_and_goes_on_where_it_was_ended(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    kept, file = tmp_path / "brae.jsonl", tmp_path / "brae.json"
    words = ["audit", "brae", "--sample", "8", "--keep", str(kept), "--json", str(file)]
    status = wirevow(words)
    first = capsys.readouterr().out
    assert first.startswith("good instrument: pass after ")
    found = json.loads(file.read_text())
    assert found["complete"] is True
    assert sum(found["score"].values()) == len(found["mutants"]) == 8
    assert set(found["score"]) == set(FATES)
    assert status == (1 if found["score"]["not found"] else 0)
    assert all(row["requirement"] for row in found["mutants"] if row.get("outcome") == "failure")
    assert all(row["why"] for row in found["mutants"] if row["fate"] != "found")

    monkeypatch.setattr("wirevow.emu.executor.results", lambda *_, **__: pytest.fail("it is known already"))
    assert wirevow(words) == status
    assert capsys.readouterr().out == first


def test_a_promise_that_nothing_tries_is_told_with_what_would_try_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Brae without the way to provoke its trip: nobody can tell how long its condition has to hold."""
    text = (SPEC / "brae.yaml").read_text(encoding="utf-8")
    way = "    provoke: {state: warming, bench: {sensor: open}, relief: {sensor: good}, within: 10 s}\n"
    assert way in text
    path = tmp_path / "mine.yaml"
    path.write_text(text.replace(way, ""), encoding="utf-8")
    vow = compile_vow(read_document(path.read_text(), "mine").document)
    one = [each for each in drawn(vow) if each.name.startswith("trips.sensor.after/timed/")]
    monkeypatch.setattr("wirevow.emu.mutants.drawn", lambda *_: iter(one))
    assert wirevow(["audit", str(path)]) == 0
    out = capsys.readouterr().out
    assert "not tried" in out
    assert f"{one[0].name}  3 s -> " in out
    assert "trip.sensor.delay" in out


def test_a_document_that_its_own_instrument_breaks_has_no_mutants(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    text = (SPEC / "brae.yaml").read_text(encoding="utf-8")
    wrong = text.replace("abs(room.lack - (room.wanted - room.temperature))", "abs(room.lack - 100)")
    assert wrong != text
    path = tmp_path / "mine.yaml"
    path.write_text(wrong, encoding="utf-8")
    assert wirevow(["audit", str(path)]) == 1
    assert "until it passes" in capsys.readouterr().out
