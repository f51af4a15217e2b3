"""Calibration: what is measured goes into the joint file, the person's text stays."""

import struct
import time
import tomllib
import types

import numpy as np
import pytest

from controller.joint.settings.settings import Settings
from controller.wire import messages as m
from host.commands.calibrate import keep, parse_points
from host.commands.shared.loading import load
from host.link import calibration
from host.link.bridge import Bridge
from host.link.calibration import find_neutral, idle_settings, move_virtual_joint, read_counts
from host.link.session import Session
from host.link.transport import open_url
from sim.errors import InputError
from sim.model import schedule
from tests.waiting import until

COMMENT = "# my own remark, under everything\n"


def table_of(path):
    return tomllib.loads(path.read_text(encoding="utf-8"))["calibration"]


# --- known angles


def test_points_are_angles_with_units():
    assert parse_points("0 deg, 90 deg") == pytest.approx([0.0, np.pi / 2])
    assert parse_points("0.1 rad,1 rad,-20 deg") == pytest.approx([0.1, 1.0, -np.pi / 9])


@pytest.mark.parametrize(
    "text",
    ["", "0 deg", "0 deg, 0 deg", "0, 90", "0 deg, abc", "0 deg, nan deg", "0 deg; 90 deg",
     "0 deg,, 90 deg", "0 deg, 5 mm", ", ".join(f"{k} deg" for k in range(34))],
)  # fmt: skip
def test_bad_points_end_with_2_and_leave_the_file_alone(text, joint_file, inside):
    before = joint_file.read_bytes()
    done = inside("calibrate", joint_file, "--points", text)
    assert done.returncode == 2
    assert "--points" in done.stderr
    assert done.stderr.count("\n") == 1
    assert joint_file.read_bytes() == before


# --- sensor, on a board whose potentiometer differs from the file


@pytest.fixture
def strange(processes, joint_file, tmp_path_factory):
    """URL of a board whose potentiometer sits and spans otherwise than the file says."""
    folder = tmp_path_factory.mktemp("strange")
    text = joint_file.read_text(encoding="utf-8")
    text = text.replace('electrical_angle = "340 deg"', 'electrical_angle = "325 deg"')
    text = text.replace('dead_gap_at = "250 deg"', 'dead_gap_at = "242 deg"')
    path = folder / "joint.toml"
    path.write_text(text, encoding="utf-8")
    return processes("strange", [path]).url


def errors_read(joint_file, url, degrees):
    """What the board makes of a joint that stands at some angles: how far off it is (deg)."""
    off, seen = [], []
    with Session([load(joint_file)], [url]) as session:
        session.send_settings()
        session.bridges[0].on_rows.append(lambda rows: seen.extend(v[0][0] for v in rows.values))
        session.telemetry(["angle_rad"])
        for angle in degrees:
            move_virtual_joint(session, 0, np.deg2rad(angle))
            for rows in (50, 100):  # first until it stands
                seen.clear()
                assert until(lambda rows=rows: len(seen) >= rows)
            off.append(np.rad2deg(np.mean(seen)) - angle)
    return np.array(off)


@pytest.fixture
def brief(monkeypatch):
    """Readings of 0.2 s instead of 0.6 s."""
    monkeypatch.setattr(
        calibration, "read_counts", lambda session, joint: read_counts(session, joint, 0.2)
    )


def test_two_points_make_a_strange_sensor_read_true(strange, joint_file, inside):
    """Linearity error 1.5 % of full scale is left over by a straight line (5 deg of 340)."""
    text = joint_file.read_text(encoding="utf-8") + COMMENT
    joint_file.write_text(text, encoding="utf-8")
    assert abs(errors_read(joint_file, strange, [50.0])[0]) > 3.0, (
        "the board must differ from the file for this to mean anything"
    )
    done = inside("calibrate", joint_file, "--port", strange, "--points", "5 deg, 95 deg", "--json")
    found = done.json["calibration"]
    slope = float(found["slope"].split()[0])
    assert slope * 4 * 4095 == pytest.approx(np.deg2rad(325.0), rel=0.06)
    new = joint_file.read_text(encoding="utf-8")
    assert new.startswith(text.rstrip("\n"))
    table = table_of(joint_file)
    assert {"zero", "slope", "noise", "points", "provenance"} <= set(table)
    assert "jointloop calibrate" in table["provenance"]["made_by"]
    left = errors_read(joint_file, strange, [5.0, 50.0, 95.0])
    assert np.abs(left[[0, 2]]).max() < 0.4
    assert abs(left[1]) < 5.2


def test_a_sweep_takes_the_bend_out_too(strange, joint_file, inside, brief):
    points = ", ".join(f"{k} deg" for k in (5, 20, 35, 50, 65, 80, 95))
    inside("calibrate", joint_file, "--port", strange, "--points", points)
    assert len(table_of(joint_file)["points"]) == 7
    assert np.abs(errors_read(joint_file, strange, [35.0, 50.0, 80.0])).max() < 0.5


def test_a_second_calibration_replaces_the_first_and_nothing_else(
    strange, joint_file, inside, brief
):
    inside("calibrate", joint_file, "--port", strange, "--points", "5 deg, 95 deg")
    once = joint_file.read_text(encoding="utf-8")
    inside("calibrate", joint_file, "--port", strange, "--points", "10 deg, 50 deg, 90 deg")
    twice = joint_file.read_text(encoding="utf-8")
    assert twice.count("[calibration]") == 1
    assert len(table_of(joint_file)["points"]) == 3
    head = once.split("[calibration]")[0].rstrip("\n")
    assert twice.startswith(head)


def test_a_travel_that_meets_the_dead_gap_is_refused_and_nothing_is_written(
    strange, joint_file, inside, brief
):
    """By the file the track begins 160 deg below zero; that of the board begins 100.5 deg below."""
    text = joint_file.read_text(encoding="utf-8")
    far = text.replace('dead_gap_at = "250 deg"', 'dead_gap_at = "190 deg"')
    far = far.replace('range = ["0 deg", "100 deg"]', 'range = ["-110 deg", "60 deg"]')
    joint_file.write_text(far, encoding="utf-8")
    before = joint_file.read_bytes()
    with Session([load(joint_file)], [strange]) as session:
        session.send_settings()
    done = inside("calibrate", joint_file, "--port", strange, "--points", "20 deg, 60 deg")
    assert done.returncode == 2
    assert "meets the sensor's dead gap" in done.stderr
    assert "-112.0 deg" in done.stderr
    assert joint_file.read_bytes() == before


def test_a_joint_that_did_not_move_is_told(board, joint_file, inside, monkeypatch, brief):
    monkeypatch.setattr(calibration, "move_virtual_joint", lambda *_: None)
    before = joint_file.read_bytes()
    done = inside("calibrate", joint_file, "--port", board)
    assert done.returncode == 2
    assert "nearly the same reading" in done.stderr
    assert joint_file.read_bytes() == before


def test_a_real_board_needs_a_person(real_board, joint_file, inside):
    before = joint_file.read_bytes()
    done = inside("calibrate", joint_file, "--port", real_board)
    assert done.returncode == 2
    assert "move the joint by hand" in done.stderr
    assert joint_file.read_bytes() == before


def test_readings_that_drift_are_refused(board, joint_file):
    with Session([load(joint_file)], [board]) as session:
        session.send_settings()
        reading = read_counts(session, 0, 0.3)
        assert reading.number > 100
        assert 0.0 < reading.noise < 60.0
        end = time.monotonic() + 1.0

        def drag(_rows):
            left = max(end - time.monotonic(), 0.0)
            body = struct.pack("<BBfff", 0, schedule.MOVE_BY_HAND, 0.5 + 0.5 * left, 0.0, 0.0)
            session.bridges[0].tell(m.MEDDLE, body)

        session.bridges[0].on_rows.append(drag)
        with pytest.raises(InputError, match="hold the joint still"):
            read_counts(session, 0, 0.5)
        assert session.bridges[0].on_rows == [drag]


def test_the_file_stays_as_it_was_when_it_changed_meanwhile_or_cannot_be_written(
    joint_file, monkeypatch
):
    joint = load(joint_file)
    before = joint_file.read_bytes()

    def full(self, *_arguments, **_options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.write_text", full)
    with pytest.raises(InputError, match="cannot be written: No space left"):
        keep(joint_file, joint, {"zero": "1 count", "slope": "0.001 rad/count"})
    assert joint_file.read_bytes() == before
    assert [path.name for path in joint_file.parent.iterdir()] == [joint_file.name]


def test_remarks_between_tables_outlive_the_table_before_them(joint_file):
    """[calibration] in the middle of the file, a remark above what follows it."""
    text = joint_file.read_text(encoding="utf-8")
    table = '[calibration]\npulse_dead = "5e-6 s"\n\n# what differs from part to part, measured in May\n'
    joint_file.write_text(text.replace("[limits]", table + "[limits]"), encoding="utf-8")
    keep(joint_file, load(joint_file), {"pulse_dead": "6e-6 s"})
    new = joint_file.read_text(encoding="utf-8")
    assert table_of(joint_file)["pulse_dead"] == "6e-6 s"
    assert "# what differs from part to part, measured in May" in new


# --- pulse drive


class IdealBoard:
    """A pulse amplifier that moves the joint outside of ``neutral`` +- ``dead`` (s)."""

    def __init__(self, told, neutral, dead):
        settings = Settings()
        settings.drive.neutral_s = told
        self.joints = [types.SimpleNamespace(settings=settings)]
        self.virtual = False
        self.neutral, self.dead = neutral, dead

    def drift(self, _session, _joint, width, _seconds=0.5):
        away = width - self.neutral
        if abs(away) <= self.dead:
            return 0.0
        return 2e5 * (away - np.copysign(self.dead, away))


@pytest.mark.parametrize("off", [-4e-6, 0.0, 4e-6])
@pytest.mark.parametrize("dead", [6e-6, 12e-6, 40e-6])
def test_neutral_and_dead_band_of_an_ideal_board(off, dead, monkeypatch):
    """Both ends, then seven halvings of 120 us: an edge is known to 0.94 us."""
    ideal = IdealBoard(1.5e-3, 1.5e-3 + off, dead)
    monkeypatch.setattr(calibration, "drift_at", ideal.drift)
    told = []
    neutral, half = find_neutral(ideal, 0, lambda *one: told.append(one))
    assert neutral == pytest.approx(1.5e-3 + off, abs=1e-6)
    assert half == pytest.approx(dead, abs=1.2e-6)
    assert len(told) == 2 + 2 * 7


@pytest.mark.parametrize("off", [-30e-6, -15e-6, 15e-6, 30e-6])
def test_a_neutral_outside_of_the_file_s_band_is_found(off, monkeypatch):
    """Which is what calibrating is for: boards differ by tens of us (common practice, no source)."""
    ideal = IdealBoard(1.5e-3, 1.5e-3 + off, 6e-6)
    monkeypatch.setattr(calibration, "drift_at", ideal.drift)
    neutral, half = find_neutral(ideal, 0, lambda *_: None)
    assert neutral == pytest.approx(1.5e-3 + off, abs=1.5e-6)
    assert half == pytest.approx(6e-6, abs=1.5e-6)


def test_a_motor_that_never_moves_is_told(monkeypatch):
    """Its supply is off: no width moves it, and that is no dead band."""
    ideal = IdealBoard(1.5e-3, 1.5e-3, 1.0)
    monkeypatch.setattr(calibration, "drift_at", ideal.drift)
    with pytest.raises((InputError, calibration.StoppedError)):
        find_neutral(ideal, 0, lambda *_: None)


def test_idle_settings_put_out_the_pulse_and_nothing_else():
    from controller.records import copy, get, leaves

    settings = Settings()
    before = Settings()
    copy(settings, before)
    made = idle_settings(settings, 1.523e-3)
    assert made.drive.neutral_s == 1.523e-3
    assert made.stopping.check_V == made.gains.kp == made.gains.ki == made.gains.kd == 0.0
    for name, _ in leaves(Settings):
        assert get(settings, name) == get(before, name), "the joint's own settings were changed"
        if name.startswith(("limits.", "watch.", "heat.", "sensor.")):
            assert get(made, name) == get(settings, name), name


def test_pulse_needs_a_pulse_drive(joint_file, inside):
    before = joint_file.read_bytes()
    done = inside("calibrate", joint_file, "--pulse")
    assert done.returncode == 2
    assert "drive.kind" in done.stderr
    assert joint_file.read_bytes() == before


def test_a_pulse_calibration_goes_into_the_file(board, joint_file, inside, monkeypatch):
    text = joint_file.read_text(encoding="utf-8").replace('kind = "bridge"', 'kind = "pulse"')
    joint_file.write_text(text, encoding="utf-8")
    joint = load(joint_file)
    ideal = IdealBoard(joint.settings.drive.neutral_s, joint.settings.drive.neutral_s + 2e-6, 20e-6)
    monkeypatch.setattr(calibration, "drift_at", ideal.drift)
    done = inside("calibrate", joint_file, "--pulse", "--port", board, "--json")
    assert float(done.json["calibration"]["pulse_neutral"].split()[0]) == pytest.approx(
        joint.settings.drive.neutral_s + 2e-6, abs=1e-6
    )
    assert joint_file.read_text(encoding="utf-8").startswith(text.rstrip("\n"))
    found = load(joint_file).settings.drive
    assert found.neutral_s == pytest.approx(joint.settings.drive.neutral_s + 2e-6, abs=1e-6)
    assert 0.0 <= found.dead_s < 21e-6


# --- force


@pytest.fixture
def pressed(monkeypatch):
    """The estimate (N) that the joint presses with; nothing is really armed."""

    def put(estimate):
        monkeypatch.setattr(calibration, "press_and_hold", lambda *_: estimate)

    return put


def test_force_is_scaled_by_the_known_weight(board, joint_file, inside, pressed):
    """Copper: R25 = R (234.5 + 25) / (234.5 + T), IEC 60034-1:2017, 8.6.2 (k = 235 rounded there;
    234.5 is the constant of annealed copper)."""
    pressed(0.8)
    before = load(joint_file).settings
    done = inside("calibrate", joint_file, "--force", "--port", board, "--scale", "1.2 N",
                  "--resistance", "6.3 ohm", "--temperature", "40 degC", "--json")  # fmt: skip
    found = done.json["calibration"]
    assert float(found["force_factor"]) == pytest.approx(1.5)
    cold = 6.3 * (234.5 + 25.0) / (234.5 + 40.0)
    assert float(found["resistance_25"].split()[0]) == pytest.approx(cold, rel=1e-9)
    after = load(joint_file).settings
    assert after.limits.newton_per_A == pytest.approx(1.5 * before.limits.newton_per_A)
    # stronger than thought: the same newtons are reached with less current
    loss = before.limits.loss_A
    assert after.limits.current_A - loss == pytest.approx((before.limits.current_A - loss) / 1.5)
    assert after.heat.resistance_25_ohm == pytest.approx(cold)


def test_a_second_force_calibration_builds_on_the_first(board, joint_file, inside, pressed):
    """With the factor in the file the estimate is right; finding so must not undo the factor."""
    joint_file.write_text(
        joint_file.read_text(encoding="utf-8") + '\n[calibration]\nforce_factor = "1.25"\n',
        encoding="utf-8",
    )
    pressed(1.0)
    inside("calibrate", joint_file, "--force", "--port", board, "--scale", "1.0 N")
    assert float(table_of(joint_file)["force_factor"]) == pytest.approx(1.25)


@pytest.mark.parametrize(
    "options",
    [("--scale", "9 N"), ("--scale", "1 N", "--resistance", "0 ohm"),
     ("--scale", "1 N", "--resistance", "-3 ohm"), ("--scale", "0.1 N")],
)  # fmt: skip
def test_a_force_calibration_never_leaves_a_file_that_cannot_be_read(
    options, board, joint_file, inside, pressed
):
    pressed(1.0)
    inside("calibrate", joint_file, "--force", "--port", board, *options)
    load(joint_file)


@pytest.mark.parametrize(
    ("estimate", "options", "words"),
    [
        (1.0, (), "--scale"),
        (1.0, ("--scale", "1.2"), "unit"),
        (1.0, ("--scale", "1.2 m"), "--scale"),
        (1.0, ("--scale", "1 N", "--resistance", "6"), "--resistance"),
        (1.0, ("--scale", "1 N", "--temperature", "warm"), "--temperature"),
        (1.0, ("--scale", "0 N"), "too little force"),
        (0.02, ("--scale", "1 N"), "too little force"),
    ],
)
def test_bad_force_input_is_refused_and_nothing_is_written(
    estimate, options, words, board, joint_file, inside, pressed
):
    pressed(estimate)
    before = joint_file.read_bytes()
    done = inside("calibrate", joint_file, "--force", "--port", board, *options)
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert joint_file.read_bytes() == before


def test_it_may_press_towards_an_angle_of_zero(board, joint_file, inside, pressed):
    pressed(1.0)
    done = inside("calibrate", joint_file, "--force", "--port", board, "--scale", "1 N",
                  "--towards", "0 deg")  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_force_against_an_object_of_a_virtual_board(board, joint_file, inside, monkeypatch):
    """The whole way once: armed, pressed against an object, eased off, written."""
    press = calibration.press_and_hold
    monkeypatch.setattr(
        calibration, "press_and_hold", lambda session, joint, to, _: press(session, joint, to, 1.5)
    )
    bridge = Bridge(open_url(board), board)
    bridge.greet()
    for kind, a, b, c in (
        (schedule.MOVE_BY_HAND, 0.6, 0.0, 0.0),
        (schedule.OBJECT, 0.8, 5.0, 0.01),
    ):
        bridge.request(m.MEDDLE, struct.pack("<BBfff", 0, kind, a, b, c))
    bridge.close()
    done = inside("calibrate", joint_file, "--force", "--port", board, "--scale", "1.4 N", "--json")
    factor = float(done.json["calibration"]["force_factor"])
    # grip_force of the file is 1.5 N: what it is told to press with, and so the estimate
    assert 1.4 / factor == pytest.approx(1.5, rel=0.25)
    bridge = Bridge(open_url(board), board)
    try:
        bridge.greet()
        bridge.beat()
        assert until(lambda: bridge.board_tick)
        assert bridge.powered == 0
    finally:
        bridge.close()


def test_in_free_air_there_is_no_force_to_measure(board, joint_file, inside, monkeypatch):
    """Nothing stands in the way: refused, the file left as it was."""
    press = calibration.press_and_hold
    monkeypatch.setattr(
        calibration, "press_and_hold", lambda session, joint, to, _: press(session, joint, to, 1.5)
    )
    before = joint_file.read_bytes()
    done = inside("calibrate", joint_file, "--force", "--port", board, "--scale", "1.4 N",
                  "--towards", "60 deg")  # fmt: skip
    assert done.returncode == 2
    assert "does not stand against anything" in done.stderr
    assert joint_file.read_bytes() == before


@pytest.mark.parametrize("angle", ["200 deg", "-40 deg"])
def test_it_presses_towards_no_angle_beyond_the_range(board, joint_file, inside, pressed, angle):
    pressed(1.0)
    done = inside(
        "calibrate", joint_file, "--force", "--port", board, "--scale", "1 N", "--towards", angle
    )
    assert done.returncode == 2
    assert "--towards: " in done.stderr
    assert f"{float(angle.split()[0]):.1f} deg': must lie in 0.0 .. 100.0 deg" in done.stderr


@pytest.mark.parametrize(("estimate", "factor"), [(4.0, "0.25"), (0.3, "3.33")])
def test_an_odd_factor_is_asked_for_with_its_newtons(
    board, joint_file, inside, pressed, estimate, factor
):
    pressed(estimate)
    before = joint_file.read_bytes()
    done = inside("calibrate", joint_file, "--force", "--port", board, "--scale", "1 N")
    assert done.returncode == 2
    assert f"factor {factor}" in done.stderr
    said = " ".join(done.stdout.split())
    limit = load(joint_file).file.limits.tip_force
    assert f"will let the joint press with {limit * estimate:.1f} N" in said
    assert joint_file.read_bytes() == before


@pytest.mark.parametrize(
    ("angle", "stands"),
    [([0.8, 0.801, 0.8], True), ([1.5, 1.501, 1.5], False), ([0.7, 0.8, 0.9], False)],
)
def test_blocked_is_still_and_short_of_the_target(angle, stands):
    assert calibration.blocked(np.array(angle), 1.5) == stands


@pytest.mark.parametrize(
    "command",
    [
        ("stream",),
        ("record", "--duration", "0.3 s"),
        ("record", "--excite"),
        ("calibrate", "--force"),
    ],
)
def test_a_motor_that_keeps_its_own_loop_is_refused_on_any_board(
    board, joint_file, inside, command
):
    text = joint_file.read_text(encoding="utf-8")
    assert "[drive]\n" in text
    kind = text.replace('kind = "bridge"', 'kind = "builtin"')
    joint_file.write_text(
        kind if kind != text else text.replace("[drive]\n", '[drive]\nkind = "builtin"\n')
    )
    for port in ((), ("--port", board)):
        done = inside(command[0], joint_file, *command[1:], *port)
        assert done.returncode == 2
        assert "drive.kind: 'builtin': is for simulation only" in done.stderr
