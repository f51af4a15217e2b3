"""``jointloop board``: served on a pty or over TCP, told where, refused when it cannot be."""

import json
import signal
import socket
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from controller.wire import messages as m
from host.commands.board import hidden_parts
from host.commands.shared.loading import load
from host.link.bridge import Bridge
from host.link.transport import open_url
from sim.errors import InputError
from sim.joint.spread import inside_rule

ROOT = Path(__file__).resolve().parents[2]


def serve(*arguments):
    return subprocess.Popen(
        [sys.executable, "-m", "host.cli", "board", *map(str, arguments)], cwd=ROOT, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.PIPE,
    )  # fmt: skip


def end(process):
    process.kill()
    process.communicate()


def test_a_board_of_two_joints_on_a_pty_says_that_it_is_virtual_and_ends_at_ctrl_c(joint_file):
    process = serve(joint_file, joint_file)
    try:
        line = process.stdout.readline()
        assert "VIRTUAL" in line
        assert "2 simulated joint" in line
        url = process.stdout.readline().split()[-1]
        assert url.startswith("/dev/")
        bridge = Bridge(open_url(url), url)
        found = bridge.greet()
        bridge.close()
        assert found.virtual
        assert found.joints == 2
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60.0)
        assert process.returncode == 0
        assert "Traceback" not in err
    finally:
        end(process)


def test_over_tcp_it_serves_one_host_after_the_other_and_ends_when_asked_to_leave(joint_file):
    process = serve("--quiet", "--tcp", "0", joint_file)
    try:
        url = json.loads(process.stdout.readline())["url"]
        assert url.startswith("tcp://127.0.0.1:")
        for _ in range(3):
            bridge = Bridge(open_url(url), url)
            assert bridge.greet().joints == 1
            bridge.close()
        bridge = Bridge(open_url(url), url)
        bridge.greet()
        bridge.tell(m.LEAVE, struct.pack("<I", m.LEAVE_MAGIC))
        assert process.wait(60.0) == 0
        bridge.abandon()
    finally:
        end(process)


def test_leaving_is_answered_like_every_request(joint_file):
    """Otherwise the host repeats it, into the prompt that the board has gone back to."""
    process = serve("--quiet", "--tcp", "0", joint_file)
    try:
        url = json.loads(process.stdout.readline())["url"]
        bridge = Bridge(open_url(url), url)
        bridge.greet()
        bridge.request(m.LEAVE, struct.pack("<I", m.LEAVE_MAGIC))
    finally:
        end(process)


def test_a_quiet_board_ends_with_the_program_that_started_it(joint_file):
    process = serve("--quiet", "--tcp", "0", joint_file)
    try:
        assert json.loads(process.stdout.readline())
        process.stdin.close()
        assert process.wait(60.0) == 0
    finally:
        process.kill()
        process.wait()


def other_rate(joint_file):
    path = joint_file.with_name("slow.toml")
    text = joint_file.read_text(encoding="utf-8")
    path.write_text(text.replace('rate = "500 Hz"', 'rate = "250 Hz"'), encoding="utf-8")
    return path


def test_bad_input_ends_with_2_in_one_line(joint_file, inside):
    slow = other_rate(joint_file)
    for arguments, words in (
        ((joint_file, "--runtime", "fast"), "--runtime"),
        ((joint_file, "--part", "best"), "--part"),
        ((joint_file, slow), "control.rate"),
        ((*[joint_file] * 17,), "at most 16"),
        (("missing.toml",), "no such file"),
        ((joint_file, "--seed", "-1"), "seed"),
    ):
        done = inside("board", *arguments)
        assert done.returncode == 2
        assert words in done.stderr
        assert "Traceback" not in done.stderr


def test_joints_of_different_rates_are_told_by_the_command_that_wanted_a_board(joint_file, inside):
    done = inside("record", joint_file, other_rate(joint_file), "--duration", "0.3 s")
    assert done.returncode == 2


@pytest.mark.parametrize("port", ["busy", "99999", "-1"])
def test_a_port_that_cannot_be_served_is_told(port, joint_file, inside, monkeypatch):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        number = taken.getsockname()[1] if port == "busy" else port
        done = inside("board", joint_file, "--tcp", number)
    assert done.returncode == 2
    assert "--tcp" in done.stderr


def test_random_parts_differ_and_follow_the_seed(joint_file):
    joint = load(joint_file)
    one = hidden_parts([joint], "random", 5)[0]
    again = hidden_parts([joint], "random", 5)[0]
    other = hidden_parts([joint], "random", 6)[0]
    told = [
        (p.motor.resistance_25_ohm, p.motor.coulomb_Nm, p.hinge.inertia)
        for p in (joint.part, one, again, other)
    ]
    assert told[1] == told[2]
    assert told[0] != told[1] != told[3]
    assert hidden_parts([joint], "nominal", 5) == [joint.part]
    with pytest.raises(InputError, match="nominal or random"):
        hidden_parts([joint], "best", 5)


def test_a_random_part_is_drawn_where_none_keeps_the_resonance_rule(joint_file):
    """A gap of 11 degrees: no part of the spread comes below the rule's two."""
    joint = load(joint_file)
    joint.part.motor.half_gap_rad = 0.1
    (part,) = hidden_parts([joint], "random", 5)
    assert not inside_rule(part)
    assert part.hinge.inertia != joint.part.hinge.inertia
