"""Plants in Python: found beside the document, integrated, guarded; and documents without any plant."""

from __future__ import annotations

import math
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

import wirevow
from wirevow.emu import command
from wirevow.emu.bench import Bench
from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.build import build_plant, plant_of
from wirevow.emu.plant.interface import Plant
from wirevow.emu.plant.registry import fitted, looked_at
from wirevow.protocol.document.load import DocumentError, load_document, read_document
from wirevow.protocol.document.plant import PlantError, registered
from wirevow.protocol.document.vet import vet
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import compile_vow

SPEC = Path(__file__).parents[2] / "spec"
S = 1_000_000_000

TWIN = '''
import wirevow

class Twin(wirevow.Plant):
    """The room of Brae, by its rates of change."""
    class Parameters(wirevow.PlantParameters):
        heater_watt: float
        loss_kelvin_per_watt: float
        room_joule_per_kelvin: float
        sensor_lag_second: float

    states = ("air", "sensed")
    signals = {
        "room.temperature": wirevow.Signal("Cel", "what the thermometer says"),
        "room.air": wirevow.Signal("Cel", "air"),
    }
    controls = {"heater": wirevow.Control("1", 0.0, 1.0), "again": wirevow.Control(pulse=True)}
    events = {
        "outside.temperature": wirevow.Control("Cel", -60.0, 60.0),
        "window": wirevow.Control(choices=("closed", "open")),
        "sensor": wirevow.Control(choices=("good", "open")),
    }

    def initial(self):
        return {"outside.temperature": 10.0}

    def start(self):
        return 10.0, 10.0

    def rates(self, air, sensed):
        p = self.parameters
        way = p.loss_kelvin_per_watt
        if self.happened["window"] == "open":
            way = way / 3
        heat = self.driven["heater"] * p.heater_watt - (air - self.happened["outside.temperature"]) / way
        return heat / p.room_joule_per_kelvin, (air - sensed) / p.sensor_lag_second

    def outputs(self, air, sensed):
        return {
            "room.temperature": sensed if self.happened["sensor"] == "good" else -40.0,
            "room.air": air,
        }

    def jump(self, name, value, air, sensed):
        return (10.0, 10.0) if name == "again" else (air, sensed)
'''
BRAE = (SPEC / "brae.yaml").read_text(encoding="utf-8")
BY_TWIN = """
plant:
  python: twin.py:Twin
  heater_watt: 1500
  loss_kelvin_per_watt: 0.02
  room_joule_per_kelvin: 200000
  sensor_lag_second: 30
"""

Written = Callable[..., Path]


@pytest.fixture
def written(tmp_path: Path) -> Written:
    """The room's document with its twin beside it, either of them changed."""

    def write(code: str = TWIN, plant: str = BY_TWIN) -> Path:
        (tmp_path / "twin.py").write_text(code, encoding="utf-8")
        document = tmp_path / "twin.yaml"
        document.write_text(BRAE[: BRAE.index("\nplant:")] + plant, encoding="utf-8")
        return document

    return write


def twin(path: Path) -> Plant:
    return plant_of(fitted(load_document(path)), None, 1)


def test_what_is_integrated_is_what_the_closed_form_says(written: Written) -> None:
    ours = plant_of(read_document(BRAE).document, None, 1)
    theirs = twin(written())
    crossings: list[list[int]] = []
    for plant in (ours, theirs):
        plant.control({"heater": 1.0}, 0)
        assert not plant.watch(1, "room.temperature", True, 25.0)
        seen = []
        while len(seen) < 3:
            crossing = plant.advance(40_000 * S)
            assert crossing is not None
            seen.append(crossing.when_ns)
            plant.control({"heater": 0.0 if crossing.true else 1.0}, plant.now_ns)
            if len(seen) == 1:
                plant.bench("outside.temperature", 4.0, plant.now_ns)
        plant.advance(plant.now_ns + 3000 * S)
        crossings.append(seen)
    for first, second in zip(*crossings, strict=True):
        assert first == pytest.approx(second, abs=20_000_000)
    for signal in ("room.temperature", "room.air"):
        expected = ours.at(signal, ours.now_ns)
        assert theirs.at(signal, theirs.now_ns) == pytest.approx(expected, abs=1e-3)


def test_reads_and_the_way_time_is_cut_up_change_nothing(written: Written) -> None:
    path = written()
    ends = []
    for cut_s in (5000, 7, 613):
        plant = twin(path)
        plant.control({"heater": 1.0}, 0)
        plant.watch(1, "room.temperature", True, 21.0)
        crossed = []
        while plant.now_ns < 5000 * S:
            crossing = plant.advance(min(plant.now_ns + cut_s * S, 5000 * S))
            if crossing is not None:
                crossed.append(crossing.when_ns)
            plant.at("room.air", plant.now_ns)
        ends.append((crossed, plant.at("room.temperature", 5000 * S)))
    assert ends[0] == ends[1] == ends[2]
    assert len(ends[0][0]) == 1


def test_an_impulse_makes_states_jump(written: Written) -> None:
    plant = twin(written())
    plant.control({"heater": 1.0}, 0)
    plant.advance(1000 * S)
    assert plant.at("room.air", 1000 * S) > 12.0
    plant.control({"again": 1.0}, 1000 * S)
    assert plant.at("room.air", 1000 * S) == 10.0
    assert plant.at("room.air", 1000 * S - 1) > 12.0


# ------------------------------------------------------------------------------------------- bad plants


def works(path: Path) -> None:
    plant = twin(path)
    plant.control({"heater": 1.0}, 0)
    plant.advance(10 * S)
    plant.at("room.air", 10 * S)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("class Twin(wirevow.Plant)", "class Twins(wirevow.Plant)", "has no class Twin"),
        ("(wirevow.Plant)", "", "has no build: derive it from wirevow.Plant"),
        (
            "import wirevow\n",
            "import wirevow\nraise OSError('no luck')\n",
            "twin.py:3 raises OSError: no luck",
        ),
        ("import wirevow\n", "import wirevow\nclass\n", "twin.py:3 raises SyntaxError"),
        ("signals = {", 'signals = {"air"} or {', "has no signals: give it a dict of names to Signal(...)"),
        ("        heater_watt: float\n", "", 'unknown key "heater_watt" in plant'),
        ("heater_watt: float", "heater_watt: int = 3\n        wide: float", 'plant lacks "wide": add it'),
        ('"room.air": wirevow', '"room.are": wirevow', "return a dict with a finite number for each of"),
        ('"room.temperature": wirevow', '"room.warmth": wirevow', "signal room.temperature: write"),
        ("return 10.0, 10.0", "return 10.0", "from start: return a finite number for each of air, sensed"),
        ("return 10.0, 10.0", "return 1 / 0, 1.0", "raises ZeroDivisionError at "),
        ("        heat = ", "        raise KeyError('x')\n        heat = ", "raises KeyError at "),
        ("heat / p.room_joule_per_kelvin", "float('nan')", "cannot be integrated from 0 s on"),
        (
            "heat / p.room_joule_per_kelvin",
            "1.0 if air < 12.0 else -1.0",
            "cannot be integrated beyond 2.",
        ),
        ('"room.air": air', '"room.air": "warm"', "return a dict with a finite number for each of"),
    ],
)
def test_a_bad_plant_is_one_clear_error(written: Written, old: str, new: str, said: str) -> None:
    assert old in TWIN
    path = written(TWIN.replace(old, new, 1))
    with pytest.raises(WirevowError) as caught:
        works(path)
    assert said in caught.value.message
    assert "\n" not in caught.value.message


@pytest.mark.parametrize(
    ("plant", "said"),
    [
        ("plant: {kind: roum}", 'no plant "roum" is registered: write "room"'),
        ("plant: {kind: windmill}", "write one of room, sink"),
        ("plant: {heater_watt: 3}", "say which plant it is: write kind:"),
        ("plant: {kind: room, python: twin.py:Twin}", "say which plant it is: write kind:"),
        ("plant: {python: ../twin.py:Twin}", "plant.python"),
        ("plant: {python: twin.py}", "plant.python"),
        ("plant: {python: none.py:Twin}", "none.py cannot be read"),
        (BY_TWIN.replace("heater_watt: 1500", "heater_watt: warm"), "plant.heater_watt"),
    ],
)
def test_a_plant_that_is_not_there_is_told_with_its_line(written: Written, plant: str, said: str) -> None:
    path = written(plant="\n" + plant.strip() + "\n")
    with pytest.raises(DocumentError) as caught:
        fitted(load_document(path))
    assert said in caught.value.message
    assert caught.value.problems[0].line is not None


def test_only_simulating_runs_the_file(
    written: Written, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    mark = tmp_path / "ran"
    path = written(TWIN + f"\nopen({str(mark)!r}, 'w').close()\n")
    loaded = load_document(path)
    assert looked_at(loaded) is None
    assert vet(loaded).errors == ()
    assert command.run(["vet", str(path)]) == 0
    assert "was not looked at: --run-plant runs that" in capfd.readouterr().out
    assert command.run(["vet", str(path), "--names"]) == 2
    wirevow.load(path)
    assert not mark.exists()
    assert command.run(["vet", str(path), "--run-plant"]) == 0
    assert mark.exists()


def test_a_document_from_memory_has_no_file_beside_it() -> None:
    with pytest.raises(DocumentError, match="nothing lies beside it"):
        fitted(read_document(BRAE[: BRAE.index("\nplant:")] + BY_TWIN))


# -------------------------------------------------------------------------------------- the whole seam


class Sawtooth:
    """A plant of somebody who writes the whole seam, and answers nonsense at times."""

    Parameters = wirevow.PlantParameters
    signals = {"height": wirevow.Signal("m", "of the tooth")}  # noqa: RUF012
    controls: dict[str, wirevow.Control] = {}  # noqa: RUF012
    events: dict[str, wirevow.Control] = {}  # noqa: RUF012
    answers: object = 1.0
    now_ns = 0
    horizon_ns = S

    @classmethod
    def build(cls, parameters: object, around: object) -> Sawtooth:
        return cls()

    def quiet_until_ns(self) -> int:
        return self.now_ns + S

    def advance(self, to_ns: int) -> None:
        self.now_ns = to_ns

    def unwatch(self, key: int) -> None:
        raise KeyError(key)

    def at(self, signal: str, when_ns: int) -> object:
        if isinstance(self.answers, Exception):
            raise self.answers
        return self.answers


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (math.nan, "returns nan from at of height at 3 s, which is no finite number"),
        ("high", "returns 'high' from at of height at 3 s"),
        (IndexError("no tooth"), "raises IndexError at"),
    ],
)
def test_what_a_whole_plant_answers_is_looked_at(
    answers: object, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wirevow.emu.plant.build.class_of", lambda section: Sawtooth)
    plant = build_plant(wirevow.PlantParameters(kind="sawtooth"), None, 1)
    plant.advance(3 * S)
    assert plant.at("height", 3 * S) == 1.0
    monkeypatch.setattr(Sawtooth, "answers", answers)
    with pytest.raises(PlantError, match="the plant sawtooth ") as caught:
        plant.at("height", 3 * S)
    assert said in caught.value.message
    with pytest.raises(PlantError, match=r"raises KeyError at .* in unwatch: 7: mend it"):
        plant.unwatch(7)


def test_our_own_are_registered_as_anybodys() -> None:
    assert {"room", "sink"} <= set(registered())


# ------------------------------------------------------------------------------------------------ no plant


GIVEN = """
bench:
  room.temperature: {means: "What the thermometer says.", value: temperature, base: 10.0}

trial:
  settle: 2 s
  reset: store.reset
  safe: heat.stop
"""


def test_without_a_plant_the_bench_gives_the_readings_their_values(tmp_path: Path) -> None:
    path = tmp_path / "bare.yaml"
    text = BRAE[: BRAE.index("\nbench:")] + GIVEN
    text = re.sub(r"\n +provoke: \{[^\n]*bench: [^\n]*", "", text)
    path.write_text(text, encoding="utf-8")
    assert command.run(["vet", str(path)]) == 0
    with wirevow.emulate(path) as run:
        assert run.client.read("room.temperature") == {"room.temperature": 10.0}
        run.bench("room.temperature", -38.0)
        run.advance(5)
        assert run.client.read("self.state") == {"self.state": "faulted"}


def test_without_a_plant_a_timeline_gives_them(tmp_path: Path) -> None:
    document = read_document(BRAE[: BRAE.index("\nplant:")]).document
    bench = Bench.model_validate(
        {"title": "warm", "timeline": [{"at_second": 5, "event": "room.temperature", "value": 21.5}]}
    )
    plant = plant_of(document, bench, 1)
    assert not plant.watch(1, "room.temperature", True, 20.0)
    crossing = plant.advance(60 * S)
    assert crossing is not None
    assert (crossing.when_ns, crossing.true) == (5 * S, True)
    assert plant.at("room.temperature", 5 * S) == 21.5


# ------------------------------------------------------------------------------------------------ the bath


def test_the_bath_heats_as_its_heat_balance_says() -> None:
    """Lid on, the water hardly warmer than the air: P t = C_w dT_w + C_e dT_e but for what is lost."""
    loaded = load_document(SPEC / "bath.yaml")
    instrument = Instrument(compile_vow(fitted(loaded)))
    plant = instrument.plant
    plant.control({"element": "on"}, 0)
    plant.advance(100 * S)
    gained = 4186.0 * 4.0 * (plant.at("water.true", 100 * S) - 23.0)
    in_element = 150.0 * (plant.at("element.temperature", 100 * S) - 23.0)
    assert plant.at("energy", 100 * S) == pytest.approx(1200.0 * 100.0, rel=1e-6)
    assert gained + in_element == pytest.approx(1200.0 * 100.0, rel=0.01)


def test_the_bath_is_as_short_as_it_says() -> None:
    assert len((SPEC / "bath.py").read_text(encoding="utf-8").splitlines()) <= 120


def test_the_bath_runs_from_a_copy_of_its_two_files(tmp_path: Path) -> None:
    for name in ("bath.yaml", "bath.py"):
        shutil.copy(SPEC / name, tmp_path / name)
    with wirevow.emulate(tmp_path / "bath.yaml", bench="bath-day") as run:
        run.client.bath.start()
        run.advance(minutes=10)
        assert run.client.read("bath.temperature")["bath.temperature"] > 30.0


@pytest.mark.parametrize(("only", "verdict"), [("trip.hot.report", "pass"), ("trip.dry.*", "pass")])
def test_what_the_bench_moves_slowly_is_not_accused(only: str, verdict: str) -> None:
    """Its air warms the bath over hours: a ceiling that is put beside the reading may still be above it."""
    assert wirevow.check("bath", "emu://bath", seed=1, only=[only]).verdict == verdict


def test_a_state_that_is_left_and_entered_again_before_anybody_looks_has_been_left() -> None:
    report = wirevow.check("bath", "emu://bath", seed=2, only=["state.holding.leave.1"])
    assert not report.breaches
