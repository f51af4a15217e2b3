from itertools import pairwise

import pytest

from controller.joint.drive import duty, pulse_width, put_out
from controller.joint.settings.contradictions import contradiction
from controller.joint.settings.settings import PULSE, Settings
from controller.joint.state import Output

H = 0.002


def settings_of(kind=0, sign=1, full_duty=1.0):
    s = Settings()
    s.drive.kind, s.drive.sign, s.limits.full_duty = kind, sign, full_duty
    return s


@pytest.mark.parametrize(
    ("allowed", "supply", "most", "expected"),
    [
        (2.5, 5.0, 1.0, 0.5),
        (-2.5, 5.0, 1.0, -0.5),
        (9.0, 5.0, 1.0, 1.0),
        (-9.0, 5.0, 1.0, -1.0),
        (5.0, 5.0, 0.8, 0.8),
        (-5.0, 5.0, 0.8, -0.8),
        (3.0, 0.0, 1.0, 0.0),
        (3.0, -1.0, 1.0, 0.0),
        (0.0, 5.0, 1.0, 0.0),
    ],
)
def test_duty_is_the_share_of_the_supply_within_its_bound(allowed, supply, most, expected):
    assert duty(allowed, supply, most) == pytest.approx(expected)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("allowed", [3.0, -3.0, 0.0])
def test_the_bridge_turns_with_its_sign_but_the_voltage_kept_is_the_joint_s(allowed, sign):
    out = Output()
    put_out(settings_of(sign=sign), out, allowed, 5.0, True, H)
    assert out.value == pytest.approx(sign * allowed / 5.0)
    assert out.latched_V == allowed


@pytest.mark.parametrize(
    ("share", "width"),
    [
        (0.0, 1.5e-3),
        (1.0, 1.5e-3 + 5e-6 + 1.5e-4),
        (-1.0, 1.5e-3 - 5e-6 - 1.5e-4),
        (0.5, 1.5e-3 + 5e-6 + 0.75e-4),
        (-0.5, 1.5e-3 - 5e-6 - 0.75e-4),
        (1e-9, 1.5e-3 + 5e-6),
        (-1e-9, 1.5e-3 - 5e-6),
    ],
)
def test_pulse_widths_step_over_the_dead_band(share, width):
    assert pulse_width(Settings().drive, share) == pytest.approx(width, abs=1e-12)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_pulse_turns_with_its_sign_around_neutral(sign):
    out = Output()
    s = settings_of(PULSE, sign)
    put_out(s, out, 2.5, 5.0, True, H)
    assert out.value - s.drive.neutral_s == pytest.approx(sign * (5e-6 + 0.75e-4))


@pytest.mark.parametrize("h", [0.002, 0.003, 0.004, 0.0066])
def test_a_pulse_is_latched_once_a_frame(h):
    out = Output()
    s = settings_of(PULSE)
    changed = []
    ticks = round(3.0 / h)
    for k in range(ticks):
        before = out.latched_V
        put_out(s, out, float(k + 1) * 1e-3, 5.0, True, h)
        if out.latched_V != before:
            changed.append(k)
            assert out.value == pytest.approx(pulse_width(s.drive, (k + 1) * 1e-3 / 5.0))
    assert changed[0] == 0
    gaps = [b - a for a, b in pairwise(changed)]
    assert max(gaps[1:]) - min(gaps[1:]) <= 1
    assert len(changed) == pytest.approx(3.0 / s.drive.frame_s, abs=1)


def test_a_tick_longer_than_a_frame_latches_every_time():
    out = Output()
    s = settings_of(PULSE)
    for k in range(20):
        put_out(s, out, k * 0.1, 5.0, True, 0.05)
        assert out.latched_V == k * 0.1


@pytest.mark.parametrize("kind", [0, PULSE])
def test_off_is_at_once_whatever_was_latched(kind):
    out = Output()
    s = settings_of(kind)
    put_out(s, out, 4.0, 5.0, True, H)
    put_out(s, out, 4.0, 5.0, False, H)
    assert (out.value, out.left_s, out.latched_V) == (0.0, 0.0, 0.0)
    put_out(s, out, 2.0, 5.0, True, H)
    assert out.latched_V == 2.0  # on again: not held back by the old frame


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({"neutral_s": 5.0e-4, "full_s": 1.0e-3}, "drive.full_s"),
        ({"neutral_s": 5.0e-4, "full_s": 4.0e-4, "dead_s": 1.1e-4}, "drive.full_s"),
        ({"neutral_s": 5.0e-4, "full_s": 4.0e-4, "dead_s": 9.0e-5}, None),
        ({"frame_s": 1.6e-3}, "drive.frame_s"),
        ({"frame_s": 3.0e-3}, None),
    ],
)
def test_pulse_widths_stay_between_zero_and_the_frame(bench, changes, wrong):
    """Full drive either way, by the settings that the board would take over."""
    d = bench.settings.drive
    d.kind = 1
    for name, value in changes.items():
        setattr(d, name, value)
    assert contradiction(bench.settings) == wrong
    widths = [pulse_width(d, share) for share in (-1.0, 0.0, 1.0)]
    assert all(0.0 < width < d.frame_s for width in widths) == (wrong is None)
    d.kind = 0
    assert contradiction(bench.settings) is None, "a bridge knows no pulses"
