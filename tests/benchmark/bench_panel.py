"""What an open page costs a host program, how soon it shows the instrument, and whether it keeps up."""

import os
import statistics
import subprocess
import sys
import time

from tests import browser as browsers
from tests.benchmark.bench_ports import REQUESTS, trip
from tests.emu.panel.serving import panel
from tests.emu.panel.traffic import FRAME_MS, GROWTH, measured, opened

BARS = {
    "panel_cost": ("at least", 0.8),
    "panel_first_paint_s": ("at most", 1.0),
    "panel_frame_share": ("at most", 1.0),
    "panel_heap_growth": ("at most", GROWTH),
}
ROUNDS = 9
TRIPS = 500
STARTS = 3
TRAFFIC_S = 20.0


def host(port: str) -> float:
    """Seconds that a host's round trips take."""
    descriptor = os.open(port, os.O_RDWR | os.O_NOCTTY)
    try:
        os.set_blocking(descriptor, True)
        for request in REQUESTS:
            trip(descriptor, request)
        begun = time.perf_counter()
        for count in range(TRIPS):
            trip(descriptor, REQUESTS[count % len(REQUESTS)])
        return time.perf_counter() - begun
    finally:
        os.close(descriptor)


def cost() -> float:
    """Round trips with the page open and drawing, over those without."""
    with panel("tarn") as serving, opened(serving) as page:
        assert serving.port is not None
        without, during = [], []
        for _ in range(ROUNDS):
            page.goto("about:blank")
            time.sleep(0.5)
            without.append(host(serving.port))
            page.goto(serving.page)
            page.wait_for_selector("#state:not(:empty)")
            time.sleep(0.5)
            during.append(host(serving.port))
        return statistics.median(without) / statistics.median(during)


def emulator_s() -> float:
    """From a cold start to the emulator's port."""
    begun = time.perf_counter()
    code = "from wirevow.emu.command import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", code, "emulate", "tarn"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    process.stdout.readline()
    passed = time.perf_counter() - begun
    process.terminate()
    process.wait()
    process.stdout.close()
    return passed


def first_paint_s() -> float:
    """From a cold start to the first paint, in a browser that runs already; less the emulator's own start."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = browsers.started(playwright)
        page = browser.new_page()
        taken = []
        for _ in range(STARTS):
            own = emulator_s()
            begun = time.perf_counter()
            with panel("tarn") as serving:
                listening = time.perf_counter() - begun
                page.goto(serving.page)
                page.wait_for_selector("#state:not(:empty)")
                shown = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
                taken.append(listening + shown / 1000 - own)
            page.goto("about:blank")
        browser.close()
    return statistics.median(taken)


def measure() -> dict[str, float]:
    traffic = measured(TRAFFIC_S)
    return {
        "panel_cost": cost(),
        "panel_first_paint_s": first_paint_s(),
        "panel_frame_share": traffic["frame_ms"] / FRAME_MS,
        "panel_heap_growth": traffic["growth"],
    }
