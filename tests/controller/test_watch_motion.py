"""Evidence of motion: what a driven joint should have moved, and did."""

import math

import pytest

from controller.joint import faults, watch
from controller.joint.settings.settings import Settings
from controller.joint.state import State

H = 0.002


def watched(u, motion, ticks=1000, grip=0, **changes):
    """Drive with ``u`` while the joint moves by ``motion(k)`` a tick: (fault, time s)."""
    settings, state = Settings(), State()
    for name, value in changes.items():
        setattr(settings.watch, name, value)
    for k in range(ticks):
        moved = motion(k)
        state.sensed.moved_rad, state.sensed.speed_rad_s = moved, moved / H
        watch.gather(settings, state.evidence, state.sensed, u, H)
        fault = watch.motion_fault(settings.watch, state.evidence, grip)
        if fault != faults.NONE:
            return fault, (k + 1) * H
    return faults.NONE, math.inf


def free(u):
    """Motion of the joint of the expectation model itself, from rest."""
    w = Settings().watch
    speed = [0.0]

    def moved(_k):
        speed[0] += ((abs(u) - w.friction_V) / w.emf_V_s - speed[0]) * H / w.lag_s
        return math.copysign(speed[0] * H, u)

    return moved


@pytest.mark.parametrize("u", [4.0, -4.0])
@pytest.mark.parametrize(
    ("share", "fault"),
    [(1.0, 0), (0.5, 0), (0.4, faults.BLOCKED), (0.2, faults.BLOCKED), (0.1, faults.NO_MOTION)],
)
def test_motion_is_compared_with_what_the_model_expects(u, share, fault):
    path = free(u)
    found, when = watched(u, lambda k: share * path(k))
    assert found == fault
    assert fault == 0 or when < 0.2


@pytest.mark.parametrize("u", [1.99, -1.99, 0.0])
def test_a_push_within_friction_is_no_evidence(u):
    assert watched(u, lambda k: 0.0) == (faults.NONE, math.inf)


def test_an_object_may_block_a_grip():
    assert watched(4.0, lambda k: 0.0, grip=1)[0] == faults.NONE


@pytest.mark.parametrize("u", [4.0, -4.0])
def test_motion_against_the_drive_is_added_up_to_its_threshold(u):
    step = 0.004

    def back(k):
        return 0.0 if k < 50 else -math.copysign(step, u)

    found, when = watched(u, back, still_s=0.0, slow_s=0.0)
    assert found == faults.REVERSED
    most = Settings().watch.wrong_rad
    assert most < (round(when / H) - 50) * step <= most + step


def test_coasting_after_the_push_turned_round_is_not_against_the_drive():
    """The model starts from the speed seen, so the rest of an old motion is expected."""
    speed = [8.0]

    def slowing(_k):
        speed[0] += ((-2.0) / 0.4 - speed[0]) * H / 0.035
        return speed[0] * H

    assert watched(-4.0, slowing, still_s=0.0, slow_s=0.0)[0] == faults.NONE


@pytest.mark.parametrize(("u", "push"), [(5.0, 1.5), (3.0, 0.0), (-5.0, -3.0), (-1.9, 0.0)])
def test_a_spring_takes_its_part_of_a_push_in_the_closing_direction_only(u, push):
    w = Settings().watch
    w.friction_V, w.spring_V = 2.0, 1.5
    assert watch.push_beyond_friction(w, u) == pytest.approx(push, abs=1e-12)


def test_what_crossing_cables_turn_counts_as_motion():
    """The joint stands, its drum is turned by the joint that its cable crosses (rad/s)."""
    settings, state = Settings(), State()
    state.sensed.across_rad_s = 2.0
    for _ in range(10):
        watch.gather(settings, state.evidence, state.sensed, 4.0, H)
    leak = H / settings.watch.window_s
    assert state.evidence.seen_rad == pytest.approx(
        2.0 * H * sum((1.0 - leak) ** k for k in range(10))
    )
