"""From how much help against stiction on parts ring: ``python -m tests.bench.ringing``.

The 20 of 400 parts of least friction, first-guess gains with the help scaled, small steps; 95th
percentiles of overshoot and hunting beside the worst Ms of a part without friction.
"""

import tomllib
from pathlib import Path

import numpy as np

from controller.joint.settings.settings import Gains
from controller.records import copy
from sim.joint import spread
from sim.joint.physics import breakaway_V
from sim.run import scenarios
from sim.run.closed_loop import Fleet, joint_of
from sim.run.scenarios import DEG
from sim.tune import margins
from sim.tune.search import with_gains

NOMINAL = Path(__file__).resolve().parents[1] / "data" / "nominal.toml"
SCALES = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0)


def loosest(joint):
    """The parts of least friction as a batch."""
    entries = spread.spread_of(joint.file)
    parts, warmth = spread.draw_parts(joint.part, entries, 400, 3, "inside")
    volts = [breakaway_V(part, warm) for part, warm in zip(parts, warmth, strict=True)]
    chosen = np.argsort(volts)[:20]
    return Fleet([parts[k] for k in chosen], [warmth[k] for k in chosen], joint.settings.tick_s,
                 joint.delay_s, 3)  # fmt: skip


def main():
    """Print a table a tick rate."""
    for rate in ("1000 Hz", "500 Hz", "250 Hz"):
        tables = tomllib.loads(NOMINAL.read_text(encoding="utf-8"))
        tables["control"]["rate"] = rate
        joint = joint_of(tables, NOMINAL.name)
        fleet, s = loosest(joint), joint.settings
        middle = 0.5 * sum(scenarios.span_of(s))
        fine = scenarios.fine_band(s, joint.part.sensor.noise_counts)
        print(rate)
        for scale in SCALES:
            gains = Gains()
            copy(s.gains, gains)
            gains.breakaway_feed_V *= scale
            settings = with_gains(s, gains, s.profile)
            worst, phase, _ = margins.worst_swing(joint.part, gains, s.tick_s, joint.delay_s)
            told = []
            for degrees in (1.0, 2.0, 4.0):
                scene = scenarios.step(middle, middle + degrees * DEG, fine, 0.4, 2.0)
                table = fleet.run(settings, scene).table()
                told.append(" ".join(f"{np.percentile(table[key], 95) / DEG:.2f}"
                                     for key in ("overshoot_rad", "hunting_rad")))  # fmt: skip
            print(f"  help x {scale:g}: Ms {worst:.2f}, phase {phase:.0f} deg; overshoot, hunting (deg) of 1, 2, "
                  f"4 deg steps: {'; '.join(told)}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
