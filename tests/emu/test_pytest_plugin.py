"""The pytest plugin, in a pytest of its own for each test."""

from pathlib import Path

import pytest

pytest_plugins = ["pytester"]
EXAMPLES = Path(__file__).parents[1] / "examples"
PLUGIN = ("-p", "wirevow.emu.pytest_plugin", "-p", "no:cacheprovider", "--strict-markers")


@pytest.fixture
def logger(pytester):
    for file in EXAMPLES.glob("*.py"):
        (pytester.path / file.name).write_text(file.read_text())
    return pytester


def test_the_examples_pass_in_process(logger):
    logger.runpytest_subprocess(*PLUGIN).assert_outcomes(passed=6)


def test_the_examples_pass_at_a_port_but_for_what_none_can_do(logger):
    port = ("--wirevow-port", "emu://tarn?bench=lithium-pack&seed=7")
    logger.runpytest_subprocess(*PLUGIN, *port).assert_outcomes(passed=2, skipped=4)


def test_assertions_fail_with_the_last_exchange_and_skip_what_a_port_cannot_do(pytester):
    pytester.makepyfile(
        """
        import pytest

        pytestmark = pytest.mark.wirevow("tarn")

        def test_heat(wirevow_instrument):
            load = wirevow_instrument.client
            load.sink.level.put(3.0)
            load.sink.start()
            wirevow_instrument.bench("ambient", 90.0)
            wirevow_instrument.assert_trips("overheat", within=900)

        def test_not_tripped(wirevow_instrument):
            wirevow_instrument.assert_trips("overheat", within=1)

        def test_not_refused(wirevow_instrument):
            with wirevow_instrument.assert_refused("range"):
                wirevow_instrument.client.sink.level.put(1.0)

        def test_refused_otherwise(wirevow_instrument):
            with wirevow_instrument.assert_refused("state"):
                wirevow_instrument.client.sink.level.put(99.0)

        @pytest.mark.wirevow(colour="red")
        def test_bad_marker(wirevow_instrument):
            pass

        @pytest.mark.wirevow(fault="ticket-used-is-good-again", clock="virtual")
        def test_fault(wirevow_instrument):
            wirevow_instrument.assert_state("off")
        """
    )
    result = pytester.runpytest_subprocess(*PLUGIN)
    result.assert_outcomes(passed=2, failed=3, errors=1)
    result.stdout.fnmatch_lines(
        ["*last exchange on the wire*", "> *put sink.level 1.000 A*", "< *ok 1.000 A*"]
    )
    at_port = pytester.runpytest_subprocess(*PLUGIN, "--wirevow-port", "emu://tarn", "-k", "heat or fault")
    at_port.assert_outcomes(skipped=2, deselected=4)


def test_a_real_port_wants_the_cautions_read(pytester):
    pytester.makepyfile("def test_nothing(): pass")
    result = pytester.runpytest_subprocess(*PLUGIN, "--wirevow-port", "/dev/nothing")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["*--wirevow-yes*"])


def test_a_run_that_does_not_use_it_loads_no_instrument(pytester):
    pytester.makepyfile(
        """
        import sys

        def test_nothing():
            assert not {"numpy", "pydantic", "wirevow.emu.emulation"} & set(sys.modules)
        """
    )
    pytester.runpytest_subprocess(*PLUGIN, "-p", "no:hypothesispytest").assert_outcomes(passed=1)
