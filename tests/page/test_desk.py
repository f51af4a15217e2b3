"""Who may connect and who may ask what: handshakes from outside, a second controller, a hidden page."""

import asyncio
import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
import websockets
from websockets.exceptions import InvalidStatus

from host.page.preview import beyond
from sim.tune.margins import Margins
from tests.page.conftest import Bench, Board


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    bench = Bench(tmp_path_factory.mktemp("desk"))
    yield bench
    bench.close()


def play(work):
    """Run a coroutine on a thread of its own: the browser tests' loop may be running on this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()


def connect(made, token=None, origin=None, host=None, protocol="jointloop"):
    origin = origin or f"http://127.0.0.1:{made.port}"
    token = made.token if token is None else token
    more = {"Host": host} if host else {}
    return websockets.connect(f"ws://127.0.0.1:{made.port}/link", subprotocols=[protocol, token],
                              origin=origin, additional_headers=more)  # fmt: skip


class Client:
    """A page without a browser."""

    def __init__(self, socket):
        self.socket, self.number, self.told = socket, 0, []

    async def ask(self, what, **more):
        self.number += 1
        await self.socket.send(json.dumps({"do": what, "id": self.number, **more}))
        return await self.until(lambda one: one.get("answer") == self.number)

    @asynccontextmanager
    async def watched(self):
        """Somebody sees the page: it beats, however long the board takes on a busy computer."""

        async def beats():
            while True:
                await self.socket.send(json.dumps({"do": "beat", "visible": True}))
                await asyncio.sleep(0.2)

        beating = asyncio.create_task(beats())
        try:
            yield
        finally:
            beating.cancel()

    async def powered(self, opening):
        """Wait until the drive is told to be on, or off; it may have been told with an answer before."""
        known = [one["status"]["powered"] for one in self.told if "status" in one]
        if not known or known[-1] is not opening:
            try:
                await self.until(lambda one: one.get("status", {}).get("powered") is opening)
            except TimeoutError:
                told = [one for one in self.told if "status" not in one]
                raise AssertionError(f"{opening}: {json.dumps(told[-8:])[-1500:]}") from None

    async def until(self, good, seconds=60.0):
        async with asyncio.timeout(seconds):
            while True:
                data = await self.socket.recv()
                if isinstance(data, bytes):
                    continue
                one = json.loads(data)
                self.told.append(one)
                if good(one):
                    return one


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"token": "guess"}, "wrong or missing token"),
        ({"protocol": "other"}, "wrong or missing token"),
        ({"origin": "http://evil.example"}, "foreign Origin"),
        ({"origin": "null"}, "foreign Origin"),
        ({"origin": "https://127.0.0.1"}, "foreign Origin"),
    ],
)
def test_a_foreign_handshake_is_refused_and_logged(made, more, words):
    async def go():
        with pytest.raises(InvalidStatus) as refused:
            async with connect(made, **more):
                pass
        assert refused.value.response.status_code == 403

    play(go())
    made.wait_for_line(words)


def raw(made, head):
    """One HTTP request by hand; its answer."""

    async def go():
        reader, writer = await asyncio.open_connection("127.0.0.1", made.port)
        writer.write(head.encode())
        answer = await asyncio.wait_for(reader.read(4000), 5.0)
        writer.close()
        return answer.decode(errors="replace")

    return play(go())


def test_a_foreign_host_gets_nothing(made):
    assert " 403 " in raw(made, "GET / HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n")
    upgrade = ("GET /link HTTP/1.1\r\nHost: evil.example\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
               f"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\nOrigin: http://127.0.0.1:{made.port}\r\n"
               f"Sec-WebSocket-Protocol: jointloop, {made.token}\r\n\r\n")  # fmt: skip
    assert " 403 " in raw(made, upgrade)


@pytest.mark.parametrize("path", ["/../server.py", "/%2e%2e/server.py", "/nothing.js", "/static"])
def test_only_the_pages_own_files_are_served(made, path):
    own = f"Host: 127.0.0.1:{made.port}\r\nConnection: close\r\n\r\n"
    assert " 404 " in raw(made, f"GET {path} HTTP/1.1\r\n{own}")


def test_the_page_may_load_nothing_from_outside_and_be_framed_by_nobody(made):
    own = f"Host: 127.0.0.1:{made.port}\r\nConnection: close\r\n\r\n"
    answer = raw(made, f"GET / HTTP/1.1\r\n{own}")
    assert " 200 " in answer
    policy = next(
        line for line in answer.split("\r\n") if line.lower().startswith("content-security")
    )
    for one in ("default-src 'none'", "script-src 'self'", "frame-ancestors 'none'"):
        assert one in policy
    assert "unsafe" not in policy
    assert " 405 " in raw(made, f"POST / HTTP/1.1\r\nContent-Length: 0\r\n{own}")


def test_a_second_page_watches_can_stop_and_takes_control_only_with_the_drive_off(made):
    async def go():
        async with connect(made) as one, connect(made) as two:
            first, second = Client(one), Client(two)
            await first.until(lambda m: m.get("control") is True)
            await second.until(lambda m: m.get("control") is False)
            for what, more in (("arm", {}), ("jog", {"by_deg": 2}), ("inject", {"fault": "wiper torn off"}),
                               ("apply", {"gains": {"kp": 1}}), ("save", {}), ("force", {"share": 1})):  # fmt: skip
                refused = await second.ask(what, joint=0, **more)
                assert not refused["ok"]
                assert "another page controls" in refused["text"]
            logged = [m["log"] for m in second.told if "log" in m]
            assert sum(row["event"] == "refused" for row in logged) == 6
            async with first.watched():
                assert (await first.ask("arm", joint=0, cautioned=True))["ok"]
                await first.powered(True)
                assert (await second.ask("control"))["ok"]
            await second.powered(False)
            assert not (await first.ask("jog", joint=0, by_deg=2))["ok"]
            assert (await first.ask("stop"))["ok"]  # watchers may stop
            assert (await second.ask("clear"))["ok"]

    play(go())


@pytest.mark.parametrize(
    ("what", "more", "words"),
    [
        ("jog", {"by_deg": 200}, "must lie in -30 .. 30"),
        ("jog", {"by_deg": None}, "must be a number"),
        ("go", {"angle_deg": 170}, "must lie in"),
        ("go", {"angle_deg": "20"}, "must be a number"),
        ("go", {"angle_deg": 20, "joint": 7}, "must be 0 .. 0"),
        ("sine", {"amplitude_deg": 80, "hertz": 0.5, "duration_s": 2}, "leaves the range"),
        ("sine", {"amplitude_deg": 20, "hertz": 50, "duration_s": 2}, "must lie in 0.05 .. 5"),
        ("apply", {"gains": {"kp": -1}}, "must lie in 0 .. 1000 V/rad"),
        ("apply", {"gains": {"kp": True}}, "must be a number"),
        ("apply", {"gains": {"haste": 1}}, "unknown; allowed"),
        ("force", {"share": 3}, "must lie in 0.2 .. 1"),
        ("inject", {"fault": "explode"}, "unknown; "),
        ("hand", {"angle_deg": 400}, "must lie in"),
        ("undo", {}, "nothing to undo"),
        ("dance", {}, "not known"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_answered_in_words(made, what, more, words):
    async def go():
        async with connect(made) as socket:
            page = Client(socket)
            await page.until(lambda m: m.get("control") is True)
            answer = await page.ask(what, **{"joint": 0, **more})
            assert answer["ok"] is False
            assert words in answer["text"]

    play(go())


def test_gains_beyond_the_bounds_need_a_second_yes_and_are_never_saved(made):
    """Ms above 1.7, no margin, or unstable: by the same formulas that tuning is bound by."""

    async def go():
        async with connect(made) as socket:
            page = Client(socket)
            hello = (await page.until(lambda m: "hello" in m))["hello"]
            was = hello["joints"][0]["gains"]
            text = made.paths[0].read_text(encoding="utf-8")
            found = (await page.ask("preview", joint=0, gains={}))["preview"]["then"]
            assert found["ms"] <= 1.7
            assert found["beyond"] == ""
            wild = {"kp": 900.0, "kd": 0.0}
            found = (await page.ask("preview", joint=0, gains=wild))["preview"]["then"]
            assert not found["stable"] or found["ms"] > 1.7
            assert found["beyond"]
            refused = await page.ask("apply", joint=0, gains=wild)
            assert (refused["ok"], refused["again"]) == (False, True)
            assert found["beyond"] in refused["text"]
            assert not (await page.ask("undo", joint=0))["ok"], "nothing was applied"
            assert (await page.ask("apply", joint=0, gains=wild, sure=True))["ok"]
            saved = await page.ask("save", joint=0)
            assert not saved["ok"]
            assert "not saved" in saved["text"]
            assert made.paths[0].read_text(encoding="utf-8") == text
            back = await page.ask("undo", joint=0)
            assert back["ok"], "back within the bounds needs no second yes"
            assert back["gains"] == was
            assert "nothing to undo" in (await page.ask("undo", joint=0))["text"]

    play(go())


@pytest.mark.parametrize(
    ("ms", "phase", "gain", "stable", "words"),
    [
        (1.70, 40.0, 3.0, True, ""),
        (1.71, 40.0, 3.0, True, "Ms 1.71, above 1.7"),
        (568.0, 0.0, 3.0, True, "no margin"),
        (1.5, 40.0, 1.0, True, "no margin"),
        (1.5, float("inf"), float("inf"), True, ""),
        (float("inf"), float("inf"), float("inf"), True, "above 1.7"),
        (1.5, 40.0, 3.0, False, "UNSTABLE"),
        (float("nan"), float("nan"), float("nan"), True, "no margin"),
    ],
)
def test_what_is_beyond_the_bounds_is_said(ms, phase, gain, stable, words):
    good = Margins(1.2, 5.0, 60.0, 3.0, 5.0, True)
    found = beyond(Margins(ms, gain, phase, 3.0, 5.0, stable), good)
    assert words in found
    assert bool(words) == bool(found)
    assert "UNSTABLE" in beyond(good, Margins(1.2, 5.0, 60.0, 3.0, 5.0, False))


def test_a_hidden_page_in_control_takes_the_drive_off(made):
    async def go():
        async with connect(made) as socket:
            page = Client(socket)
            await page.until(lambda m: m.get("control") is True)
            await page.ask("clear")
            async with page.watched():
                assert (await page.ask("arm", joint=0, cautioned=True))["ok"]
                await page.powered(True)
            await page.socket.send(json.dumps({"do": "beat", "visible": False}))
            await page.until(lambda m: m.get("log", {}).get("event") == "unwatched")
            await page.powered(False)
            await page.ask("clear")

    play(go())


def test_a_page_that_leaves_while_it_arms_is_stopped(made):
    """The joint becomes powered when nobody controls any more: somebody must have seen to it."""

    async def go():
        async with connect(made) as socket:
            first = Client(socket)
            await first.until(lambda m: m.get("control") is True)
            await first.ask("clear")
            async with connect(made) as other:
                watcher = Client(other)
                await watcher.until(lambda m: m.get("control") is False)
                await socket.send(
                    json.dumps({"do": "arm", "id": 99, "joint": 0, "cautioned": True})
                )
                await asyncio.sleep(0.05)  # asked, and not yet told that it is powered
                await socket.close()
                await watcher.powered(True)
                await watcher.until(lambda m: m.get("log", {}).get("event") == "unwatched")
                await watcher.powered(False)
                assert (await watcher.ask("control"))["ok"]
                await watcher.ask("clear")

    play(go())


def test_garbage_is_refused_and_nothing_falls_over(made):
    async def go():
        async with connect(made) as socket:
            page = Client(socket)
            await page.until(lambda m: m.get("control") is True)
            for text in ("", "[]", "{", '"stop"', "1" * 20_000, '{"do": 3}'):
                await socket.send(text)
            assert (await page.ask("stop"))["ok"]
            await page.ask("clear")

    play(go())


@pytest.mark.parametrize(
    "message",
    [b"", b'{"do": "stop"}', b"\xff\x00", "[" * 16_000, '{"do":' * 2_600,
     '{"do": "beat", "id": NaN}', '{"do": "dance", "id": NaN}', '{"do": "dance", "id": [[]]}',
     '{"do": "dance", "id": ' + "[" * 700 + "]" * 700 + "}"],
    ids=["empty", "binary", "no text", "deep list", "deep object", "nan beat", "nan", "list", "deep id"],
)  # fmt: skip
def test_no_message_throws_a_page_out(made, message):
    async def go():
        async with connect(made) as socket:
            page = Client(socket)
            await page.until(lambda m: m.get("control") is True)
            await socket.send(message)
            assert (await page.ask("stop"))["ok"]
            assert (await page.ask("clear"))["ok"]

    play(go())


def test_knocking_at_the_door_does_not_bury_the_log(made):
    """Any program on the computer can knock; 40 refused handshakes are told a few times at most."""

    async def go():
        async with connect(made) as socket:
            page = Client(socket)
            await page.until(lambda m: m.get("control") is True)
            for _ in range(40):
                with pytest.raises(InvalidStatus):
                    async with connect(made, token="guess"):
                        pass
            assert (await page.ask("stop"))["ok"]
            told = [m for m in page.told if m.get("log", {}).get("event") == "refused"]
            assert 1 <= len(told) <= 2
            assert "times so far" in told[-1]["log"]["why"]
            await page.ask("clear")

    play(go())


def test_a_hand_is_opened_joint_by_joint_on_all_its_boards(tmp_path, bench):
    demo = Path(__file__).resolve().parents[2] / "host" / "demo"
    for name in ("hand.toml", "joint.toml"):
        shutil.copy(demo / name, tmp_path / name)
    made = bench(paths=[tmp_path / "hand.toml"])

    async def go():
        async with connect(made) as socket:
            page = Client(socket)
            hello = (await page.until(lambda m: "hello" in m, 60.0))["hello"]
            names = [one["name"] for one in hello["joints"]]
            assert names[:3] == ["index_base", "index_middle", "index_end"]
            assert len(names) == 8
            assert len(hello["ports"]) == 3
            refused = await page.ask("save", joint=0)
            assert not refused["ok"]
            assert "open its own file" in refused["text"]
            assert (await page.ask("stop"))["ok"]

    play(go())
    before = (tmp_path / "joint.toml").read_text(encoding="utf-8")
    assert before == (demo / "joint.toml").read_text(encoding="utf-8")


def test_a_lost_board_stops_the_joints_of_the_others_and_comes_back_off(tmp_path, bench):
    boards = [Board(tmp_path, number) for number in range(2)]
    try:
        made = bench(joints=2, ports=[one.url for one in boards])

        async def go():
            async with connect(made) as socket:
                page = Client(socket)
                async with page.watched():
                    assert (await page.ask("arm", joint=0, cautioned=True))["ok"]
                    await page.powered(True)
                    boards[1].kill()
                    await page.until(lambda m: m.get("log", {}).get("event") == "link_lost")
                await page.powered(False)
                assert not (await page.ask("drive_off", joint=0))["ok"], (
                    "the lost board did not do it"
                )
                boards[1].begin()
                await page.until(lambda m: m.get("log", {}).get("event") == "link_found")
                found = await page.until(lambda m: "status" in m)
                assert found["status"]["powered"] is False
                assert [one["lost"] for one in found["status"]["boards"]] == [None, None]
                assert (await page.ask("clear"))["ok"]
                async with page.watched():
                    assert (await page.ask("arm", joint=1, cautioned=True))["ok"]
                assert (await page.ask("stop"))["ok"]
                faults = [m["log"] for m in page.told if m.get("log", {}).get("event") == "fault"]
                await page.until(
                    lambda m: m.get("log", {}).get("event") == "fault" and m["log"]["joint"] == 1
                )
                assert all(one["joint"] == 0 for one in faults)

        play(go())
    finally:
        for one in boards:
            one.kill()
