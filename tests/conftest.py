"""How tests run here.

Timing is never asserted in this suite, so Hypothesis keeps no deadline. Under CI its own `ci` profile is
in force already (the same examples every time); elsewhere every run looks at new ones.

A test that needs a program of the distribution (a compiler, a circuit simulator) skips where there is none,
with a reason that says what to install. Under CI everything is installed, so such a skip is a failure there.
"""

import os
import signal

import pytest
from hypothesis import HealthCheck, settings

CI = "CI" in os.environ

# These are a user's: tests/emu/test_pytest_plugin.py runs them, in a pytest of their own.
collect_ignore = ["examples"]

# A run in the background ignores Ctrl-C and hang-ups, and every process that it starts would inherit that:
# tests that end one by a signal would wait for ever.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
    signal.signal(signal.SIGHUP, signal.SIG_DFL)

settings.register_profile(
    "here", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
if not CI:
    settings.load_profile("here")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    if CI and report.skipped and isinstance(report.longrepr, tuple) and "install" in report.longrepr[2]:
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid}: nothing may be missing under CI: {report.longrepr[2]}"
    return report


@pytest.fixture(autouse=True)
def nothing_remembered(tmp_path_factory, monkeypatch):
    """No check of a test begins with what an earlier one has found, in this run or another."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.getbasetemp() / f"cache-{os.urandom(8).hex()}"))
