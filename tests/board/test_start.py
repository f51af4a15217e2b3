"""From power-on to the loop and back to the prompt: nothing moves that should not."""

import contextlib
import json
import re
import struct
import sys
from pathlib import Path

import pytest

from controller.joint import faults
from controller.joint import modes as joint_modes
from controller.joint.settings.settings import Settings
from controller.node import cells, native_node
from controller.wire import messages as m
from controller.wire import table
from host.link.wiring import read_wiring
from sim.errors import InputError

README = Path(cells.__file__).parents[1] / "README.md"


@pytest.fixture
def ready(start, wiring, bridge_joint):
    """A board with its files in place."""
    start.file("board.json", wiring(bridge_joint))
    start.file("build.json", start.about)
    return start


def ask(host, kind, body=b"", at=0.1):
    """Have the host ask at a time, and the program left 0.1 s later."""
    host.world.at(host.world.us + round(at * 1e6), lambda: host.send(kind, body))
    host.world.at(host.world.us + round((at + 0.1) * 1e6), host.leave)


def identity(host):
    names = ("version", "board", "flags", "joints", "tick_us", "build", "settings", "serial",
             "cost_us", "collect_us", "inbound")  # fmt: skip
    return dict(zip(names, m.parse(host.of_kind(m.IDENTITY)[0]), strict=True))


def drives(world):
    return [entry for entry in world.named("duty", "width") if entry[3]]


# --- files


def test_a_file_that_is_not_there_is_none(start):
    assert start.read_json("nothing.json") is None


def test_a_file_is_read(start):
    start.file("one.json", {"a": [1, None]})
    assert start.read_json("one.json") == {"a": [1, None]}


@pytest.mark.parametrize("text", ["", "{", '{"joints": [}', "\x00\x01", "[1, 2", "tick_us = 2000"])
def test_a_broken_file_ends_the_start_before_any_pin_is_touched(start, world, text, capsys):
    start.file("board.json", text)
    start.main()
    assert "no board.json" in capsys.readouterr().out
    assert world.log == []


def test_no_wiring_no_program(start, world, capsys):
    start.main()
    assert "no board.json" in capsys.readouterr().out
    assert world.log == []


@pytest.mark.parametrize("broken", ["joints", "tick_us"])
def test_a_wiring_without_its_essentials_drives_nothing(start, world, wiring, bridge_joint, broken):
    data = wiring(bridge_joint)
    del data[broken]
    start.file("board.json", data)
    with pytest.raises(KeyError, match=broken):
        start.main()
    assert world.silent()
    assert not drives(world)


@pytest.mark.parametrize(("level", "runs"), [(0, False), (1, True)])
def test_a_held_stay_pin_keeps_the_program_from_starting(
    start, world, host, wiring, bridge_joint, capsys, level, runs
):
    start.file("board.json", wiring(bridge_joint, stay_pin=15))
    world.digital[15] = level
    ask(host, m.HELLO, b"\x01")
    start.main()
    assert ("stay pin held" in capsys.readouterr().out) is not runs
    assert bool(host.of_kind(m.IDENTITY)) is runs
    assert world.log[0][1:] == ("pin", 15, 0, 2, None), "an input with a pull-up"
    assert bool(world.outputs) is runs


def test_no_stay_pin_is_never_held(start, world):
    assert start.held(None) is False
    assert world.log == []


def test_pin_zero_can_be_the_stay_pin(start, world):
    world.digital[0] = 0
    assert start.held(0) is True


# --- identity


@pytest.mark.parametrize(
    ("chip", "number"),
    [
        (b"\x01\x02\x03\x04\x05\x06\x07\x08", 0x0102030405060708),
        (b"\xff" * 8, 2**64 - 1),
        (b"\x00\x00\x00\x01", 1),
        (bytes(range(1, 17)), 0x0102030405060708),
    ],
)
def test_serial_number_is_the_chips_in_64_bits(start, world, chip, number):
    world.number = chip
    assert start.serial_number() == number
    struct.pack("<Q", start.serial_number())


def test_a_board_says_who_it_is(ready, host, world):
    ask(host, m.HELLO, b"\x01")
    ready.main()
    told = identity(host)
    assert (told["version"], told["board"], told["flags"]) == (m.VERSION, 1, 0)
    assert (told["joints"], told["tick_us"], told["build"]) == (1, 2000, 77)
    assert told["serial"] == 0x0102030405060708
    assert told["inbound"] == 8


@pytest.mark.parametrize(
    "broken", ["no build file", "half a build file", "no machine code", "another machine code"]
)
def test_a_board_that_was_half_written_says_so_and_arms_nothing(
    ready, host, world, tmp_path, broken
):
    if broken == "no build file":
        (tmp_path / "build.json").unlink()
    elif broken == "half a build file":
        ready.file("build.json", '{"build": 7')
    elif broken == "no machine code":
        (tmp_path / "rp2350.bin").unlink()
    else:
        ready.file("build.json", {"build": 77, "image": 1})
    host.play(host.drive_on())
    ask(host, m.HELLO, b"\x01", at=1.2)
    ready.main()
    assert identity(host)["flags"] == m.HALF | m.NO_FIT
    assert set(host.answers(m.SETTING) + host.answers(m.APPLY)) == {m.HALF_WRITTEN}
    assert m.DONE not in host.answers(m.ARM) + host.answers(m.TARGET)
    assert world.silent()
    assert not drives(world)


def test_tick_rate_of_the_board_is_that_of_its_joints(start, wiring, bridge_joint):
    data = wiring(bridge_joint, dict(bridge_joint), tick_us=4000)
    node = start.make_node(data, start.about, "RP2350")
    assert node.tick_us == node.joints.whole[cells.HEAD.index("tick_us")] == 4000


# --- hard limits


def hard_cells(rows):
    """Hard limits as they lie on a board."""
    return [[table.cell_of(Settings, name), 0, low, high] for name, low, high in rows]


def send_and_leave(host):
    yield from host.settle()
    yield 0.05
    host.leave()


def test_settings_within_the_hard_limits_are_taken(start, host, wiring, bridge_joint):
    start.file("build.json", start.about)
    start.file(
        "board.json", wiring(bridge_joint, hard_cells=hard_cells([["limits.current_A", 0.0, 0.6]]))
    )
    host.play(send_and_leave(host))
    start.main()
    assert host.answers(m.APPLY) == [m.DONE]


def test_settings_beyond_a_hard_limit_are_refused(start, host, wiring, bridge_joint):
    start.file("build.json", start.about)
    start.file(
        "board.json", wiring(bridge_joint, hard_cells=hard_cells([["limits.current_A", 0.0, 0.2]]))
    )
    host.play(send_and_leave(host))
    start.main()
    (answer,) = [one for one in host.of_kind(m.ANSWER) if one[2] == m.APPLY]
    assert answer[4] == m.OUT_OF_RANGE
    assert answer[5] | answer[6] << 8 == table.cell_of(Settings, "limits.current_A")
    assert not start.node.joints.may_arm(0)


def test_a_board_without_settings_cannot_be_armed(start, world, host, wiring, bridge_joint):
    """The digest of its own defaults is no proof that a host has sent anything."""
    start.file("build.json", start.about)
    start.file(
        "board.json", wiring(bridge_joint, hard_cells=hard_cells([["limits.current_A", 0.0, 0.2]]))
    )
    fresh = Settings()
    fresh.tick_s = 0.002
    digest = table.digest(table.pack_table(fresh))
    host.beating = True
    ask(host, m.ARM, struct.pack("<HI", 1, digest))
    modes = []
    world.at(world.us + 180_000, lambda: modes.append(start.node.joints.mode(0)))
    start.main()
    assert host.answers(m.ARM)[0] != m.DONE
    assert modes == [joint_modes.OFF]


def test_a_target_without_settings_moves_nothing(ready, host, world):
    host.beating = True
    ask(host, m.TARGET, struct.pack("<BBfh", 0, 0, 0.5, 0))
    ready.main()
    assert host.answers(m.TARGET) == [m.NOT_NOW]
    assert not drives(world)


# --- ways out


def test_leaving_returns_to_the_prompt_with_the_drive_off(ready, host, world, capsys, restarted):
    def script():
        yield from host.drive_on()
        host.leave()

    host.play(script())
    with pytest.raises(restarted):  # the watchdog cannot be stopped: it leaves by a reset
        ready.main()
    assert drives(world), "it was driven before"
    assert world.silent()
    assert host.answers(m.LEAVE) == [m.DONE]
    assert capsys.readouterr().out == ""


def test_ctrl_c_returns_to_the_prompt_with_the_drive_off(ready, host, world, capsys, restarted):
    def script():
        yield from host.drive_on()
        host.to_board += b"\x03"

    host.play(script())
    with pytest.raises(restarted):  # the watchdog cannot be stopped: it leaves by a reset
        ready.main()
    assert drives(world)
    assert world.silent()
    assert "drive off" in capsys.readouterr().out


def test_ctrl_c_again_while_the_drive_is_being_switched_off_changes_nothing(
    ready, host, world, monkeypatch, restarted
):
    """Terminals send it more than once: the first ``off`` on the way out is cut short."""

    def script():
        yield from host.drive_on()
        output = ready.node.board.outputs[0]
        off, left = output.off, [1]

        def struck():
            if left.pop() if left else 0:
                raise KeyboardInterrupt
            off()

        monkeypatch.setattr(output, "off", struck)
        host.to_board += b"\x03"

    host.play(script())
    with pytest.raises(restarted):  # the watchdog cannot be stopped: it leaves by a reset
        ready.main()
    assert drives(world)
    assert world.silent()


def test_an_error_of_the_loop_is_told_with_the_drive_off(ready, host, world):
    def script():
        yield from host.drive_on()
        host.read = lambda most: 1 // 0

    host.play(script())
    with pytest.raises(ZeroDivisionError):
        ready.main()
    assert drives(world)
    assert world.silent()


@pytest.mark.parametrize("way", ["leave", "ctrl-c"])
def test_the_prompt_stays_reachable_after_the_drive_has_been_on(
    ready, host, world, restarted, bitten, way
):
    """A watchdog of this chip cannot be stopped: fed on, or the program ends by a plain reset."""

    def script():
        yield from host.drive_on()
        if way == "leave":
            host.leave()
        else:
            host.to_board += b"\x03"

    host.play(script())
    try:
        ready.main()
    except restarted:
        ready.main()  # what main.py does after a reset: it must stay at the prompt
    world.tasks.clear()
    with contextlib.suppress(bitten):
        world.stand(5_000_000)
    assert not world.named("bite")
    assert world.silent()


# --- resets


def test_after_power_on_no_reset_is_told(ready, host):
    ask(host, m.HELLO, b"\x01")
    ready.main()
    assert not identity(host)["flags"] & m.WAS_RESET


def test_a_reset_by_the_watchdog_is_told_and_nothing_is_driven(ready, host, world, bitten):
    def script():
        yield from host.drive_on()
        world.stall_us = 10**9

    host.play(script())
    with pytest.raises(bitten):
        ready.main()
    world.restart(3)
    world.log.clear()
    host.beating, host.to_board, host.frames = False, b"", []
    ask(host, m.HELLO, b"\x01")
    ready.main()
    assert identity(host)["flags"] & m.WAS_RESET
    assert not drives(world)


def test_a_port_that_does_not_name_the_cause_is_taken_to_number_it_three(
    world, board_modules, monkeypatch
):
    import importlib

    monkeypatch.delattr(sys.modules["machine"], "WDT_RESET")
    assert importlib.reload(board_modules.start).WDT_RESET == 3


def test_after_a_watchdog_reset_a_joint_is_tripped_until_it_is_cleared(ready, host, world):
    world.cause = 3
    seen = []

    def script():
        yield 0.05
        seen.append((ready.node.joints.mode(0), ready.node.joints.fault(0)))
        yield from host.drive_on()
        seen.append(ready.node.joints.mode(0))
        host.leave()

    host.play(script())
    ready.main()
    assert seen[0] == (joint_modes.TRIPPED, faults.WATCHDOG_RESET)
    assert seen[1] == joint_modes.TRIPPED, "settings and arming do not clear it"
    assert m.parse(host.of_kind(m.FAULT)[0])[2] == faults.WATCHDOG_RESET
    assert not drives(world)


def test_a_reset_that_was_asked_for_is_no_watchdog_reset(ready, host, world, restarted):
    """RP2 port, ports/rp2/modmachine.c: reset() is watchdog_reboot(), reset_cause() asks only
    whether the watchdog did it. The chip's own register tells them apart (RP2040 datasheet,
    4.7, REASON: bit 0 the timer, bit 1 forced; address from the SDK, from memory for RP2350).
    """
    import machine

    with pytest.raises(restarted):
        machine.reset()
    for register in (0x40058008, 0x400D8008):
        world.memory[register] = 0b10
    ask(host, m.HELLO, b"\x01")
    ready.main()
    assert not identity(host)["flags"] & m.WAS_RESET


def test_a_slow_start_is_no_standstill(ready, host, world, monkeypatch):
    """Making and measuring a node takes longer than 20 ms on a board; nothing can be driven yet."""
    trips = []
    real = native_node.NativeTelemetry

    def slow(node):
        world.stand(60_000)
        return real(node)

    monkeypatch.setattr(native_node, "NativeTelemetry", slow)
    ask(host, m.HELLO, b"\x01")
    world.at(world.us + 150_000, lambda: trips.append(ready.node.board.standstills()))
    ready.main()
    assert trips == [0]


# --- the wiring as the host checks it before it goes on a board


def wiring_file(tmp_path, data):
    path = tmp_path / "wiring.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    return path


def test_a_wiring_that_the_host_passes_starts_a_board(
    start, host, tmp_path, wiring, bridge_joint, pulse_joint
):
    data = wiring(bridge_joint, pulse_joint, supply={"pin": 29, "full_V": 6.6}, stay_pin=15,
                  hard_limits=[["limits.current_A", 0.0, 0.6]])  # fmt: skip
    start.file("board.json", read_wiring(wiring_file(tmp_path, data)).data)
    start.file("build.json", start.about)
    ask(host, m.HELLO, b"\x01")
    start.main()
    assert identity(host)["joints"] == 2


SAME_CHANNEL = {"wiper": 27, "out": [18, 19]}
SAME_SLICE = {"wiper": 27, "out": [18, None]}


@pytest.mark.parametrize(
    ("second", "more"),
    [
        pytest.param({"wiper": 27, "out": [6, 3]}, {}, id="pin used twice"),
        pytest.param({"wiper": 20, "out": [6, 7]}, {}, id="no converter pin"),
        pytest.param({"wiper": 27, "out": [6, 7], "second_wipr": 28}, {}, id="unknown key of a joint"),
        pytest.param({"wiper": 27, "out": [6, 7]}, {"tick_us": 0}, id="tick rate"),
        pytest.param({"wiper": 27, "out": [6, 7]}, {"supply": {"pin": 29}}, id="supply not scaled"),
        pytest.param({"wiper": 27, "out": [6, 7]}, {"stay_pin": 2}, id="stay pin that drives"),
        pytest.param({"wiper": 27, "out": [6, 7]}, {"hard_limits": [["limits.current_A", 1, 0]]}, id="hard limit upside down"),
        pytest.param({"wiper": 27, "out": [6, 7]}, {"hard_limits": [["limits.curent_A", 0, 1]]}, id="misspelt hard limit"),
        pytest.param({"wiper": 27, "out": [6, 7]}, {"hard_limit": []}, id="misspelt key"),
        pytest.param(SAME_CHANNEL, {}, id="same PWM channel"),
        pytest.param(SAME_SLICE, {}, id="same PWM slice, other rate"),
        pytest.param({"wiper": 27, "out": [6, 7], "oversampling": 0}, {}, id="no conversions"),
        pytest.param({"wiper": 27, "out": [6, 7], "oversampling": "4"}, {}, id="words for a number"),
    ],
)  # fmt: skip
def test_a_wiring_that_cannot_work_is_refused_by_the_host(
    tmp_path, wiring, bridge_joint, second, more
):
    """PWM slice (n/2) mod 8, channel A even, B odd: RP2040 datasheet, 4.5.2, mapping of channels."""
    data = {**wiring(bridge_joint, second), **more}
    with pytest.raises(InputError):
        read_wiring(wiring_file(tmp_path, data))


def test_the_wiring_that_the_readme_shows_is_a_good_one(tmp_path):
    text = README.read_text(encoding="utf-8")
    blocks = re.findall(r"```json\n(.*?)```", text, re.DOTALL)
    wirings = [json.loads(block) for block in blocks if '"joints"' in block]
    assert wirings
    for data in wirings:
        read_wiring(wiring_file(tmp_path, data))
