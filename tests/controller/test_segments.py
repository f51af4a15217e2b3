import numpy as np
import pytest

from controller.joint.motion.segments import SEGMENTS, advance, coast, duration
from controller.joint.state import Motion

START = (0.3, -1.2, 25.0)
DURATIONS = [0.02, 0.05, 0.0, 0.1, 0.01, 0.0, 0.03]
JERKS = [500.0, 0.0, -700.0, 0.0, -500.0, 0.0, 400.0]


def moving():
    motion = Motion()
    motion.setpoint_rad, motion.setpoint_rad_s, motion.setpoint_rad_s2 = START
    motion.duration_s[:] = DURATIONS
    motion.jerk_rad_s3[:] = JERKS
    motion.segment = 0
    motion.segment_left_s = DURATIONS[0]
    return motion


def state_at(t):
    """Position, speed, acceleration by the jerk integrated on its own breakpoints."""
    p, v, a = START
    for length, j in zip(DURATIONS, JERKS, strict=True):
        step = min(length, t)
        p += v * step + a * step**2 / 2.0 + j * step**3 / 6.0
        v += a * step + j * step**2 / 2.0
        a += j * step
        t -= step
    return p, v, a


def now(motion):
    return motion.setpoint_rad, motion.setpoint_rad_s, motion.setpoint_rad_s2


def test_duration_is_the_sum():
    assert duration(moving()) == pytest.approx(sum(DURATIONS))


@pytest.mark.parametrize("h", [0.0005, 0.002, 0.003, 0.017, 0.05])
def test_steps_of_any_size_follow_the_same_path(h):
    motion = moving()
    for k in range(1, int(sum(DURATIONS) / h)):
        advance(motion, h)
        assert now(motion) == pytest.approx(state_at(k * h), abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_uneven_steps_end_at_the_same_place(seed):
    motion = moving()
    t = 0.0
    for h in np.random.default_rng(seed).uniform(0.0, 0.02, 60):
        advance(motion, float(h))
        t += h
        if motion.segment < SEGMENTS:
            assert now(motion) == pytest.approx(state_at(t), abs=1e-9)
    assert motion.segment == SEGMENTS
    assert now(motion) == pytest.approx(state_at(1.0), abs=1e-9)


def test_after_the_last_segment_it_stands():
    motion = moving()
    advance(motion, 10.0)
    before = now(motion)
    advance(motion, 1.0)
    assert now(motion) == before


def test_coasting_keeps_the_speed():
    motion = moving()
    motion.setpoint_rad_s = 3.0
    coast(motion)
    place = motion.setpoint_rad
    for _ in range(50):
        advance(motion, 0.002)
    assert now(motion) == pytest.approx((place + 0.3, 3.0, 0.0), abs=1e-12)
