"""How good tuned gains are: ``python tests/bench/tune_quality.py [case ...]``.

Nominal class file, 60 deg steps both ways, 200 parts held out inside the
resonance rule and 200 outside, fixed seed. Settling, overshoot, steady-state error
and hunting are 95th percentiles; the interval is a bootstrap of the settling's.
"""

import json
import resource
import sys
import time
import tomllib
from copy import deepcopy
from pathlib import Path

import numpy as np

from sim.run.closed_loop import Fleet, joint_of
from sim.size.step_bound import step_bound
from sim.tune.search import Effort, with_gains
from sim.tune.tuning import bootstrap_p95, report_table, summarise, tune

NOMINAL = Path(__file__).resolve().parents[1] / "data" / "nominal.toml"
CASES = {
    "500 Hz": {"control": {"rate": "500 Hz"}},
    "1 kHz": {"control": {"rate": "1000 Hz"}},
    "250 Hz": {"control": {"rate": "250 Hz"}},
    "pulse, proportional board": {"drive": {"kind": "pulse", "amplifier": "proportional"}},
    "pulse, stretching board": {"drive": {"kind": "pulse", "amplifier": "stretching"}},
    "500 Hz, radii +-17 %": {
        "spread": {"radius": ["-16.7 %", "16.7 %"], "radius_ratio": ["-10 %", "10 %"]}
    },
}
DEG = 57.29577951308232


def joint_for(changes, **sensor):
    tables = tomllib.loads(NOMINAL.read_text(encoding="utf-8"))
    for table, values in deepcopy(changes).items():
        tables.setdefault(table, {}).update(values)
    tables["sensor"].update(sensor)
    return joint_of(tables, NOMINAL.name)


def line(name, table):
    rows = summarise(table)

    def p95(key, factor):
        value = rows[key]["p95"]
        return "never" if value is None else f"{value * factor:.3g}"

    print(
        f"  {name:22s} settling {p95('settling_2pct_s', 1e3)} ms, overshoot "
        f"{p95('overshoot_rad', DEG)} deg, steady {p95('steady_error_rad', DEG)} deg, hunting "
        f"+-{p95('hunting_rad', DEG)} deg",
        flush=True,
    )
    return rows


def run(name, changes, seed=1):
    joint = joint_for(changes)
    start = time.monotonic()
    found = tune(joint, seed, effort=Effort())
    elapsed = time.monotonic() - start
    print(f"{name}: {found.evaluations} runs in {elapsed:.0f} s, Ms {found.margins['ms']:.2f}, "
          f"resonance margin {found.margins['resonance_gain_margin']:.2f}")  # fmt: skip
    result = {"elapsed_s": elapsed, "margins": found.margins}
    for key in ("first_guess", "held_out", "outside", "single_precision"):
        result[key] = line(key, found.tables[key])
    low, high = bootstrap_p95(found.tables["held_out"]["settling_2pct_s"], seed)
    print(f"  bootstrap of the held-out settling: {low * 1e3:.0f} to {high * 1e3:.0f} ms")
    rough = joint_for(changes, effective_bits=8.7)
    fleet = found.fleets["held_out"]
    parts, warmth = fleet.objects, fleet.warmth_C
    for part in parts:
        part.sensor.noise_counts = rough.part.sensor.noise_counts
    noisy = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, seed + 5)
    settings = with_gains(joint.settings, found.gains, found.profile)
    result["at_8.7_bits"] = line(
        "at 8.7 effective bits", report_table(joint, noisy, settings, found.step_rad)
    )
    amps = joint.settings.limits.current_A
    bounds = [
        step_bound(part, 0.35, 0.35 + found.step_rad, 0.02 * found.step_rad, amps, warm)
        for part, warm in zip(parts[:60], warmth[:60], strict=True)
    ]
    median, p95 = np.percentile(bounds, (50, 95))
    print(
        f"  own bang-bang bounds of 60 held-out parts: median {median * 1e3:.0f}, p95 {p95 * 1e3:.0f} ms"
    )
    result["bound_s"] = [float(median), float(p95)]
    return result


def main():
    wanted = sys.argv[1:] or list(CASES)
    results = {name: run(name, CASES[name]) for name in wanted}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak:.0f} MB")
    print(json.dumps({"peak_MB": peak, **results}, default=float))


if __name__ == "__main__":
    main()
