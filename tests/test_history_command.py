"""`wirevow history` and `wirevow check --since` as a person and a script run them."""

import json

import pytest

from tests.protocol.test_since import ONE, made
from wirevow.emu import command


@pytest.fixture
def written(tmp_path):
    def write(name, report):
        path = tmp_path / name
        path.write_text(report if isinstance(report, str) else json.dumps(report), encoding="utf-8")
        return str(path)

    return write


def test_the_status_says_whether_the_last_report_is_worse(written, capfd):
    good, bad = written("a.json", made()), written("b.json", made({ONE: "fail"}, 2))
    healed = written("c.json", made({}, 3))
    assert command.run(["history", good, bad]) == 1
    assert f"{ONE}: fails since #2" in capfd.readouterr().out
    assert command.run(["history", good, bad, healed, "--json"]) == 0
    assert json.loads(capfd.readouterr().out)["failing"] == []


def test_the_page_goes_to_its_file_and_never_over_a_report(written, tmp_path, capfd):
    one, two = written("a.json", made()), written("b.json", made({}, 2))
    assert command.run(["history", one, two, "--html", str(tmp_path / "h.html")]) == 0
    assert (tmp_path / "h.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    capfd.readouterr()
    assert command.run(["history", one, two, "--html", two]) == 2
    assert capfd.readouterr().err.endswith("that is one of the reports; name another file\n")
    assert json.loads((tmp_path / "b.json").read_text())["report"] == 1


@pytest.mark.parametrize(
    ("report", "why"),
    [
        ("", "this is no whole report"),
        (json.dumps(made())[:4000], "this is no whole report"),
        ("[]", "this is no whole report"),
        ("[" * 100_000, "this is no whole report"),
        (made(report=2), "report: "),
        ({**made(), "requirements": made()["requirements"][:1] * 2}, "a requirement twice"),
        (made(document={"name": "loft"}), "this is a report of loft, not of hutch"),
    ],
    ids=["empty", "cut short", "no object", "deep", "another version", "twice", "another document"],
)
def test_what_is_no_report_of_this_instrument_is_one_clear_error(written, capfd, report, why):
    good, bad = written("a.json", made()), written("b.json", report)
    assert command.run(["history", good, bad]) == 2
    shown = capfd.readouterr()
    assert shown.out == ""
    assert shown.err.count("\n") == 1
    assert bad in shown.err
    assert why in shown.err


def test_one_report_and_a_missing_one_are_errors(written, capfd):
    good = written("a.json", made())
    assert command.run(["history", good]) == 2
    assert "one report has no history" in capfd.readouterr().err
    assert command.run(["history", good, f"{good}.none"]) == 2
    assert "there is no such file" in capfd.readouterr().err


def test_a_check_says_what_has_changed_since_and_keeps_its_own_status(tmp_path, monkeypatch, capfd):
    monkeypatch.chdir(tmp_path)
    check = ["check", "brae", "emu://brae", "--json", "r.json", "--only", "wire.length"]
    assert command.run([*check, "--only", "point.self.state.readable"]) == 0
    capfd.readouterr()
    # The new report may take the place of the old one.
    assert command.run([*check, "--since", "r.json"]) == 0
    told = capfd.readouterr().out
    assert "no longer tried: 1" in told
    assert "point.self.state.readable (was pass): not asked for" in told


def test_a_check_takes_no_report_of_another_document_and_does_not_begin(
    written, tmp_path, monkeypatch, capfd
):
    monkeypatch.chdir(tmp_path)
    other = written("a.json", made())
    kept = (tmp_path / "a.json").read_text()
    assert command.run(["check", "brae", "emu://brae", "--since", other, "--json", other]) == 2
    assert "this is a report of hutch, not of brae" in capfd.readouterr().err
    assert (tmp_path / "a.json").read_text() == kept
