"""The bench page, measured: ``python -m tests.bench.page [SECONDS]`` (needs Chromium, playwright).

For one joint at 1 kHz and sixteen at 200 Hz: time to first data, blocks a second, age of the
newest sample when a frame is drawn, server's share of a core, growth of its memory, of the other
processes' and of the page's own, and STOP from the press to the boards' answer while a joint is
driven.
"""

import json
import os
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import expect, sync_playwright

from tests.page.conftest import Bench

SECONDS = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
STOPS = int(os.environ.get("STOPS", "30"))


def usage(pid):
    """CPU seconds and resident MB of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    ticks = os.sysconf("SC_CLK_TCK")
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return (int(fields[11]) + int(fields[12])) / ticks, pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def others_MB(pid):
    """Resident memory of all processes that a process has begun, and they in turn."""
    own = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return sum(usage(one)[1] + others_MB(one) for one in own)


def heap_MB(page):
    """Memory that the page's own objects take, after a collection."""
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    return session.send("Runtime.getHeapUsage")["usedSize"] / 1e6


def share(values, part):
    """A quantile of a list."""
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


def stop_while_driven(page, count):
    """Arm the joint in view and press STOP, so many times: a board that drives has more to answer."""
    page.click("[data-step=arm] summary")
    page.check("#cautioned")
    state = page.locator("#state")
    for _ in range(count):
        page.click("#arm")
        expect(state).to_contain_text("cable can pull", timeout=60_000)
        page.keyboard.press("Escape")
        expect(state).to_contain_text("TRIPPED", timeout=60_000)
        page.click("#clear")
        expect(state).to_contain_text("Drive is off", timeout=60_000)


def measure(browser, joints, rate):
    """One load: a dictionary of figures."""
    begun = time.perf_counter()
    made = Bench(Path(tempfile.mkdtemp()), joints=joints, rate=rate)
    try:
        context = browser.new_context(viewport={"width": 1280, "height": 720}, bypass_csp=True)
        page = context.new_page()
        page.goto(made.url)
        ready = page.locator("#angle")
        if joints == 1:
            expect(ready).not_to_have_text("-", timeout=20_000)
        else:
            expect(page.locator("#grid b").last).to_contain_text("deg off", timeout=20_000)
        found = {"first_data_s": time.perf_counter() - begun}
        time.sleep(12.0)  # until the computing process is warm
        rest, heap = others_MB(made.process.pid), heap_MB(page)
        before, (cpu, memory), t = (
            page.evaluate("benchNumbers()"),
            usage(made.process.pid),
            time.time(),
        )
        time.sleep(SECONDS)
        after, (cpu_2, memory_2), spent = page.evaluate("benchNumbers()"), usage(made.process.pid), time.time() - t  # fmt: skip
        found["blocks_per_s"] = (after["blocks"] - before["blocks"]) / spent
        found["frames_per_s"] = (after["frames"] - before["frames"]) / spent
        found["lag_ms_median"] = share(after["lag"], 0.5)
        found["server_share_of_a_core"] = (cpu_2 - cpu) / spent
        found["memory_growth_MB"] = memory_2 - memory
        found["others_growth_MB"] = others_MB(made.process.pid) - rest
        found["page_growth_MB"] = heap_MB(page) - heap
        if joints > 1:
            page.click("#grid button >> nth=0")
        stop_while_driven(page, STOPS)
        stops = page.evaluate("benchNumbers()")["stops"]
        found["stop_ms"] = {
            "median": share(stops, 0.5),
            "p99": share(stops, 0.99),
            "count": len(stops),
        }
        found["quality"] = page.text_content("#quality")
        context.close()
        return found
    finally:
        made.close()


def main():
    """Measure both loads and print as JSON."""
    results = {}
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium",
                                       args=["--no-sandbox", "--disable-gpu"])  # fmt: skip
        for joints, rate in ((1, "1 kHz"), (16, "200 Hz")):
            results[f"{joints} x {rate}"] = measure(browser, joints, rate)
        browser.close()
    print(json.dumps(results, indent=2))


if __name__ == "__main__":
    main()
