"""The link's process: orders asked before a stop are void."""

import queue
import threading
from types import SimpleNamespace

import pytest

from host.link import session
from host.page import link_process
from host.page.link import Link
from host.recordings import session_recording


class FakeLink:
    """Counts stops, and lets one come in the middle of an order."""

    def __init__(self, stop_within=False):
        self.orders = threading.Lock()
        self.stops = 0
        self.done = []
        self.stop_within = stop_within

    def __getattr__(self, name):
        return lambda *_: self._do(name)

    def _do(self, name):
        self.done.append(name)
        self.stops += self.stop_within
        return {}

    def stop(self, category):
        self.done.append(("stop", category))


def work(link, *jobs):
    """Have orders done; their answers."""
    waiting, answers, ended = queue.SimpleQueue(), queue.SimpleQueue(), threading.Event()
    for job in (*jobs, (link.stops, 0, "last", ())):
        waiting.put(job)

    def say(message):
        answers.put(message)
        if message[1] == 0:
            ended.set()

    threading.Thread(target=link_process._work, args=(link, waiting, say), daemon=True).start()
    assert ended.wait(30.0)
    return {number: (good, found) for _, number, good, found in iter(answers.get, ("answer", 0, True, {}))}  # fmt: skip


@pytest.mark.parametrize("name", ["clear", "arm", "release"])
def test_what_was_asked_before_a_stop_is_void_after_it(name):
    link = FakeLink()
    link.stops = 3
    answers = work(link, (2, 7, name, (None,)))
    assert link.done == ["last"]
    assert answers[7][0] is False
    assert "stop came in between" in answers[7][1]


def test_what_takes_the_drive_off_is_never_void():
    link = FakeLink()
    link.stops = 3
    assert work(link, (2, 7, "drive_off", (None,)))[7][0] is True
    assert link.done == ["drive_off", "last"]


@pytest.mark.parametrize(("name", "category"), [("clear", 0), ("arm", 1)])
def test_a_stop_that_came_within_an_order_is_given_again(name, category):
    """It may have reached the board first: a clear behind it would have undone its latch."""
    link = FakeLink(stop_within=True)
    work(link, (0, 7, name, (None,)))
    assert link.done[:2] == [name, ("stop", category)]


class Watched(list):
    """A session's links: tells whether orders were held off when one was put in another's place."""

    def __init__(self, links, lock):
        super().__init__(links)
        self.lock, self.held = lock, []

    def __setitem__(self, at, value):
        self.held.append(self.lock.locked())
        super().__setitem__(at, value)


def test_a_found_link_takes_its_place_with_its_settings_while_no_order_runs(monkeypatch):
    """Opening takes seconds and holds nothing up; between place and settings no order may come."""
    identity = SimpleNamespace(joints=1, tick_us=2000)
    seen = []

    class Found:
        url, lost, powered, identity = "tcp://127.0.0.1:1", None, 0, SimpleNamespace(joints=1)
        request = beat = close = lambda *_: None

        def __init__(self, *_):
            seen.append(("opened", link.orders.locked()))
            self.faults, self.on_event, self.on_rows = {}, [], []

        def continue_from(self, *_):
            pass

    lost = SimpleNamespace(url=Found.url, close=lambda: None)
    link = Link.__new__(Link)
    link.orders = threading.Lock()
    made = link.session = session.Session.__new__(session.Session)
    made.boards = Watched([session.Board(lost, identity)], link.orders)
    made.joints, made.virtual_process = [None], None
    made.send_settings = lambda _: seen.append(("settings", link.orders.locked()))
    made.telemetry = lambda *_, **__: None
    link.every, link.fields, link.settings, link.lead, link.in_the_way = 1, [], [None], lost, ""
    link.recorder = SimpleNamespace(event=lambda *_: None)
    told = []
    link.say = told.append
    monkeypatch.setattr(session, "open_url", lambda url: url)
    monkeypatch.setattr(session, "Bridge", Found)
    monkeypatch.setattr(session, "_greet", lambda bridge: bridge.identity)
    monkeypatch.setattr(session, "_same_code", lambda *_: None)
    monkeypatch.setattr(session_recording, "listen_to", lambda *_: None)
    link._try_again(0)
    assert told[-1][1] == "link_found"
    assert seen == [("opened", False), ("settings", True)]
    assert made.boards.held == [True]
    assert isinstance(made.boards[0].bridge, Found)
