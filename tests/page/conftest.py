"""The bench page's server as a process, and a real browser: Debian's Chromium, headless."""

import os
import re
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
STARTER = (ROOT / "host" / "demo" / "joint.toml").read_text(encoding="utf-8")


def joint_text(k=0, rate="500 Hz"):
    """The starter file as joint ``k`` of an invented hand."""
    text = STARTER.replace('rate = "500 Hz"', f'rate = "{rate}"')
    return text.replace("index middle hinge, workshop hand", f"joint {k} of an invented hand")


class Board:
    """A virtual board as a process of its own, that can be killed and begun again at its port."""

    def __init__(self, folder, number=0):
        self.joint = folder / f"j{number}.toml"
        self.joint.write_text(joint_text(number), encoding="utf-8")
        self.port = 0
        self.begin()

    def begin(self):
        """Start it; returns when it serves."""
        command = [
            sys.executable,
            "-m",
            "host.cli",
            "board",
            str(self.joint),
            "--tcp",
            str(self.port),
        ]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True)  # fmt: skip
        self.process.stdout.readline()
        self.url = self.process.stdout.readline().split()[-1]
        self.port = int(self.url.rsplit(":", 1)[1])

    def kill(self):
        """As a plug that is pulled."""
        self.process.kill()
        self.process.wait()


class Bench:
    """One running `jointloop bench`; ``lines`` is what it has printed."""

    def __init__(self, folder, joints=1, rate="500 Hz", ports=(), paths=()):
        """paths: files to open, instead of so many joints."""
        self.folder = folder
        paths = list(paths)
        for k in range(0 if paths else joints):
            paths.append(folder / f"j{k}.toml")
            paths[-1].write_text(joint_text(k, rate), encoding="utf-8")
        self.paths = paths
        command = [sys.executable, "-m", "host.cli", "bench", *map(str, paths), "--no-browser"]
        for port in ports:
            command += ["--port", port]
        self.process = subprocess.Popen(
            command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            start_new_session=True,
        )  # fmt: skip
        self.lines = []
        self.printed = threading.Condition()
        self.ready = threading.Event()
        self.url = ""
        threading.Thread(target=self._read, daemon=True).start()
        assert self.ready.wait(60.0), "".join(self.lines)
        assert self.url, "".join(self.lines)
        self.token = self.url.split("#")[1]
        self.port = int(re.search(r":(\d+)/", self.url)[1])

    def wait_for_line(self, words):
        """Wait until a line with these words is printed, or was."""
        with self.printed:
            found = self.printed.wait_for(lambda: any(words in line for line in self.lines), 60.0)
        assert found, "".join(self.lines)

    def _read(self):
        for line in self.process.stdout:
            with self.printed:
                self.lines.append(line)
                self.printed.notify_all()
            if line.startswith("http://"):
                self.url = line.strip()
                self.ready.set()
        self.ready.set()

    def run_folder(self):
        """Folder of the recording."""
        return next((self.folder / "jointloop-runs").glob("*-bench-*"))

    def close(self):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(15.0)
            except subprocess.TimeoutExpired:
                os.killpg(self.process.pid, signal.SIGKILL)


@pytest.fixture
def board(tmp_path):
    """A virtual board with joint 0, over TCP."""
    made = Board(tmp_path)
    yield made
    made.kill()


@pytest.fixture
def bench(tmp_path):
    """Start benches; they end with the test."""
    made = []

    def start(**opening):
        made.append(Bench(tmp_path, **opening))
        return made[-1]

    yield start
    for one in made:
        one.close()


@pytest.fixture(scope="session")
def browser():
    api = pytest.importorskip("playwright.sync_api", reason="playwright drives the browser")
    path = shutil.which("chromium")
    if path is None:
        pytest.skip("no chromium (Debian's package) on this machine")
    with api.sync_playwright() as play:
        made = play.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield made
        made.close()


@pytest.fixture
def opened(browser):
    """Open pages of a bench; whatever a page complains of fails the test."""
    contexts, wrong = [], []

    def open_page(bench, width=1280, height=720, **more):
        context = browser.new_context(viewport={"width": width, "height": height}, **more)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.goto(bench.url)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert wrong == []
