"""Work that is done elsewhere: the same results whatever does it, and whatever happens to that."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from wirevow.emu.audit import Trial, trials
from wirevow.emu.command import run as wirevow
from wirevow.emu.executor import Ended, ExecutorError, results
from wirevow.emu.kept import Kept
from wirevow.protocol.errors import WirevowError

BRAE = Path(__file__).parents[2] / "spec" / "brae.yaml"
PATIENCE_S = 30.0
TASKS = [
    (fault, 0) for fault in ("unit-in-any-case", "clear-goes-back", "range-before-state", "trip-too-late")
]


def told(folder: str) -> int:
    """Its process, told to whoever looks into the folder."""
    (Path(folder) / str(os.getpid())).touch()
    return os.getpid()


def lost_once(folder: str) -> int:
    if not list(Path(folder).iterdir()):
        os.kill(told(folder), signal.SIGKILL)
    return told(folder)


def lost_always(folder: str) -> int:
    os.kill(told(folder), signal.SIGKILL)
    return 0


def lasting(folder: str) -> int:
    told(folder)
    time.sleep(PATIENCE_S)
    return 0


def wrong(text: str) -> int:
    raise WirevowError(f"{text} is wrong: mend it")


def soon(happens: Callable[[], bool]) -> bool:
    by = time.monotonic() + PATIENCE_S
    while not happens() and time.monotonic() < by:
        time.sleep(0.02)
    return happens()


def gone(process: int) -> bool:
    return not Path(f"/proc/{process}").exists()


def outcomes(found: Iterator[Trial]) -> dict[tuple[str | None, int], tuple[str, int, str | None]]:
    return {(each.fault, each.seed): (each.outcome, each.lines, each.requirement) for each in found}


def test_every_task_comes_with_its_result_and_all_are_taken_one_after_the_other() -> None:
    taken: list[int] = []

    def tasks() -> Iterator[int]:
        for number in range(-20, 0):
            taken.append(number)
            yield number

    with closing(results(abs, tasks(), jobs=2)) as done:
        first = next(done)
        assert len(taken) < 20
        assert {first, *done} == {(number, -number) for number in range(-20, 0)}


def test_what_was_under_way_in_a_process_that_is_lost_is_done_again(tmp_path: Path) -> None:
    ((_, process),) = results(lost_once, [str(tmp_path)])
    assert {int(path.name) for path in tmp_path.iterdir()} > {process}


def test_a_task_that_loses_every_process_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ExecutorError, match="SIGKILL"):
        list(results(lost_always, [str(tmp_path)]))
    assert len(list(tmp_path.iterdir())) == 2


def test_with_a_process_to_itself_a_crash_and_a_late_one_are_results(tmp_path: Path) -> None:
    def ended(task: str, how: Ended) -> int:
        return -1 if how.status is None else -how.status * 1000

    assert dict(results(lost_always, [str(tmp_path)], ended=ended)) == {str(tmp_path): 9000}
    assert dict(results(lasting, [str(tmp_path)], ended=ended, limit_s=2.0)) == {str(tmp_path): -1}
    assert all(soon(lambda path=path: gone(int(path.name))) for path in tmp_path.iterdir())


def test_an_error_of_the_work_is_raised_where_the_results_are_wanted() -> None:
    with pytest.raises(WirevowError, match=r"^that is wrong: mend it\n"):
        list(results(wrong, ["that"]))


def test_who_wants_no_more_results_leaves_nothing_running(tmp_path: Path) -> None:
    begun = [tmp_path / "first", tmp_path / "second"]
    for folder in begun:
        folder.mkdir()
    done = results(told, [str(begun[0])])
    assert next(done)
    done.close()
    process = subprocess.Popen(
        [sys.executable, "-c", _LASTING, str(begun[1])],
        cwd=Path(__file__).parents[2],
        stderr=subprocess.DEVNULL,
    )
    assert soon(lambda: bool(list(begun[1].iterdir())))
    process.kill()  # it cannot even end its own
    process.wait()
    assert all(soon(lambda path=path: gone(int(path.name))) for each in begun for path in each.iterdir())


_LASTING = """
import sys
import time
from pathlib import Path

from wirevow.emu.executor import results

sys.path.insert(0, "tests/emu")
from test_executor import lasting

list(results(lasting, sys.argv[1:]))
"""


def test_what_is_kept_is_not_done_again_unless_what_it_depends_on_has_changed(tmp_path: Path) -> None:
    file = tmp_path / "kept.jsonl"
    fresh = outcomes(trials(BRAE, TASKS[:2], kept=Kept(file, seed=4)))
    with file.open("a") as more:
        more.write('["cut sh')
    kept = Kept(file, seed=4)
    assert len(kept.known) == 2
    for trial in kept.known.values():
        trial["lines"] += 1
    again = outcomes(trials(BRAE, TASKS[:2], kept=kept))
    assert {key: (each[0], each[1] - 1, each[2]) for key, each in again.items()} == fresh
    assert Kept(file, seed=5).known == {}


@pytest.mark.parametrize("held", [b"vow:\n  name: mine\n", b'{"soak": 1}\n["7", {}]\n', b"[1]\n", b"\xff\n"])
def test_what_is_not_of_the_same_kind_is_not_written_over(tmp_path: Path, held: bytes) -> None:
    file = tmp_path / "mine.yaml"
    file.write_bytes(held)
    with pytest.raises(WirevowError, match="name another file"):
        Kept(file, audit="brae")
    assert file.read_bytes() == held


# ------------------------------------------------------------------------------------------- many machines


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """The address of a scheduler, and its two workers."""
    file = tmp_path / "scheduler.json"
    dask = [sys.executable, "-m", "dask"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    paths = os.pathsep.join(filter(None, (str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH"))))
    around = {**os.environ, "PYTHONPATH": paths}
    at = ["--host", "127.0.0.1", "--no-dashboard"]
    scheduler = subprocess.Popen(
        [*dask, "scheduler", "--port", "0", "--scheduler-file", str(file), *at], env=around, **quiet
    )
    join = [*dask, "worker", "--scheduler-file", str(file), "--nthreads", "1", "--no-nanny", *at]
    workers = [subprocess.Popen(join, env=around, **quiet) for _ in range(2)]
    try:
        assert soon(file.exists)
        yield json.loads(file.read_text())["address"], workers
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()


def test_a_cluster_whose_worker_is_killed_half_way_has_the_same_results(
    cluster: tuple[str, list[subprocess.Popen[bytes]]],
) -> None:
    address, workers = cluster
    found: list[Trial] = []
    for trial in trials(BRAE, TASKS, on=address):
        if not found:
            workers[0].kill()
        found.append(trial)
    assert outcomes(iter(found)) == outcomes(trials(BRAE, TASKS))


def test_where_there_is_no_scheduler_it_is_said(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("wirevow.emu.executor.PATIENCE_S", 1)
    assert wirevow(["audit", "brae", "--faults", "--on", "tcp://127.0.0.1:9"]) == 2
    assert "no Dask scheduler answers there" in capfd.readouterr().err
