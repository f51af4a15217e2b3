"""``jointloop ports``: what is plugged in, in words and for programs."""

import json
import os
from types import SimpleNamespace

import pytest

from host.commands import ports


def port(device, vid=None, pid=None, description="n/a"):
    return SimpleNamespace(device=str(device), vid=vid, pid=pid, description=description)


@pytest.fixture
def plugged(monkeypatch):
    """A function that says what the system lists."""
    return lambda *found: monkeypatch.setattr(
        "serial.tools.list_ports.comports", lambda: list(found)
    )


def test_a_board_and_a_lead_are_told_apart(plugged, inside, tmp_path):
    board, lead = tmp_path / "ttyB", tmp_path / "ttyA"
    board.touch()
    lead.touch()
    plugged(
        port(board, ports.CHIP_MAKER, 5, "Board in FS mode"), port(lead, 0x0403, 0x6001, "a lead")
    )
    rows = json.loads(inside("ports", "--json").stdout)["ports"]
    assert [(row["port"], row["usb"], row["may_be_a_board"]) for row in rows] == [
        (str(lead), "0403:6001", False), (str(board), "2e8a:0005", True)]  # fmt: skip
    assert all(row["may_open"] for row in rows)
    done = inside("ports")
    assert done.returncode == 0
    assert "RP2040 or RP2350" in done.stdout


def test_a_port_that_may_not_be_opened_is_told_with_its_group(
    plugged, inside, tmp_path, monkeypatch
):
    closed = tmp_path / "ttyC"
    closed.touch()
    plugged(port(closed))
    monkeypatch.setattr(os, "access", lambda *_: False)
    monkeypatch.setattr(ports, "owners", lambda _device: "dialout")
    said = " ".join(inside("ports").stdout.split())
    assert "may not be opened by this account: join its group dialout" in said


def test_nothing_plugged_in_is_said(plugged, inside):
    plugged()
    done = inside("ports")
    assert done.returncode == 0
    assert "No serial port is plugged in" in done.stdout
    assert inside("ports", "--json").json == {"ports": []}


def test_a_port_of_another_system_is_tried_when_it_is_opened(plugged, inside):
    """COM3 is no file: whether it may be opened shows when it is."""
    plugged(port("COM3", ports.CHIP_MAKER, 5))
    assert inside("ports", "--json").json["ports"][0]["may_open"] is True
