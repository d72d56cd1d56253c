"""What the subcommands of `wirevow` have in common: help, endings, and what is imported when."""

import importlib
import signal
import subprocess
import sys
from importlib.resources import files

import click
import pytest
from click.testing import CliRunner

from wirevow._version import __version__
from wirevow.emu import command
from wirevow.protocol.errors import WirevowError


@pytest.fixture
def subcommand(monkeypatch):
    """Install a subcommand `trial` with the given body."""

    def install(body):
        monkeypatch.setitem(command.COMMANDS, "trial", "Try something.")
        monkeypatch.setitem(sys.modules, "wirevow.emu.commands.trial", type(sys)("trial"))
        sys.modules["wirevow.emu.commands.trial"].command = click.command("trial")(body)

    return install


def raising(error):
    def body():
        raise error

    return body


@pytest.mark.parametrize("name", command.COMMANDS)
def test_every_subcommand_in_the_table_loads_and_explains_itself(name):
    loaded = importlib.import_module(f"wirevow.emu.commands.{name}").command
    assert loaded.name == name
    shown = CliRunner().invoke(command.wirevow, [name, "--help"])
    assert shown.exit_code == 0
    assert shown.output.startswith(f"Usage: wirevow {name} ")
    for parameter in loaded.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{name} {parameter.opts[0]} has no help"


def test_help_shows_every_subcommand_with_its_line(capfd):
    assert command.run(["--help"]) == 0
    shown = " ".join(capfd.readouterr().out.split())
    for name, line in command.COMMANDS.items():
        assert f"{name} {line}" in shown


def test_help_imports_no_subcommand_and_no_heavy_library():
    program = (
        "import sys; from wirevow.emu.command import run; run(['--help']);"
        "print(*sorted(sys.modules), sep='\\n', file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    imported = set(done.stderr.split())
    assert "click" in imported
    heavy = {"asyncio", "hypothesis", "jinja2", "numpy", "pydantic", "rich", "ruamel.yaml", "scipy"}
    assert not imported & heavy
    assert not {module for module in imported if module.startswith("wirevow.emu.commands.")}


def test_no_subcommand_shows_the_help_and_is_bad_usage(capfd):
    assert command.run([]) == 2
    assert capfd.readouterr().err.startswith("Usage: wirevow ")


def test_version(capfd):
    assert command.run(["--version"]) == 0
    assert capfd.readouterr().out == f"wirevow {__version__}\n"


@pytest.mark.parametrize(
    ("arguments", "place"),
    [(["--nonsense"], "wirevow"), (["nonsense"], "wirevow"), (["trial", "--nonsense"], "wirevow trial")],
)
def test_bad_usage_is_one_line_with_the_place_to_look(arguments, place, subcommand, capfd):
    subcommand(lambda: None)
    assert command.run(arguments) == 2
    said = capfd.readouterr().err
    assert said.startswith("wirevow: ")
    assert "nonsense" in said
    assert said.endswith(f"Try '{place} --help'.\n")
    assert said.count("\n") == 1


def test_our_errors_are_one_line_with_their_own_status(subcommand, capfd):
    subcommand(raising(WirevowError("tarn.yaml:7: no such thing; write it so.")))
    assert command.run(["trial"]) == 2
    assert capfd.readouterr().err == "wirevow: tarn.yaml:7: no such thing; write it so.\n"
    subcommand(raising(WirevowError("inconclusive.", exit_code=3)))
    assert command.run(["trial"]) == 3


def test_a_file_that_cannot_be_used_is_named(subcommand, tmp_path, capfd):
    missing = tmp_path / "nowhere" / "report.json"
    subcommand(lambda: missing.write_text("x"))
    assert command.run(["trial"]) == 2
    assert capfd.readouterr().err == f"wirevow: {missing}: No such file or directory.\n"


@pytest.mark.parametrize("status", [0, 1, 3])
def test_a_subcommand_ends_with_the_status_it_returns(status, subcommand):
    subcommand(lambda: status)
    assert command.run(["trial"]) == status


def test_an_unanswered_question_is_bad_usage(subcommand, monkeypatch, capfd):
    subcommand(lambda: click.confirm("Energise?", abort=True))
    with open("/dev/null") as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        assert command.run(["trial"]) == 2
    assert "standard input has ended" in capfd.readouterr().err


TRIAL = """
import sys, time, types, click
from wirevow.emu import command

@click.command("trial")
def trial():
    try:
        {body}
    finally:
        print("safe action", flush=True)

command.COMMANDS["trial"] = "Try something."
sys.modules["wirevow.emu.commands.trial"] = types.SimpleNamespace(command=trial)
sys.argv = ["wirevow", "trial"]
command.main()
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=str)
def test_a_signal_ends_a_command_after_its_safe_action(number):
    program = TRIAL.format(body="print('running', flush=True); time.sleep(60)")
    with subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout.readline() == "running\n"
        process.send_signal(number)
        out, err = process.communicate(timeout=60)
    assert out == "safe action\n"
    assert "Traceback" not in err
    assert process.returncode == 128 + number


def test_a_defect_keeps_its_traceback_and_has_a_status_of_its_own():
    done = subprocess.run(
        [sys.executable, "-c", TRIAL.format(body="1 / 0")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 70
    assert "ZeroDivisionError" in done.stderr
    assert done.stderr.splitlines()[-1].startswith("wirevow: this is a defect of Wirevow")


def test_the_documents_travel_with_the_package():
    assert files("wirevow.spec").joinpath("wire.md").is_file()


def test_python_runs_the_package_as_the_command():
    done = subprocess.run([sys.executable, "-m", "wirevow", "--version"], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (0, f"wirevow {__version__}\n")
