"""Identification at length: ``python -m tests.bench.identify`` (about ten minutes on two cores).

Fifty hidden parts, 20 s each: how many 95 % intervals cover, and the errors. Then the time and
memory of one fit of a 60 s recording at 1 kHz.
"""

import json
import resource
import time

import numpy as np

from sim.identify.fit import COMBINATIONS, fit
from tests.identify.hidden import held_against, hidden_parts, recorded
from tests.properties.conftest import joint_with

DRAWS = 50


def coverage(results):
    """Errors and coverage over fifty draws; the winding is measured in every second one."""
    joint = joint_with({})
    z, errors = [], {}
    for k, part in enumerate(hidden_parts(joint, DRAWS, 5)):
        _, log = recorded(joint, part, 20.0, seed=k + 1)
        anchored = k % 2 == 1
        found = fit(joint, *log, winding_ohm=part.motor.resistance_25_ohm if anchored else None)
        rows = held_against(joint, part, found)
        z += [rows[name][0] for name in [axis.name for axis in found.axes] + list(COMBINATIONS)]
        for name in [*COMBINATIONS, "backlash_deg"]:
            errors.setdefault(name, []).append(abs(rows[name][1]))
        if anchored:
            for name in ("torque_constant", "resistance", "rotor_inertia", "motor_friction"):
                errors.setdefault(f"anchored_{name}", []).append(abs(rows[name][1]))
        print(k + 1, "of", DRAWS, f"covered {np.mean(np.abs(z) < 1.96):.3f}", flush=True)
    results["covered_share"] = float(np.mean(np.abs(z) < 1.96))
    results["rms_deviations"] = float(np.sqrt(np.mean(np.square(z))))
    for name, found in errors.items():
        results[name] = {"median": float(np.median(found)), "worst": float(np.max(found))}


def one_minute(results):
    """A 60 s recording at 1 kHz: seconds of the fit, against the plant alone on the same span."""
    joint = joint_with({"control": {"rate": "1 kHz"}})
    _, log = recorded(joint, hidden_parts(joint, 1, 9)[0], 52.0, seed=1)
    fit(joint, *(one[:9000] for one in log))  # compiles
    begun = time.perf_counter()
    fit(joint, *log)
    results["one_minute_s"] = float(log[0][-1] - log[0][0])
    results["one_minute_fit_s"] = time.perf_counter() - begun
    results["peak_MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def main():
    """Measure and print as JSON."""
    results = {}
    one_minute(results)
    print(json.dumps(results), flush=True)
    coverage(results)
    print(json.dumps(results, indent=2))


if __name__ == "__main__":
    main()
