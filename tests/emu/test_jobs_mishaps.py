"""What goes wrong on a bench, for every job: one clear error, the box off, nothing lost."""

import json
import subprocess
import sys
from uuid import uuid4

import pytest

import wirevow
from tests.emu.serving import until
from wirevow.emu.command import run
from wirevow.protocol.jobs.runlog import read

PACK = ["--chemistry", "lithium-ion", "--cells", "3"]
SOURCE = "source: {kind: thevenin, volt: 12.0, ohm: 0.05}\nleads: {ohm: 0.01}\n"
JOBS = {
    "discharge": ["discharge", "tarn", "URL", *PACK, "--amps", "2", "--out", "OUT"],
    "calibrate voltage": ["calibrate", "voltage", "tarn", "URL", "--from", "1", "--to", "30", "--out", "OUT"],
    "calibrate current": [
        "calibrate",
        "current",
        "tarn",
        "URL",
        "--from",
        "0.1",
        "--to",
        "2",
        "--out",
        "OUT",
    ],
    "sweep": [
        "sweep",
        "tarn",
        "URL",
        "--to",
        "2",
        "--least-volts",
        "4",
        "--most-watts",
        "50",
        "--out",
        "OUT",
    ],
}


def words(job, url, out):
    return [{"URL": url, "OUT": str(out)}.get(word, word) for word in JOBS[job]]


@pytest.fixture
def supply(tmp_path):
    file = tmp_path / "supply.yaml"
    file.write_text(f"title: A bench supply\nmeans: For a job that needs one.\n{SOURCE}")
    return file


@pytest.fixture
def reversed_bench(tmp_path):
    file = tmp_path / "reversed.yaml"
    file.write_text(
        "title: A source the wrong way round\nmeans: For what a job says of it.\n" + SOURCE +
        "timeline:\n  - {at_second: 0, event: source.polarity, value: reversed}\n"
    )  # fmt: skip
    return file


@pytest.mark.parametrize("job", JOBS)
def test_a_source_that_is_connected_reversed(job, reversed_bench, tmp_path, capfd):
    url = f"emu://tarn?bench={reversed_bench}&name={uuid4().hex}"
    assert run(words(job, url, tmp_path / "out")) == 2
    told = capfd.readouterr().err
    assert "connected reversed: input.voltage reads -1" in told
    assert "Traceback" not in told
    assert told.count("wirevow: ") == 1
    with wirevow.connect(url, "tarn") as box:
        assert box.self.state.read() in ("off", "tripped")
        assert box.read("trim.*_gain", "sink.level") == pytest.approx(
            {"sink.level": 0.0} | dict.fromkeys(box.read("trim.*_gain"), 1.0)
        ), "settings are as they were"


@pytest.mark.parametrize("cut_off", ["1.9", "2.4", "3.7", "9"])
def test_a_cut_off_that_the_chemistry_forbids_is_refused_before_anything_is_sent(cut_off, tmp_path, capfd):
    given = ["discharge", "tarn", "/dev/nowhere", *PACK, "--amps", "1", "--out", str(tmp_path / "out")]
    assert run([*given, "--cut-off", cut_off]) == 2
    told = capfd.readouterr().err
    assert f"a cut-off of {cut_off} V a cell" in told
    assert told.count("\n") == 1
    assert not (tmp_path / "out").exists()


FULL = """
import json, resource, sys
import wirevow
from tests.emu.serving import until
from wirevow.emu.command import run
url, most, *words = sys.argv[1:]
# A file cannot grow beyond that: as when the disk is full.
resource.setrlimit(resource.RLIMIT_FSIZE, (int(most), resource.RLIM_INFINITY))
status = run(words)
with wirevow.connect(url, "tarn") as box:
    print(json.dumps({"status": status, "found": box.read("self.state", "trim.*", "sink.level")}))
"""


def with_a_full_disk(job, bench, most, out):
    url = f"emu://tarn?bench={bench}&name=full"
    done = subprocess.run(
        [sys.executable, "-c", FULL, url, str(most), *words(job, url, out)],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    *said, last = done.stdout.splitlines()
    ended = json.loads(last)
    assert ended["status"] == 2, done.stderr
    assert "cannot be written (File too large)" in done.stderr
    assert ended["found"]["self.state"] == "off"
    assert ended["found"]["sink.level"] == 0.0
    return "\n".join(said), ended["found"]


def test_a_full_disk_ends_a_discharge_and_what_was_logged_can_be_gone_on_with(tmp_path):
    out = tmp_path / "out"
    with_a_full_disk("discharge", "lithium-pack", 4000, out)
    rows = read(out / "run.csv").rows
    assert len(rows) > 20
    assert rows[-1].seconds == pytest.approx(len(rows) - 2, abs=3)


def test_a_full_disk_takes_a_calibration_back(supply, tmp_path):
    _, found = with_a_full_disk("calibrate voltage", supply, 200, tmp_path / "out")
    assert found["trim.voltage_gain"] == 1.0
    assert found["trim.voltage_shift"] == 0.0
    assert not list((tmp_path / "out").iterdir()), "no half certificate"


def test_a_full_disk_keeps_no_result_of_a_sweep_from_the_person(supply, tmp_path):
    said, _ = with_a_full_disk("sweep", supply, 100, tmp_path / "out")
    assert "internal " in said
    assert not (tmp_path / "out" / "sweep.json").exists()


def test_a_port_that_vanishes_is_told_loudly_and_the_log_is_kept(tmp_path):
    link, log = tmp_path / "tarn", tmp_path / "out" / "run.csv"
    program = [sys.executable, "-c", "from wirevow.emu.command import main; main()"]
    with subprocess.Popen(
        [*program, "emulate", "tarn", "--bench", "lithium-pack", "--link", str(link)], stdout=subprocess.PIPE
    ) as served:
        served.stdout.readline()
        going = subprocess.Popen(
            [*program, *words("discharge", str(link), log.parent), "--every", "0.2", "--most-silence", "1",
             "--yes"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            until(lambda: log.exists() and len(read(log).rows) > 5, 30)
        finally:
            link.unlink()  # the system may give its number to another terminal at once
            served.kill()
    said, told = going.communicate(timeout=60)
    assert going.returncode == 2
    assert said == ""
    assert "disconnect the source" in told
    assert "Traceback" not in told
    assert len(read(log).rows) > 5
