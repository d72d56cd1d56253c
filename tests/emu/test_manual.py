"""`wirevow generate manual`: what is on the page, that it is true, and no text of a document is markup."""

import re
from html.parser import HTMLParser
from importlib.resources import files

import pytest

from wirevow.emu import command
from wirevow.emu.loading import load, version
from wirevow.emu.manual.changes import changes
from wirevow.emu.manual.examples import ExampleError
from wirevow.emu.manual.page import manual
from wirevow.emu.pictures import states
from wirevow.protocol.compare.comparison import compare
from wirevow.protocol.message import REASONS

BRAE = files("wirevow.spec").joinpath("brae.yaml").read_text(encoding="utf-8")
VOID = {"meta", "link", "img", "br"}


class Page(HTMLParser):
    """What a browser would make of a page: elements, ids in order, and the text under each id."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.ids, self.texts, self._open = set(), [], [], {}, []
        self.feed(text)
        self.close()
        assert self._open == [], "an element is left open"

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        self.attributes += attributes
        name = dict(attributes).get("id")
        if name is not None:
            assert name not in self.ids, f"{name} is there twice"
            self.ids.append(name)
        if tag not in VOID:
            self._open.append((tag, name))

    def handle_startendtag(self, tag, attributes):
        self.tags.add(tag)

    def handle_endtag(self, tag):
        assert self._open.pop()[0] == tag

    def handle_data(self, data):
        for _, name in self._open:
            if name is not None:
                self.texts[name] = self.texts.get(name, "") + data


@pytest.fixture(scope="module")
def tarn():
    pytest.importorskip("matplotlib", reason="pip install 'wirevow[pictures]'")
    return Page(manual(load("tarn")))


def test_every_point_action_and_trip_is_told_and_all_that_are_run_have_their_example(tarn):
    vow = load("tarn")
    for kind, names in (("point", vow.points), ("action", vow.actions), ("trip", vow.trips)):
        for name in names:
            text = tarn.texts[f"{kind}-{name}"]
            assert "< " in text, f"{kind} {name} has no example"
    assert "0.000 to 6.000 A, in steps of 0.001" in tarn.texts["point-sink.level"]
    assert "at most limit.current" in tarn.texts["point-sink.level"]
    assert "off, armed" in tarn.texts["point-sink.mode"]
    assert "< ok sinking" in tarn.texts["action-sink.start"]
    assert "input.voltage > limit.voltage" in tarn.texts["trip-overvoltage"]
    assert "1 ms" in tarn.texts["trip-overvoltage"]
    assert "act trip.clear" in tarn.texts["trip-overvoltage"]
    assert "trip overvoltage 2" in tarn.texts["trip-overvoltage"]


def test_cautions_come_first_and_are_about_the_instrument(tarn):
    assert tarn.ids[0] == "cautions"
    text = tarn.texts["cautions"]
    for word in ("Batteries", "Heat", "fuse", "60 V", "link_silent"):
        assert word in text
    assert "this program" not in text
    assert "tried before" not in text


def test_the_page_needs_nothing_else(tarn):
    assert not tarn.tags & {"script", "link", "iframe", "object", "base"}
    for name, value in tarn.attributes:
        assert not name.startswith("on")
        if name in ("src", "href"):
            assert value.startswith(("data:image/svg+xml;base64,", "#")), value


def contrast(one, other):
    """The contrast ratio of two colours, `#rrggbb` (WCAG 2.2, "relative luminance", "contrast ratio")."""

    def luminance(colour):
        parts = [int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_every_text_has_the_contrast_of_level_aa_on_both_grounds():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    style = files("wirevow.emu.manual").joinpath("templates", "manual.html.j2").read_text(encoding="utf-8")
    schemes = [
        dict(re.findall(r"--(\w+): (#\w+)", each)) for each in re.findall(r":root \{(.*?)\}", style, re.S)
    ]
    assert len(schemes) == 2
    for colours in schemes:
        full = {
            name: each if len(each) == 7 else "#" + "".join(c * 2 for c in each[1:])
            for name, each in colours.items()
        }
        for text in ("ink", "soft", "host", "stop"):
            for ground in ("paper", "shade"):
                assert contrast(full[text], full[ground]) >= 4.5, (text, ground)


def test_every_link_leads_somewhere(tarn):
    targets = [value[1:] for name, value in tarn.attributes if name == "href"]
    assert targets
    assert set(targets) <= set(tarn.ids)


EARLIER = (
    ("version: 0.3.0", "version: 0.2.0"),
    ("when: room.temperature < -35", "when: room.temperature < -30"),  # a protection acts later now
    ("reply_deadline: 200 ms", "reply_deadline: 250 ms"),
    ("spread: {unit: K, step: 0.5", "spread: {unit: K, step: 0.1"),  # this breaks hosts
    ("set_temperature: {unit: Cel, step: 0.5, low: 5.0, high: 30.0}",
     "set_temperature: {unit: Cel, step: 0.5, low: 5.0, high: 32.0}"),
    ("room.lack", "room.gap"),  # a rename
)  # fmt: skip


@pytest.fixture(scope="module")
def since(tmp_path_factory):
    """Brae's manual for who has an earlier version, and the comparison that it tells."""
    text = BRAE
    for now, before in EARLIER:
        assert now in text
        text = text.replace(now, before)
    old = tmp_path_factory.mktemp("earlier") / "brae.yaml"
    old.write_text(text, encoding="utf-8")
    found = compare(version(str(old)), version("brae"))
    return old, found, Page(manual(load("brae"), since=found))


def test_what_has_changed_is_told_protection_first(since):
    _, found, page = since
    text = " ".join(page.texts["changes"].split())
    heads = ["Changes since version 0.2.0", "Protection that acts later", "Host programs that have to be",
             "Host programs to look at", "Settings that were saved", "New"]  # fmt: skip
    places = [text.index(head) for head in heads]
    assert places == sorted(places)
    assert "trip sensorit acts when room.temperature < -35" in text
    assert text.index("point room.lack") > text.index("New")
    assert "point room.gap is gone, and room.lack has come" in text
    assert "0.2.0" in page.texts["cautions"]
    told = {each.effect.reason for each in found.differences if each.effect.grade != "safe"}
    told -= {"the protection acts elsewhere"}  # the same of host programs: told once, of the protection
    assert told
    for reason in told:
        assert reason in text, reason


def test_a_saved_setting_that_is_taken_for_another_is_told(tmp_path, monkeypatch):
    # So that another name of the same length has its mark.
    monkeypatch.setattr("wirevow.protocol.store.crc32", len)
    new = tmp_path / "brae.yaml"
    new.write_text(BRAE.replace("room.wanted", "room.wished"), encoding="utf-8")
    found = compare(version("brae"), version(str(new)))
    told = {title: [row.what for row in rows] for title, _, rows in changes(load(new), found).groups}
    assert told["Saved settings that are taken for others"] == ["point room.wished"]


def test_every_link_of_the_changes_leads_somewhere(since):
    _, _, page = since
    targets = {value[1:] for name, value in page.attributes if name == "href"}
    assert {"changes", "trip-sensor", "point-room.lack"} <= targets <= set(page.ids)


def test_the_command_takes_the_earlier_version_and_says_if_the_version_is_too_small(since, tmp_path, capfd):
    old, _, _ = since
    out = tmp_path / "manual.html"
    same = ["generate", "manual", "brae", "-o", str(out), "--since", "brae"]
    assert command.run(same) == 0
    assert "Nothing has changed" in out.read_text(encoding="utf-8")
    assert "too small" not in capfd.readouterr().err
    old.write_text(old.read_text().replace("version: 0.2.0", "version: 0.3.0"))
    assert command.run([*same[:-1], str(old)]) == 0
    assert "too small" in capfd.readouterr().err
    assert command.run([*same[:-1], "tarn"]) == 2
    assert "compare two versions" in capfd.readouterr().err


def test_there_are_pictures_of_states_limits_fan_and_derating(tarn):
    assert "svg" in tarn.tags
    assert sum(name == "src" for name, _ in tarn.attributes) == 3


@pytest.mark.parametrize("name", ["tarn", "brae"])
def test_no_arrow_of_the_states_covers_another_and_none_is_left_out(name):
    vow = load(name)
    picture = states(vow)
    paths = re.findall(r'<path d="(M[^"]*Q[^"]*)"', picture)
    assert len(paths) == len(set(paths))
    ways = {(state, to) for action in vow.actions.values() for state, to in action.to.items()}
    ways |= {(state, leave.to) for state, entry in vow.states.items() for leave in entry.leaves}
    ways |= {(state, trip.to) for trip in vow.trips.values() for state in trip.armed_in}
    assert len(paths) == sum(state != to for state, to in ways)


def test_every_reason_of_a_refusal_is_told_with_an_example(tarn):
    for reason in REASONS:
        assert f"< refuse {reason}" in tarn.texts["refusal-table"], reason


def test_a_document_without_limits_has_a_manual_too_the_same_every_time():
    text = manual(load("brae"))
    assert text == manual(load("brae"))
    page = Page(text)
    assert "The document declares none." in text
    assert "5.0 to 30.0 Cel, in steps of 0.5" in page.texts["point-room.wanted"]
    assert page.texts["refusal-table"].count("refuse range 10 3600 s") == 1


@pytest.mark.parametrize(
    "fault",
    ["case-ignored", "unit-ignored", "identity-of-older-document", "bound-high-one-over", "trip-first-never",
     "stop-forgotten-in-one-state", "trip-noticed-without-unit", "clear-never"],
)  # fmt: skip
def test_an_example_that_is_answered_otherwise_breaks_the_build(fault):
    with pytest.raises(ExampleError):
        manual(load("brae"), fault=fault)


def test_where_an_example_fails_nothing_is_written(tmp_path, capfd):
    wrong = tmp_path / "tarn.yaml"
    text = files("wirevow.spec").joinpath("tarn.yaml").read_text(encoding="utf-8")
    wrong.write_text(text.replace("bench: {lead.sense: open}", "bench: {ambient: 30.0}"))
    out = tmp_path / "manual.html"
    assert command.run(["generate", "manual", str(wrong), "-o", str(out)]) == 2
    assert "trip sense_open should lead to tripped" in capfd.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize("had", ["outputs: {heater: 0}", "outputs: {heater: 1}"], ids=["at boot", "later"])
def test_a_document_that_the_simulation_cannot_run_is_one_line(had, tmp_path, capfd):
    wrong = tmp_path / "brae.yaml"
    assert had in BRAE
    wrong.write_text(BRAE.replace(had, "outputs: {kettle: 0}", 1))
    out = tmp_path / "manual.html"
    assert command.run(["generate", "manual", str(wrong), "-o", str(out)]) == 2
    error = capfd.readouterr().err
    assert "kettle" in error
    assert "Traceback" not in error
    assert not out.exists()


def test_the_command_writes_the_page(tmp_path, capfd):
    out = tmp_path / "manual.html"
    assert command.run(["generate", "manual", "brae", "-o", str(out)]) == 0
    assert capfd.readouterr().out.split() == [str(out)]
    assert Page(out.read_text(encoding="utf-8")).ids


HOSTILE = (
    "</title></p></svg><script>alert(1)</script><img src=x onerror=alert(2)> {{ 7 * 7 }} {% raw %} & \\\" '"
)


def test_no_text_of_a_document_is_markup(tmp_path):
    plain = Page(manual(load("brae")))
    told = BRAE.replace("Brae, a room thermostat with one heater", f'"{HOSTILE}"')
    for prose in ("Air in the room.", "Heater off. Always allowed.", "The heater is off.",
                  "The sensor is broken; its reading is at the end of the scale.",
                  "Name, version and digest of this document."):  # fmt: skip
        assert prose in told
        told = told.replace(f'"{prose}"', prose).replace(prose, f'"{HOSTILE}"')
    file = tmp_path / "hostile.yaml"
    file.write_text(told, encoding="utf-8")
    text = manual(load(str(file)))
    page = Page(text)
    assert page.tags == plain.tags
    assert page.ids == plain.ids
    assert not any(name.startswith("on") for name, _ in page.attributes)
    assert "{{ 7 * 7 }}" in page.texts["point-room.temperature"]
    assert "<script>alert(1)</script>" in page.texts["point-room.temperature"]
