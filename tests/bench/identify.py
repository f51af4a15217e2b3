"""Identification at length: ``python -m tests.bench.identify`` (about ten minutes on two cores).

Fifty hidden parts, 20 s each: how many 95 % intervals cover, and the errors. Then the time and
memory of one fit of a 60 s recording at 1 kHz.

``python -m tests.bench.identify boards COUNT``: COUNT hidden parts of each drive on virtual boards under
both runtimes, their delays and the room's temperature hidden too (a quarter of a minute each).
``... outside COUNT``: the same of parts that lie outside the spread.
"""

import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from host.recordings.comparison import powered_rows
from host.recordings.recorder import Run
from sim.identify.anchors import Anchors
from sim.identify.fit import fit
from sim.identify.products import COMBINATIONS
from sim.joint.identified import part_with
from tests.identify.hidden import held_against, hidden_parts, recorded
from tests.identify.on_board import record
from tests.properties.conftest import KINDS, joint_with

DRAWS = 50


def coverage(results):
    """Errors and coverage over fifty draws; the winding is measured in every second one."""
    joint = joint_with({})
    z, errors = [], {}
    for k, part in enumerate(hidden_parts(joint, DRAWS, 5)):
        _, log = recorded(joint, part, 20.0, seed=k + 1)
        anchored = k % 2 == 1
        found = fit(
            joint, *log, anchors=Anchors(part.motor.resistance_25_ohm if anchored else None)
        )
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


def found_on_board(joint, part, number, draw):
    """Errors (in deviations) of what a virtual board's recording tells of a hidden part, by name."""
    options = {
        "delay_s": joint.settings.tick_s * draw.uniform(0.1, 1.0),
        "warmth_C": 25.0 + 3.0 * draw.normal(),
        "runtime": ("cpython", "micropython")[number % 2],
    }
    with tempfile.TemporaryDirectory() as folder:
        rows = powered_rows(
            Run(record(joint, part, 14.0, Path(folder) / "run", seed=number + 1, **options)),
            0,
            joint,
        )
    found = fit(joint, rows["time_s"], rows["angle_rad"], rows["motor_V"],
                winding_C=rows["winding_C"])  # fmt: skip
    errors = held_against(joint, part, found)
    names = [axis.name for axis in found.axes] + list(COMBINATIONS)
    return {name: errors[name] for name in names}


def told(label, errors, results):
    """Coverage of all numbers pooled, and of the products alone, with their errors."""
    z = np.abs([[one[0] for one in row.values()] for row in errors])
    products = np.abs([[row[name][0] for name in COMBINATIONS] for row in errors])
    results[label] = {
        "parts": len(errors), "covered_share": float(np.mean(z < 1.96)),
        "products_covered_share": float(np.mean(products < 1.96)), "worst": float(z.max()),
        **{name: float(np.median([abs(row[name][1]) for row in errors])) for name in COMBINATIONS},
    }  # fmt: skip
    print(label, json.dumps(results[label]), flush=True)


def on_boards(count, results):
    """Hidden parts of each drive on virtual boards, both runtimes by turns."""
    kinds = {"bridge": KINDS["nominal"], "spring return": KINDS["spring"], "pulse": KINDS["pulse"],
             "stretching board": {"drive": {"kind": "pulse", "board": "stretching"}}}  # fmt: skip
    for kind, changes in kinds.items():
        joint, draw, errors = joint_with(changes), np.random.default_rng(11), []
        for k, part in enumerate(hidden_parts(joint, count, 6)):
            errors.append(found_on_board(joint, part, k, draw))
        told(kind, errors, results)


def outside(count, results):
    """Hidden parts with one number outside the spread, or a sensor that is not calibrated."""
    joint = joint_with({})
    changes = {
        "little backlash": ({"backlash": 0.1}, 0.0), "much backlash": ({"backlash": 3.0}, 0.0),
        "much friction": ({"motor_friction": 2.5}, 0.0), "sensor bent by 0.5 %": ({}, 0.005),
    }  # fmt: skip
    for label, (change, bend) in changes.items():
        draw, errors = np.random.default_rng(12), []
        for k, drawn in enumerate(hidden_parts(joint, count, 7)):
            part = part_with(joint.part, change) if change else drawn
            part.sensor.odd_error = bend
            errors.append(found_on_board(joint, part, k, draw))
        told(label, errors, results)


def main():
    """Measure and print as JSON."""
    results = {}
    if len(sys.argv) > 2:
        {"boards": on_boards, "outside": outside}[sys.argv[1]](int(sys.argv[2]), results)
        print(json.dumps(results, indent=2))
        return
    one_minute(results)
    print(json.dumps(results), flush=True)
    coverage(results)
    print(json.dumps(results, indent=2))


if __name__ == "__main__":
    main()
