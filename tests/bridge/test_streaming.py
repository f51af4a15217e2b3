"""The stream itself, on a session that only notes what it is asked for."""

import textwrap
import time
import types

import pytest

from controller.joint.settings.settings import Settings
from controller.wire import framing
from controller.wire import messages as m
from host.errors import StoppedError
from host.link import setpoint_stream
from host.link.bridge import BEAT_S, Identity
from host.link.moves import Move, sine, step
from host.link.session import INBOUND_SHARE, Board, Session, Stopped, scaled
from host.link.setpoint_stream import (
    StopOnInterrupt,
    Streamed,
    arm_and_wait,
    check_budget,
    raise_faults,
    stream,
)
from sim.errors import InputError


class Notes:
    """Stands for a session; its clock moves when somebody sleeps."""

    def __init__(self):
        self.now = 100.0
        self.recorder = None
        self.sent = []
        self.targets = []
        self.faults = {}
        self.bridges = [types.SimpleNamespace(lost=None, faults=self.faults, on_rows=[])]

    def setpoints(self, angles, span_s):
        self.sent.append((self.now, angles, span_s))

    def target(self, joint, angle):
        self.targets.append((self.now, joint, angle))

    def first_joint(self, _bridge):
        return 0

    def name_of(self, joint):
        return f"joint {joint}"

    def sleep(self, seconds):
        assert seconds >= 0.0
        self.now += seconds

    def time_s(self):
        return self.now

    ticked_s = time_s


@pytest.fixture
def notes(monkeypatch):
    made = Notes()
    clock = types.SimpleNamespace(monotonic=lambda: made.now, sleep=made.sleep, time=time.time)
    monkeypatch.setattr(setpoint_stream, "time", clock)
    return made


def ramp(seconds):
    return Move("ramp", seconds, lambda t: (t, 1.0))


@pytest.mark.parametrize("rate", [4.0, 50.0, 125.0, 500.0])
def test_setpoints_go_out_at_the_rate_each_with_its_time(notes, rate):
    done = stream(notes, {0: ramp(2.0)}, rate)
    count = round(2.0 * rate) + 1
    assert done.sent == len(notes.sent) == count
    for number, (when, angles, span) in enumerate(notes.sent):
        assert when == pytest.approx(100.0 + number / rate, abs=1e-9)
        assert angles[0] == (pytest.approx(number / rate, abs=1e-9), 1.0)
        assert span == 1.0 / rate
    assert max(done.late_s) < 1e-9


@pytest.mark.parametrize("seconds", [0.58, 1.14, 2.3])
def test_the_last_setpoint_of_a_move_is_sent(notes, seconds):
    """0.58 s at 50 Hz are 29 steps and 30 setpoints, though 0.58 * 50 is 28.999... in doubles."""
    stream(notes, {0: ramp(seconds)}, 50.0)
    assert notes.sent[-1][1][0][0] == pytest.approx(seconds, abs=1e-9)


def test_repeats_begin_anew_and_stay_in_step(notes):
    told = []
    done = stream(notes, {0: ramp(0.5)}, 20.0, 3, lambda t, whole: told.append((t, whole)))
    angles = [one[1][0][0] for one in notes.sent]
    assert done.sent == 33
    assert angles[:11] == angles[11:22] == angles[22:]
    assert notes.sent[-1][0] == pytest.approx(100.0 + 32 / 20.0)
    assert told[-1] == (pytest.approx(1.6), 1.5)


def test_joints_go_in_step_in_one_call(notes):
    stream(notes, {0: ramp(0.2), 1: sine(0.5, 0.1, 1.0, 0.4)}, 50.0)
    assert len(notes.sent) == 21
    assert all(sorted(angles) == [0, 1] for _, angles, _ in notes.sent)


def test_a_jumping_move_is_sent_as_targets_when_it_changes(notes):
    stream(notes, {0: step(0.2, 0.8, 1.0, 2.9), 1: ramp(2.9)}, 50.0)
    assert [angle for _, _, angle in notes.targets] == [0.8, 0.2, 0.8, 0.2, 0.8, 0.2]
    times = [when - 100.0 for when, _, _ in notes.targets]
    assert times == pytest.approx([0.0, 0.5, 1.0, 1.5, 2.0, 2.5], abs=0.0201)
    assert all(sorted(angles) == [1] for _, angles, _ in notes.sent)


def test_a_late_send_is_measured_and_the_next_is_in_time_again(notes):
    once = []

    def tell(t, _whole):
        if t > 0.3 and not once:
            once.append(t)
            notes.now += 0.033

    done = stream(notes, {0: ramp(1.0)}, 50.0, tell=tell)
    jitter = done.jitter()
    assert jitter["worst_s"] == pytest.approx(0.013, abs=1e-9)
    assert jitter["median_s"] == pytest.approx(0.0, abs=1e-9)
    assert notes.sent[-1][0] == pytest.approx(101.0)


def test_jitter_of_nothing_is_nothing():
    assert Streamed().jitter() == {"median_s": 0.0, "p99_s": 0.0, "worst_s": 0.0}


def test_a_trip_ends_the_stream_at_the_next_setpoint(notes):
    from controller.joint import faults

    def tell(t, _whole):
        if t >= 0.2:
            notes.faults[0] = (faults.WIPER_RAIL, 77)

    with pytest.raises(StoppedError, match=r"joint 0: .*wiper"):
        stream(notes, {0: ramp(5.0)}, 50.0, tell=tell)
    assert len(notes.sent) == 11


def test_a_lost_link_ends_the_stream(notes):
    notes.bridges[0].lost = "unplugged"
    with pytest.raises(StoppedError, match="the link was lost: unplugged"):
        stream(notes, {0: ramp(5.0)}, 50.0)
    assert notes.sent == []


def test_every_fault_is_told_in_words(notes):
    from sim.documentation import fault_table

    for row in fault_table():
        notes.faults[0] = (row["number"], 1)
        with pytest.raises(StoppedError) as caught:
            raise_faults(notes)
        assert row["name"] in str(caught.value)
        assert row["cure"] in str(caught.value)
    notes.faults[0] = (250, 1)
    with pytest.raises(StoppedError, match="fault 250"):
        raise_faults(notes)


# --- the inbound budget


def budgeted(joints, inbound, tick_us=2000):
    """A session with one board that takes ``inbound`` octets a tick."""
    session = Session.__new__(Session)
    bridge = types.SimpleNamespace(url="x")
    session.joints = [types.SimpleNamespace(settings=Settings()) for _ in range(joints)]
    session.boards = [Board(bridge, Identity(1, 0, 0, joints, tick_us, 0, 0, 0, 0, 0, inbound))]
    return session


def octets_a_second(joints, rate):
    """What a stream takes at least: frames as they are sent, nothing stuffed."""
    setpoints = len(m.HEAD[m.SETPOINTS]) and 2 + 3 + 4 * joints + 4 + 1
    beat = 2 + m.size(m.LAYOUT[m.BEAT]) + 4 + 1
    return setpoints * rate + beat * 50.0


@pytest.mark.parametrize("joints", [1, 4, 8])
@pytest.mark.parametrize("rate", [25.0, 100.0, 400.0])
def test_the_share_is_that_of_the_octets_on_the_wire(joints, rate):
    session = budgeted(joints, 12)
    share = session.inbound_share(rate)
    least = octets_a_second(joints, rate) / (12 * 500.0)
    assert least <= share
    frames = rate + 1.0 / BEAT_S
    assert share <= (1.1 * octets_a_second(joints, rate) + framing.BLOCK * frames) / (12 * 500.0)


def test_a_stream_beyond_the_budget_is_refused_with_its_option():
    with pytest.raises(InputError) as caught:
        check_budget(budgeted(8, 12), 200.0)
    assert caught.value.key == "--rate"
    assert "inbound budget" in str(caught.value)
    check_budget(budgeted(8, 12), 50.0)
    check_budget(budgeted(1, 12), 200.0)


@pytest.mark.parametrize("joints", [1, 2, 4, 8])
def test_the_rate_that_a_refusal_names_is_accepted(joints):
    session = budgeted(joints, 12)
    with pytest.raises(InputError) as caught:
        check_budget(session, 500.0)
    most = float(str(caught.value).split("at most about ")[1].split()[0])
    assert session.inbound_share(most + 10.0) > INBOUND_SHARE
    check_budget(session, most)


def test_setpoints_of_every_joint_of_the_tightest_board_count():
    """A second board with room to spare changes nothing."""
    session = budgeted(2, 12)
    other = types.SimpleNamespace(url="y")
    alone = session.inbound_share(100.0)
    session.joints.append(session.joints[0])
    session.boards.append(Board(other, Identity(1, 0, 0, 1, 2000, 0, 0, 0, 0, 0, 128), first=2))
    assert session.inbound_share(100.0) == alone


# --- setpoints on the wire


def test_setpoints_are_scaled_over_the_travel_and_the_speed_limit():
    settings = Settings()
    low, high = settings.limits.command_low_rad, settings.limits.command_high_rad
    most = settings.limits.speed_rad_s
    assert scaled(settings, low, 0.0) == (0, 0)
    assert scaled(settings, high, most) == (65535, 32767)
    assert scaled(settings, 0.5 * (low + high), -most)[1] == -32767
    assert scaled(settings, low, 9.0 * most)[1] == 32767
    step_rad = (high - low) / 65535.0
    for k in range(101):
        angle = low + (high - low) * k / 100.0
        position, _ = scaled(settings, angle, 0.0)
        assert abs(low + position * step_rad - angle) <= 0.5 * step_rad * (1.0 + 1e-6)


@pytest.mark.parametrize("beyond", [-0.01, 0.01, -3.0, 3.0, float("nan")])
def test_setpoints_outside_the_travel_never_reach_the_wire(beyond):
    settings = Settings()
    low, high = settings.limits.command_low_rad, settings.limits.command_high_rad
    with pytest.raises(InputError, match="must lie within"):
        scaled(settings, (high if beyond > 0 else low) + beyond, 0.0)


# --- arming and Ctrl-C


def test_arming_that_is_refused_is_told_with_the_reason(notes):
    from host.errors import RefusedError

    def refuse(_joints):
        raise RefusedError(m.ARM, m.TOO_SLOW, 1900)

    notes.masks = lambda _joints: []
    notes.arm = refuse
    with pytest.raises(StoppedError, match=r"arming was refused: the tick does not fit.*1900"):
        arm_and_wait(notes)


def test_a_joint_that_never_becomes_powered_is_told_and_nothing_stays_behind(notes):
    bridge = notes.bridges[0]
    notes.masks = lambda _joints: [(Board(bridge, None), 1)]
    notes.arm = lambda _joints: None
    with pytest.raises(StoppedError, match="did not become powered in time"):
        arm_and_wait(notes)
    assert bridge.on_rows == []
    assert notes.now - 100.0 < 10.0


def test_ctrl_c_stops_first_and_a_second_one_ends_at_once(capsys):
    import signal

    session = types.SimpleNamespace(stops=0)

    def stop():
        session.stops += 1
        return Stopped(0.004, 1, ())

    session.stop = stop
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt), StopOnInterrupt(session) as guard:
        signal.raise_signal(signal.SIGINT)
    assert guard.asked
    assert session.stops == 1
    assert "STOP: stopped: the board answered within 4 ms" in capsys.readouterr().out
    assert signal.getsignal(signal.SIGINT) is before
    with pytest.raises(KeyboardInterrupt), guard:
        signal.raise_signal(signal.SIGINT)
    assert session.stops == 1


CTRL_C_IN_A_WRITE = textwrap.dedent(
    """
    import signal, struct, types
    from controller.wire import framing, messages as m
    from host.link.session import Board, Session
    from host.link.setpoint_stream import StopOnInterrupt
    from host.link.bridge import Bridge

    class Slow:
        def __init__(self):
            self.reader, self.replies, self.interrupted = framing.Reader(), [], False
        def write(self, data):
            for payload in self.reader.feed(data):
                if payload[0] == m.SETPOINTS and not self.interrupted:
                    self.interrupted = True
                    signal.raise_signal(signal.SIGINT)   # Ctrl-C while a setpoint is going out
                elif payload[0] not in (m.BEAT, m.SETPOINTS):
                    self.replies.append(framing.encode(
                        m.build(m.ANSWER, 1, payload[0], payload[1], 0, 0)))
        def read(self, wait_s):
            import time
            time.sleep(0.005)
            return self.replies.pop(0) if self.replies else b""
        def close(self):
            pass

    bridge = Bridge(Slow(), "slow")
    session = Session.__new__(Session)
    session.boards = [Board(bridge, None)]
    print("ready", flush=True)
    try:
        with StopOnInterrupt(session):
            bridge.tell(m.SETPOINTS, struct.pack("<HBHh", 1, 20, 0, 0))
    except KeyboardInterrupt:
        print("ended")
    """
)


def test_ctrl_c_in_the_middle_of_a_write_ends_the_program():
    """STOP must not wait for a lock that the interrupted write itself holds."""
    import subprocess
    import sys

    process = subprocess.Popen(
        [sys.executable, "-c", CTRL_C_IN_A_WRITE], stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout.readline() == "ready\n"
        out, _ = process.communicate(timeout=60.0)
    except subprocess.TimeoutExpired:
        out = "hangs"
    finally:
        process.kill()
        process.communicate()
    assert out.startswith("\nSTOP: stopped: the board answered")
    assert out.endswith("ended\n")
