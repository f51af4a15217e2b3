"""Tuned gains on the independent plant: ``python -m tests.bench.independent`` (three minutes on two cores).

The nominal class at 500 Hz is tuned; 120 held-out parts, 60 deg both ways, then make the same steps on
our own plant and on the one of tests/reference/independent_plant.py.
"""

import json

import numpy as np

from sim.run.closed_loop import Fleet
from sim.size.step_bound import step_bound
from sim.tune.search import Effort
from sim.tune.tuning import report_table, tune, with_gains
from tests.properties.conftest import joint_with
from tests.reference.judged import judge

DEG = 57.29577951308232
PARTS = 120


def told(settled, over, error):
    """Median and 95th percentile: ms, deg, deg."""
    settled = np.where(np.isfinite(settled), settled, 9.0)
    return {name: [round(float(np.percentile(one * factor, share)), 3) for share in (50.0, 95.0)]
            for name, one, factor in (("settling_ms", settled, 1e3), ("overshoot_deg", over, DEG),
                                      ("steady_error_deg", error, DEG))}  # fmt: skip


def main():
    """Measure and print as JSON."""
    joint = joint_with({})
    found = tune(joint, 1, effort=Effort())
    settings = with_gains(joint.settings, found.gains, found.profile)
    fleet = found.fleets["held_out"]
    parts, warmth = fleet.objects[:PARTS], list(fleet.warmth_C)[:PARTS]
    mine = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, 5)
    table = report_table(joint, mine, settings, found.step_rad)
    own = table["settling_2pct_s"]
    settled, over, error, faults = judge(joint, settings, parts, warmth)
    half = 0.5 * found.step_rad
    bounds = [step_bound(part, 0.87 - half, 0.87 + half, 0.02 * found.step_rad, joint.settings.limits.current_A, warm)
              for part, warm in zip(parts, warmth, strict=True)]  # fmt: skip
    share = np.where(np.isfinite(own), own, 9.0) / np.concatenate([bounds, bounds])
    print(json.dumps({
        "own": told(own, table["overshoot_rad"], table["steady_error_rad"]),
        "independent": told(settled, over, error), "trips": int((faults != 0).sum()),
        "settling over the part's own bound, median and p95": np.percentile(share, (50, 95)).round(3).tolist(),
    }, indent=2))  # fmt: skip


if __name__ == "__main__":
    main()
