"""What crossing cables pass on: setpoints of driven joints, speeds of sensors that tell something."""

import pytest

from controller.joint import coupling, faults
from controller.joint.modes import CHECKING, OFF, POWERED, STOPPING, TRIPPED
from controller.joint.settings.settings import Across
from controller.joint.state import State


@pytest.fixture
def pair():
    """A joint whose cables cross another that moves; the row."""
    own, other, row = State(), State(), Across()
    row.joint_1, row.share_1 = 1, 0.5
    other.mode.mode = POWERED
    other.sensed.started = 1
    other.sensed.speed_rad_s = 4.0
    other.motion.setpoint_rad_s, other.motion.setpoint_rad_s2 = 3.0, 20.0
    return own, other, row


def filled(pair):
    own, other, row = pair
    coupling.fill(row, own, [own, other])
    return own.motion.across_rad_s, own.motion.across_rad_s2, own.sensed.across_rad_s


def test_shares_of_setpoint_and_speed_are_passed_on(pair):
    assert filled(pair) == (1.5, 10.0, 2.0)


@pytest.mark.parametrize("place", [1, 2, 3])
def test_every_place_of_the_row_counts_alike(place):
    states = [State() for _ in range(4)]
    row = Across()
    setattr(row, f"joint_{place}", place)
    setattr(row, f"share_{place}", -2.0)
    other = states[place]
    other.mode.mode, other.sensed.started = POWERED, 1
    other.sensed.speed_rad_s, other.motion.setpoint_rad_s, other.motion.setpoint_rad_s2 = (
        1.0,
        2.0,
        3.0,
    )
    coupling.fill(row, states[0], states)
    own = states[0]
    assert (own.motion.across_rad_s, own.motion.across_rad_s2, own.sensed.across_rad_s) == (
        -4.0,
        -6.0,
        -2.0,
    )


@pytest.mark.parametrize("field", ["odd_ticks", "blind_s"])
def test_the_speed_of_a_sensor_that_tells_nothing_is_none(pair, field):
    setattr(pair[1].sensed, field, 1)
    assert filled(pair)[2] == 0.0


def test_the_speed_of_a_joint_that_has_read_nothing_is_none(pair):
    pair[1].sensed.started = 0
    assert filled(pair)[2] == 0.0


@pytest.mark.parametrize(
    "fault", [faults.WIPER_RAIL, faults.SENSOR_JUMP, faults.SENSOR_HELD, faults.BLIND]
)
def test_a_joint_that_tripped_on_its_sensor_passes_no_speed_on(pair, fault):
    pair[1].mode.mode, pair[1].mode.fault = TRIPPED, fault
    assert filled(pair) == (0.0, 0.0, 0.0)


def test_a_joint_that_is_stopped_but_moves_is_still_felt(pair):
    pair[1].mode.mode, pair[1].mode.fault = TRIPPED, faults.STOP_PRESSED
    assert filled(pair) == (0.0, 0.0, 2.0)


@pytest.mark.parametrize(
    ("mode", "share"),
    [(OFF, 0.0), (CHECKING, 1.0), (POWERED, 1.0), (STOPPING, 1.0), (TRIPPED, 0.0)],
)
def test_only_a_driven_joint_s_setpoint_counts(pair, mode, share):
    pair[1].mode.mode = mode
    assert filled(pair)[:2] == (1.5 * share, 10.0 * share)
