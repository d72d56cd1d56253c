"""The page in a browser: each control changes the world, the readings follow, and nobody is kept out."""

import csv
import re
from importlib.resources import files

import pytest

pytest.importorskip("aiohttp", reason="install aiohttp: pip install 'wirevow[panel]'")
pytest.importorskip("playwright", reason="install playwright: pip install playwright")

from playwright.sync_api import expect

from tests.emu.panel.serving import emulated, panel

BRAE = files("wirevow.spec").joinpath("brae.yaml").read_text()
MARKUP = "<img src=x onerror=alert(1)><script>alert(2)</script>"


@pytest.fixture(scope="module")
def tarn():
    with panel("tarn", "--listen", "tcp:127.0.0.1:0", "--bench", "mishaps") as serving:
        yield serving


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """An instrument that breaks one promise, of a document whose texts look like markup."""
    document = tmp_path_factory.mktemp("hostile") / "evil.yaml"
    titled = re.sub("title: .*", f"title: '{MARKUP}'", BRAE)
    means = f"means: '{MARKUP} & \"quoted\"'"
    document.write_text(re.sub('means: ("[^"]*"|[^,}\n]*)', lambda found: means, titled))
    with panel(str(document), "--listen", "tcp:127.0.0.1:0", "--fault", "quotes-stripped") as serving:
        yield serving


def opened(page, serving):
    page.goto(serving.page)
    expect(page.locator("#contact")).to_contain_text("●")
    return page


def at(page, name):
    return page.locator(f'[id="{name}"]')


def reads(page, name, wanted):
    """Wait until a large figure is as wanted."""
    expect(at(page, f"value-{name}")).to_have_text(re.compile(wanted))


def put(page, name, value):
    at(page, f"put-{name}").fill(value)
    at(page, f"put-{name}").press("Enter")


def event(page, name, value):
    at(page, f"event-{name}").fill(value)
    at(page, f"event-{name}").press("Enter")
    expect(at(page, f"event-{name}-set")).to_have_text(f"set to {value}")


# ---------------------------------------------------------------------------------------------- the controls


def test_each_control_changes_the_world_and_the_readings_follow(page, tarn):
    opened(page, tarn)
    page.get_by_role("button", name="Hold time").click()
    expect(page.locator("#contact")).to_contain_text("Time stands")
    put(page, "sink.level", "1.5")
    expect(page.locator("#log")).to_contain_text("put sink.level 1.500 A")
    at(page, "act-sink.arm").click()
    expect(page.locator("#state")).to_have_text("armed")
    at(page, "act-sink.start").click()
    expect(page.locator("#state")).to_have_text("sinking")
    expect(page.locator(".states .here")).to_contain_text("sinking")
    before = page.locator(".instant").inner_text()
    page.get_by_role("button", name="+1 s", exact=True).click()
    expect(page.locator(".instant")).not_to_have_text(before)
    reads(page, "input.current", r"^1\.[45]\d\d$")
    event(page, "source.voltage", "15")
    page.get_by_role("button", name="+0.1 s").click()
    reads(page, "input.voltage", r"^1[45]\.")
    expect(page.locator("#plane-told")).to_contain_text(re.compile(r"Now at 1[45]\.\d+ V and 1\.[45]\d+ A"))
    # A mishap trips it; the page says which, and why.
    at(page, "event-thermistor-open").check()
    page.get_by_role("button", name="Let time run").click()
    expect(page.locator("#state")).to_have_text("tripped")
    expect(page.locator(".last")).to_contain_text("thermistor_open")
    expect(page.locator("tr[data-kind=last]")).to_contain_text("heat.sensor > 4.9")
    expect(page.locator("tr[data-kind=last]")).to_contain_text("cause still there")
    at(page, "act-trip.clear").click()
    expect(page.locator("#notice")).to_contain_text("refuse fault thermistor_open")
    at(page, "event-thermistor-good").check()
    expect(page.locator("tr[data-kind=last]")).to_contain_text("cause gone")
    at(page, "act-trip.clear").click()
    expect(page.locator("#state")).to_have_text("off")
    # Hours pass in seconds; the battery of readings is kept.
    page.locator("#speed").select_option("1000")
    expect(page.locator(".instant")).to_have_text(re.compile(r"^00:0[1-9]"))
    page.locator("#speed").select_option("1")
    # Its supply fails, and comes back; its reset pin is pulled.
    boots = page.get_by_role("row", name=re.compile(r"^self\.boots")).locator(".number")
    expect(boots).to_have_text("1")
    page.locator("#supply").uncheck()
    expect(page.locator("#state")).to_have_text("without supply")
    page.locator("#supply").check()
    expect(boots).to_have_text("2")
    page.get_by_role("button", name="Pull its reset pin").click()
    expect(boots).to_have_text("3")


def test_every_knob_of_the_document_can_be_turned(page, tarn):
    opened(page, tarn)
    knobs = page.locator("#world .knob")
    turned = 0
    for index in range(knobs.count()):
        knob = knobs.nth(index)
        name = knob.locator("> :first-child").inner_text()
        if knob.locator("input[type=radio]").count():
            if name != "panel.control":
                knob.locator("input[type=radio]").last.check()
                word = knob.locator("input[type=radio]").last.get_attribute("value")
                expect(knob.locator(".set")).to_have_text(f"set to {word}")
                knob.locator("input[type=radio]").first.check()
                turned += 1
        elif knob.locator("input[type=text]").count() and not name.startswith("panel."):
            base = knob.locator("input").get_attribute("placeholder") or "1"
            knob.locator("input").fill(base)
            knob.locator("button").click()
            expect(knob.locator(".set")).to_have_text(f"set to {base}")
            turned += 1
    assert turned >= 12
    expect(page.locator("#notice")).to_be_hidden()


def test_lines_are_sent_completed_and_sifted(page, tarn):
    opened(page, tarn)
    line = page.locator("#line")
    line.fill("put sink.le")
    assert page.locator("#offers option[value='put sink.level']").count() == 1
    line.fill("put sink.level 2.5")
    assert page.locator("#offers option").first.get_attribute("value") == "put sink.level 2.500 A"
    line.fill("put sink.level 2.5 A")
    line.press("Enter")
    expect(page.locator("#log")).to_contain_text("refuse type digits 3")
    line.fill(MARKUP)
    line.press("Enter")
    expect(page.locator("#log")).to_contain_text(MARKUP)
    assert page.locator("#log img, #log script").count() == 0
    page.locator("#only").select_option("refuse")
    shown = page.locator("#log li:visible")
    assert {each.get_attribute("class") for each in shown.all()} == {"refuse"}
    page.locator("#only").select_option("all")
    expect(page.locator(".who-has")).to_have_text("This page is the host.")
    page.locator("#take").click()
    expect(page.locator(".who-has")).to_have_text("Nobody is at the port.")


def test_what_a_host_program_does_shows_at_once(page, tarn):
    import serial

    opened(page, tarn)
    with serial.serial_for_url(tarn.port, timeout=30) as port:
        port.write(b"put sink.level 0.750 A\n")
        assert port.readline() == b"ok 0.750 A\n"
        expect(page.locator("#log")).to_contain_text("put sink.level 0.750 A")
        expect(page.get_by_role("row", name=re.compile(r"^sink\.level")).locator(".number")).to_have_text(
            "0.750 A"
        )
        expect(page.locator(".who-has")).to_have_text("A host program has the port.")
        expect(page.locator("#line")).to_be_disabled()
        at(page, "act-sink.stop").focus()
        expect(page.locator("#acts-told")).to_contain_text("a host program has the port")


def test_traces_zoom_have_cursors_and_are_exported(page, tarn, tmp_path):
    opened(page, tarn)
    expect(page.locator(".strip")).to_have_count(4)
    page.get_by_role("button", name="Hold time").click()
    page.get_by_role("button", name="+1 min", exact=True).click()
    page.locator("#closer").click()
    expect(page.locator("#follow")).to_have_attribute("aria-pressed", "false")
    page.locator("#strips").press("a")
    page.locator("#strips").press("b")
    expect(page.locator(".cursors")).to_contain_text("B − A")
    expect(page.locator(".cursors tbody tr")).to_have_count(4)
    page.locator("#strips").press("Home")
    expect(page.locator("#follow")).to_have_attribute("aria-pressed", "true")
    page.get_by_role("button", name="all", exact=True).click()
    with page.expect_download() as download:
        page.locator("#export").click()
    download.value.save_as(tmp_path / "readings.csv")
    rows = list(csv.reader((tmp_path / "readings.csv").read_text().splitlines()))
    assert rows[0] == [
        "time, s",
        "input.voltage, V",
        "input.current, A",
        "input.power, W",
        "heat.sink, Cel",
    ]
    assert len(rows) > 5
    assert all(len(row) == 5 for row in rows)
    page.get_by_role("button", name="Let time run").click()


# ----------------------------------------------------------------------------------------------- a check


def test_a_check_is_run_from_the_page_and_a_failure_stepped_through(page, hostile):
    opened(page, hostile)
    page.locator("#check-only").fill("wire.s*")
    page.locator("#check-start").click()
    expect(page.locator("#check-told")).to_contain_text("✕ fail", timeout=60_000)
    failure = page.locator(".failure")
    expect(failure).to_have_count(1)
    expect(failure).to_contain_text("wire.syntax")
    expect(failure).to_contain_text("refuse syntax")
    expect(failure.locator("[aria-current=step]")).to_contain_text("ok idle")
    failure.get_by_role("button", name="Step back").click()
    expect(failure.locator("[aria-current=step]")).to_contain_text('"ask self.state"')
    expect(page.locator(".section h3").first).to_contain_text("1 fail")
    # What has come is still there for a page that comes later.
    page.reload()
    expect(page.locator("#check-told")).to_contain_text("✕ fail")


# ------------------------------------------------------------------------------------------- who can use it


@pytest.mark.parametrize(
    ("width", "scheme"), [(1920, "light"), (1100, "dark"), (360, "light"), (360, "dark")]
)
def test_nobody_is_kept_out(page, tarn, width, scheme):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="install axe-playwright-python: pip"
    )
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(color_scheme=scheme)
    opened(page, tarn)
    expect(page.locator(".strip")).to_have_count(4)
    found = axe.Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
    assert found.response["violations"] == [], found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_it_is_light_or_dark_as_the_person_says(page, tarn):
    page.emulate_media(color_scheme="light")
    opened(page, tarn)
    colour = "getComputedStyle(document.body).backgroundColor"
    light = page.evaluate(colour)
    page.locator("#look").click()
    page.locator("#look").click()
    assert page.evaluate(colour) != light
    page.reload()
    expect(page.locator("#look")).to_have_text("Look: dark")
    assert page.evaluate(colour) != light


def test_the_keyboard_reaches_every_control(page, tarn):
    opened(page, tarn)
    reached = set()
    for _ in range(400):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id"))
        if "check-start" in reached:
            break
    wanted = {"pause", "speed", "look", "event-source.voltage", "act-sink.arm", "strips", "put-sink.level"}
    assert wanted | {"line", "log", "only", "check-start"} <= reached


# ------------------------------------------------------------------------------------- what may go wrong


def test_a_lost_contact_is_shown_and_heals(page, tarn):
    routes = []

    def pass_on(route):
        routes.append(route)
        route.connect_to_server()

    page.route_web_socket(re.compile("/live$"), pass_on)
    opened(page, tarn)
    routes[0].close()
    expect(page.locator("#contact")).to_contain_text("Contact lost")
    expect(page.locator("#contact")).to_contain_text("●")
    before = page.locator(".instant").inner_text()
    expect(page.locator(".instant")).not_to_have_text(before)
    assert len(routes) == 2


def test_a_second_page_looks_until_it_takes_the_controls(page, tarn):
    opened(page, tarn)
    other = page.context.new_page()
    other.goto(tarn.page)
    expect(other.locator("#contact")).to_contain_text("Another page has the controls")
    expect(other.locator("#pause")).to_be_disabled()
    other.locator("#hands").click()
    expect(other.locator("#pause")).to_be_enabled()
    expect(page.locator("#pause")).to_be_disabled()


def test_a_wrong_key_is_said(page, tarn):
    page.goto(tarn.page.partition("#")[0] + "#wrong")
    expect(page.locator("#notice")).to_contain_text("the address that was printed last")


def test_a_document_without_physics_is_said(page, tmp_path):
    document = tmp_path / "mine.yaml"
    document.write_text(BRAE.partition("\nplant:")[0] + "\n")
    with panel(str(document), "--listen", "tcp:127.0.0.1:0") as serving:
        page.goto(serving.page)
        expect(page.locator("#notice")).to_contain_text("plant")
        expect(page.locator("#contact")).to_contain_text("No instrument")


def test_no_text_of_a_document_is_markup(page, hostile):
    opened(page, hostile)
    expect(page.locator("#title")).to_have_text(MARKUP)
    expect(page.locator("#world .means").first).to_contain_text(MARKUP)
    assert page.locator("img").count() == 0
    assert page.locator("script:not([src])").count() == 0


def test_control_of_a_real_one_is_taken_after_the_cautions(page):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="install axe-playwright-python: pip"
    )
    with emulated("tarn") as box, panel("tarn", "--port", box) as serving:
        page.goto(serving.page)
        expect(page.locator("#contact")).to_contain_text("Only looking")
        expect(page.locator("#state")).to_have_text("off")
        at(page, "act-sink.arm").focus()
        expect(page.locator("#acts-told")).to_contain_text("has not the controls")
        page.locator("#hands").click()
        expect(page.locator("dialog")).to_contain_text("Batteries")
        assert axe.Axe().run(page).response["violations"] == []
        page.locator("#control").click()  # before it is agreed to, nothing happens
        expect(page.locator("dialog")).to_be_visible()
        page.locator("#agree").check()
        page.locator("#control").click()
        expect(page.locator("#contact")).to_contain_text("This page has control")
        at(page, "act-sink.arm").click()
        expect(page.locator("#state")).to_have_text("armed")
        page.locator("#hands").click()
        expect(page.locator("#contact")).to_contain_text("Only looking")
        expect(page.locator("#state")).to_have_text("off")
