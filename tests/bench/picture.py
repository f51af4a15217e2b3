"""The README's picture of the bench page: ``python -m tests.bench.picture`` (needs Chromium and Playwright).

The page on a virtual board of the demo joint, after a step up, a step down and a jog.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import expect, sync_playwright

ROOT = Path(__file__).resolve().parents[2]
WAIT = 60_000


def main():
    """Open the page, move the joint, take the picture."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "finger.toml"
        shutil.copy(ROOT / "host" / "demo" / "joint.toml", path)
        bench = subprocess.Popen(
            [sys.executable, "-m", "host.cli", "bench", str(path), "--no-browser"], cwd=folder,
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            url = next(line.strip() for line in bench.stdout if line.startswith("http://"))
            with sync_playwright() as play:
                browser = play.chromium.launch(
                    executable_path=shutil.which("chromium"), args=["--no-sandbox"]
                )
                page = browser.new_page(viewport={"width": 1280, "height": 760})
                page.goto(url)
                expect(page.locator("#angle")).not_to_have_text("-", timeout=WAIT)
                page.locator("#hand").fill("50")
                page.click("[data-step=arm] summary")
                page.check("#cautioned")
                page.click("#arm")
                expect(page.locator("#state")).to_contain_text("cable can pull", timeout=WAIT)
                page.click("[data-step=sine] summary")
                page.fill("#step", "30")
                for button in ("#up", "#down", "#up"):
                    page.click(button)
                    expect(page.locator("#result")).to_contain_text("overshoot", timeout=WAIT)
                    page.wait_for_timeout(1500)
                page.screenshot(path=str(ROOT / "host" / "demo" / "page.png"))
                page.click("#stop")
                browser.close()
        finally:
            bench.terminate()
            bench.wait()
    print("wrote host/demo/page.png")


if __name__ == "__main__":
    main()
