"""The help against stiction as a gain: describing function against a Fourier sum of the real code.

A. Gelb and W. E. Vander Velde, Multiple-Input Describing Functions and Nonlinear System Design, 1968,
odd static nonlinearities (from memory; the Fourier sum of ``pid.breakaway_feed`` itself holds it).
"""

from pathlib import Path

import numpy as np
import pytest

from controller.joint import pid
from controller.joint.settings.settings import Gains
from controller.records import copy
from sim.run.closed_loop import load_joint
from sim.tune import margins

SINE = np.sin(2.0 * np.pi * np.arange(20_000) / 20_000)


@pytest.fixture
def gains():
    made = Gains()
    made.breakaway_feed_V, made.rest_out_rad = 0.5, 0.006
    return made


@pytest.mark.parametrize("share", [1.02, 1.5, 2.0, 2.3, 4.0, 20.0])
def test_the_gain_of_a_swing(gains, share):
    amplitude = share * gains.rest_out_rad
    volts = np.array([pid.breakaway_feed(gains, amplitude * one) for one in SINE])
    found = 2.0 * np.mean(volts * SINE) / amplitude
    assert margins.help_gain(gains, np.array([amplitude]))[0] == pytest.approx(found, rel=1e-4)


def test_inside_the_dead_band_it_is_nothing(gains):
    assert margins.help_gain(gains, np.array([0.5 * gains.rest_out_rad]))[0] == 0.0


def test_the_worst_swing_is_that_of_the_greatest_gain():
    """The loop is the linear one with kp raised by N, with its margins."""
    joint = load_joint(Path(__file__).parents[1] / "data" / "nominal.toml")
    s = joint.settings
    worst, phase, at = margins.worst_swing(joint.part, s.gains, s.tick_s, joint.delay_s)
    nominal = margins.margins(joint.part, s.gains, s.tick_s, joint.delay_s)
    assert worst > nominal.ms
    assert phase < nominal.phase_margin_deg
    raised = Gains()
    copy(s.gains, raised)
    raised.kp += float(margins.help_gain(s.gains, np.array([at]))[0])
    again = margins.margins(joint.part, raised, s.tick_s, joint.delay_s)
    assert again.ms == pytest.approx(worst, rel=0.01)
    assert again.phase_margin_deg == pytest.approx(phase, abs=1.5)
