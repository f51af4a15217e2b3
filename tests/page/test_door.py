"""How the page's key reaches a browser, and what is left when the server is gone."""

import os
import signal
import stat
import webbrowser
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import url2pathname

import pytest

from host.commands import bench as command
from tests.page.test_desk import Client, connect, play
from tests.waiting import until

URL = "http://127.0.0.1:1234/#kept-to-oneself_-1"


def test_the_key_stands_in_a_private_file_and_in_no_command_line(monkeypatch):
    asked = []
    monkeypatch.setattr(webbrowser, "open", asked.append)
    with command._shown(URL):
        (address,) = asked
        assert "kept-to-oneself" not in address
        path = Path(url2pathname(urlsplit(address).path))
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert path.stat().st_uid == os.getuid()
        assert f'content="0; url={URL}"' in path.read_text(encoding="utf-8")
    assert not path.exists()


def test_a_browser_that_cannot_be_had_ends_nothing(monkeypatch):
    def none(_):
        raise webbrowser.Error("none here")

    monkeypatch.setattr(webbrowser, "open", none)
    with command._shown(URL):
        pass


def test_a_browser_comes_through_the_private_file_to_the_page(browser, bench, monkeypatch):
    made = bench()
    asked = []
    monkeypatch.setattr(webbrowser, "open", asked.append)
    with command._shown(made.url):
        page = browser.new_page()
        page.goto(asked[0])
        page.wait_for_selector("#control:has-text('This page controls')", timeout=60_000)
        page.close()


def alive(session):
    """Processes of a session that have not ended, with their command lines."""
    found = {}
    for folder in Path("/proc").iterdir():
        try:
            state, _, _, leader = folder.joinpath("stat").read_text().rpartition(")")[2].split()[:4]
            if int(leader) == session and state not in "ZX":
                found[int(folder.name)] = folder.joinpath("cmdline").read_text().replace("\0", " ")
        except (OSError, ValueError):
            continue
    return found


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc to see processes")
def test_a_killed_server_leaves_no_process_behind(bench):
    made = bench()

    async def go():
        async with connect(made) as socket:
            page = Client(socket)
            found = await page.ask("preview", joint=0, gains={})
            assert found["ok"], "the computing process is there"
            assert len(alive(made.process.pid)) >= 3
            made.process.kill()
            made.process.wait()

    play(go())
    until(lambda: not alive(made.process.pid))
    left = alive(made.process.pid)
    for number in left:
        os.kill(number, signal.SIGKILL)
    assert left == {}
