"""Instruments that do much by themselves are followed, and none of it is held against them."""

from __future__ import annotations

from tests.protocol.conformance.instruments import try_purpose
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance.purposes import meddling
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.document.load import read_document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.vow import compile_vow

LIFT = """
vow: {name: lift, version: "1.0.0", title: A lift that goes by itself}
wire:
  {version: 1, baud: 9600, line_limit: 96, reply_deadline: 50 ms, idle_typing: 30 s, idle_checked: 2 s,
   parts: [PARTS]}
quantities:
  air: {unit: Cel, step: 0.1, low: -40, high: 120, accuracy: {reading_percent: 0, range_percent: 0.5}}
  seconds: {unit: s, step: 0.1, low: 0, high: 999999}
  count: {unit: "1", step: 1, low: 0, high: 65535}
points:
  shaft.air: {means: How warm the shaft is, quantity: air, signal: room.temperature, every: 100 ms}
  door.mode: {means: What the door does, choice: [shut, open], access: set, default: shut}
  way.mode: {means: Which way it goes, choice: [none, up, down], access: set, default: none}
  self.vow: {means: What it is, system: identity}
  self.state: {means: Where it is, system: state}
  self.uptime: {means: Since the boot, system: uptime, quantity: seconds}
  self.boot_cause: {means: Why it booted, system: boot_cause}
  self.boots: {means: How often it booted, system: boots, quantity: count}
  link.guard: {means: Checks are wanted, system: guard, access: set}
  trip.last: {means: The last trip, system: last_trip}
MORE
states:
  low:
    means: Below
    initial: true
    outputs: {heater: 1}
  middle:
    means: Half way
    outputs: {heater: 1}
    leaves:
      - {when: way.mode == 'up', to: high, provoke: {state: middle, put: {way.mode: up}, within: 1 s}}
  high:
    means: Above
    outputs: {heater: 1}
    leaves:
      - {after: 5 s, to: middle}
  halted:
    means: The door is open
    outputs: {heater: 0}
  aside:
    means: Out of the shaft
    outputs: {heater: 0}
  loft:
    means: At the top
    outputs: {heater: 0}
actions:
  lift.raise: {means: Go up, from: [low, high], to: middle, repeat: safe}
  lift.claim: {means: Ask for the loft, from: [middle], gives_ticket: 5 s, repeat: safe}
  lift.park: {means: Go there, from: [middle], to: loft, takes_ticket: lift.claim, repeat: safe}
  lift.rest: {means: Leave the shaft, from: [low], to: aside, repeat: safe}
  lift.lower: {means: Go down, from: [middle, high, aside, loft], to: low, repeat: safe, always: true}
  trip.clear: {means: Go on, from: [halted], to: low, does: [clear_trip], repeat: safe}
trips:
  warm:
    means: The shaft is too warm
    when: shaft.air > 40
    in: [low]
    after: 200 ms
    WARM
    reports: shaft.air
    provoke: {state: low, bench: {outside.temperature: 60}, relief: {outside.temperature: 10}, within: 500 s}
  door:
    means: The door is open
    when: door.mode == 'open'
    in: [low, middle]
    after: HOLD
    DOOR
    reports: door.mode
    provoke: {state: low, put: {door.mode: open}, within: 2 s}
trial: {safe: lift.lower}
bench:
  outside.temperature:
    {means: Air outside, value: air, base: 10MOVES}
plant:
  {kind: room, heater_watt: 50, loss_kelvin_per_watt: 0.2, window_kelvin_per_watt: 0.2,
   room_joule_per_kelvin: 250, sensor_lag_second: 1, outside_celsius: 10}
"""
TELLING = """
  link.notices: {means: It tells, system: notices, access: set}
  link.drops: {means: What was not told, system: drops, quantity: count}
  panel.control: {means: Who has control, system: control}
"""


ASIDE = "latched: false\n    to: aside"
HALTED = "latched: true\n    to: halted"


def hands_on_lift(*, telling: bool, hold: str = "1 s", warm: str = ASIDE, door: str = HALTED) -> Hands:
    text = LIFT.replace("PARTS", "local, notices" if telling else "")
    text = text.replace("HOLD", hold).replace("WARM", warm).replace("DOOR", door)
    # Where it latches, nothing says how long the air takes to follow.
    text = text.replace("MOVES", "" if "true" in warm else ", other: 20, moves: {shaft.air: 500 s}")
    loaded = read_document(text.replace("MORE", TELLING.strip("\n") if telling else ""), "lift")
    assert [each.text("lift") for each in vet(loaded).found] == []
    vow = compile_vow(loaded.document)
    hands = direct_tester(vow, Instrument(vow, seed=1), seed=1)
    hands.acquaint()
    hands.home()
    return hands


def test_what_happens_at_the_instant_of_a_hand_may_be_told_before_it() -> None:
    hands = hands_on_lift(telling=True, hold="0 s")
    hands.put("door.mode", "open")
    hands.panel("panel.control", "local")
    hands.panel("panel.control", "remote")
    assert hands.state == "halted"


def test_a_state_that_is_left_and_entered_again_at_once_was_left() -> None:
    hands = hands_on_lift(telling=True)
    try_purpose(hands, "leave", "state.high.leave.1")


def test_a_state_that_is_left_and_entered_again_untold_was_left_too() -> None:
    hands = hands_on_lift(telling=False)
    hands.goto("high")
    hands.put("way.mode", "up")
    hands.wait(10**9)
    (leave,) = hands.vow.document.states["high"].leaves
    hands.leave("high", leave)
    assert hands.ask("self.state").words == ("high",)
    assert hands.oracle.twin.entered_ns == hands.now_ns // 10**9 * 10**9


def test_where_nothing_tells_a_state_that_may_be_another_is_asked_for() -> None:
    hands = hands_on_lift(telling=False)
    hands.bench("outside.temperature", "60")
    hands.alive(60 * 10**9)
    assert hands.ask("self.state").words == ("aside",)
    hands.bench("outside.temperature", "10")
    hands.goto("halted")
    assert hands.ask("self.state").words == ("halted",)


def test_what_leads_away_from_home_is_put_back_before_going_there() -> None:
    hands = hands_on_lift(telling=False, hold="0 s", warm=HALTED, door=ASIDE)
    hands.put("door.mode", "open")
    hands.wait(10**9)
    hands.home()
    assert hands.ask("self.state").words == ("low",)
    assert hands.ask("door.mode").words == ("shut",)


def test_a_setting_that_leads_on_from_a_state_on_the_way_is_put_back() -> None:
    hands = hands_on_lift(telling=True)
    hands.put("way.mode", "up")
    hands.goto("loft")
    assert hands.ask("self.state").words == ("loft",)


def test_what_made_a_trip_that_was_only_a_way_is_taken_back() -> None:
    hands = hands_on_lift(telling=True, warm="latched: false\n    to: high")
    hands.goto("high")
    assert hands.ask("trip.last").words[0] == "warm"
    assert hands.bench_now["outside.temperature"] == 10


def test_a_latch_on_the_way_is_waited_for_until_its_cause_has_gone() -> None:
    hands = hands_on_lift(telling=True, hold="1 s", warm=HALTED)
    hands.bench("outside.temperature", "60")
    hands.alive(1000 * 10**9)
    assert hands.ask("self.state").words == ("halted",)
    hands.bench("outside.temperature", "10")
    hands.goto("middle")
    assert hands.ask("self.state").words == ("middle",)


def test_a_state_that_a_trip_has_led_to_may_end_so_much_sooner() -> None:
    found = set()
    for first_s in (1, 2, 3, 4):
        hands = hands_on_lift(telling=True, warm="latched: false\n    to: high")
        hands.bench("outside.temperature", "60")
        hands.wait(first_s * 10**9)
        while hands.state == "low":
            hands.wait(4 * 10**9)
        hands.wait(3 * 10**9)  # what lasts 5 s may have begun up to 4 s before it was seen
        found.add(hands.state)
    assert found == {"high", "middle"}


def test_a_trip_to_a_state_that_time_has_ended_is_no_failure() -> None:
    hands = hands_on_lift(telling=False, warm="latched: false\n    to: high")
    meddling.struck(hands, "warm")
    assert hands.state == "middle"
