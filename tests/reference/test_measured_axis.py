"""What is identified of one half of the measured axis predicts the other, in the recording's own loop."""

import numpy as np
import pytest

from sim.identify.axis.regression import regress
from tests.reference.measured_axis.axis import in_closed_loop, measured

SKIP_S = 0.3
"""The start of a half, which is not known to the last digit, has died away."""


@pytest.fixture(scope="module")
def halves():
    log = measured()
    if log is None:
        pytest.skip("JOINTLOOP_DATA names no folder with emps/DATA_EMPS.mat")
    middle = len(log.time_s) // 2
    return log.rows(slice(0, middle)), log.rows(slice(middle, None))


@pytest.mark.parametrize("first", [0, 1])
def test_a_half_that_the_fit_did_not_see_is_predicted_in_closed_loop(halves, first):
    """Position within 2 um and force within 5.2 % (rms), of a stroke of a quarter of a metre."""
    seen, unseen = halves[first], halves[1 - first]
    found = regress(seen.time_s - seen.time_s[0], seen.force_N, seen.position_m).values
    late = unseen.time_s - unseen.time_s[0] > SKIP_S

    def apart(values):
        position, drive = in_closed_loop(values, unseen)
        off = (position - unseen.position_m)[late]
        force = np.linalg.norm((drive - unseen.drive_V)[late])
        return float(np.sqrt(np.mean(off**2))), float(force / np.linalg.norm(unseen.drive_V[late]))

    off_m, force_share = apart(found)
    assert off_m <= 2e-6
    assert force_share <= 0.052
    heavier = apart(found * [1.2, 1.0, 1.0, 1.0])
    assert heavier[1] > 1.2 * force_share, "a wrong inertia must show"
    rougher = apart(found * [1.0, 1.0, 1.2, 1.0])
    assert rougher[0] > 1.1 * off_m, "a wrong friction must show"
