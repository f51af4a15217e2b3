"""Identification at length: ``python -m tests.bench.identify`` (about ten minutes on two cores).

Fifty hidden parts, 20 s each: how many 95 % intervals cover, and the errors. Then the time and
memory of one fit of a 60 s recording at 1 kHz.

``python -m tests.bench.identify boards COUNT``: COUNT hidden parts of each drive on virtual boards under
both runtimes, their delays and the room's temperature hidden too (a quarter of a minute each).
``... outside COUNT``: simulated parts of each of five kinds that lie outside the spread. ``... weight COUNT``: with a
weight hung. ``... blame COUNT``: which number `compare` blames, and COUNT unchanged parts.
"""

import json
import resource
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from host.recordings.comparison import powered_rows
from host.recordings.recorder import Run
from sim.identify.anchors import Anchors, Weight
from sim.identify.explain import reasons
from sim.identify.fit import fit
from sim.identify.products import COMBINATIONS
from sim.joint.identified import part_with
from tests.identify.hidden import held_against, hidden_parts, recorded, recorded_with
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
             "stretching board": {"drive": {"kind": "pulse", "amplifier": "stretching"}}}  # fmt: skip
    for kind, changes in kinds.items():
        joint, draw, errors = joint_with(changes), np.random.default_rng(11), []
        for k, part in enumerate(hidden_parts(joint, count, 6)):
            errors.append(found_on_board(joint, part, k, draw))
        told(kind, errors, results)


def outside(count, results):
    """Hidden parts outside the spread, a bent sensor, a warm winding, another friction law; two at a time."""
    pooled, each = [], {}
    for label in OUTSIDE:
        with ProcessPoolExecutor(2) as pool:
            found = [one for one in pool.map(_outside, [(label, k) for k in range(count)]) if one]
        told(label, found, results)
        for row in found:
            for name, (off, _) in row.items():
                pooled.append(abs(off) < 1.96)
                each.setdefault(name, []).append(abs(off) < 1.96)
    worst = min(each, key=lambda name: np.mean(each[name]))
    results["outside, pooled"] = float(np.mean(pooled))
    results["outside, worst constant"] = {worst: float(np.mean(each[worst]))}


OUTSIDE = {
    "little backlash": lambda joint, draw, part: {"backlash": np.exp(draw.uniform(np.log(1 / 30), 0.0))
                                                  / (part.motor.half_gap_rad / joint.part.motor.half_gap_rad)},
    "much friction": lambda joint, draw, part: {"motor_friction": draw.uniform(1.4, 2.5)
                                                / (part.motor.coulomb_Nm / joint.part.motor.coulomb_Nm)},
    "sensor bent by up to 1.5 %": lambda *_: {},
    "winding up to 80 degC": lambda *_: {},
    "friction law's speed four times off": lambda joint, draw, part: {"stribeck_speed": draw.choice((0.25, 4.0))},
}  # fmt: skip
"""Factors on a drawn part; sensor and winding are drawn in ``_outside``."""


def _outside(job):
    """Errors of one hidden part by name; None where the excitation trips on it."""
    label, k = job
    joint, draw = joint_with({}), np.random.default_rng(100 + k)
    drawn = hidden_parts(joint, k + 1, 7)[k]
    part = part_with(drawn, OUTSIDE[label](joint, draw, drawn))
    bend, warmth_C = draw.uniform(-0.015, 0.015, 2), draw.uniform(25.0, 80.0)
    if "sensor" in label:
        part.sensor.even_error, part.sensor.odd_error = (float(one) for one in bend)
    try:
        log = recorded(joint, part, 20.0, k + 1, warmth_C if "winding" in label else 25.0)[1]
    except AssertionError:
        return None
    found = fit(joint, *log)
    errors = held_against(joint, part, found)
    return {name: errors[name] for name in [*[axis.name for axis in found.axes], *COMBINATIONS]}


def weighed(count, results):
    """Hidden parts with 20 g on the fingertip: error of the torque constant."""
    with ProcessPoolExecutor(2) as pool:
        found = [one for one in pool.map(_weighed, range(count)) if one is not None]
    results["20 g on the fingertip"] = {"parts": len(found), "tripped": count - len(found), "median": float(np.median(found)),
                                        "worst": float(np.max(found))}  # fmt: skip


def _weighed(k):
    joint = joint_with({})
    drawn = hidden_parts(joint, k + 1, 7)[k]
    weight = Weight(0.02, joint.file.joint.tip_distance, 0.3)
    hung = part_with(drawn, {})
    weight.hang(hung, 0.3 + 0.05 * float(np.random.default_rng(k).normal()))
    try:
        log = recorded(joint, hung, 20.0, k + 1)[1]
    except AssertionError:
        return None
    found = fit(joint, *log, anchors=Anchors(weight=weight))
    return abs(held_against(joint, drawn, found)["torque_constant"][1])


BLAMED = ("torque_constant", "resistance", "motor_friction", "stiction_ratio", "rotor_inertia", "backlash",
          "stiffness", "load_loss", "stribeck_speed", "pretension", "radius_ratio", "motor_damping",
          "gravity_cos", "gravity_sin", "sensor_odd")  # fmt: skip
"""Numbers of which a recording of the nominal class tells."""
ALIKE = {"pretension": "wrap_loss"}
"""Only their product shows: either is right."""


def blamed(count, results):
    """One number two deviations off, up and down: which is blamed first; ``count`` unchanged parts: none."""
    jobs = [(name, place, 3) for name in BLAMED for place in (2.0, -2.0)]
    with ProcessPoolExecutor(2) as pool:
        found = list(pool.map(_blamed, jobs))
        idle = list(pool.map(_blamed, [("none", 0.0, seed) for seed in range(count)]))
    wrong = {f"{name} {place:+g}": first for (name, place, _), first in zip(jobs, found, strict=True)
             if first not in (name, ALIKE.get(name))}  # fmt: skip
    results["one number changed"] = {
        "of": len(jobs),
        "right": len(jobs) - len(wrong),
        "wrong": wrong,
    }
    results["unchanged"] = {"of": count, "blames nothing": sum(one is None for one in idle)}


def _blamed(job):
    joint = joint_with({})
    found = reasons(joint, *recorded_with(joint, *job))
    return found[0].name if found else None


def main():
    """Measure and print as JSON."""
    results = {}
    if len(sys.argv) > 2:
        {"boards": on_boards, "outside": outside, "weight": weighed, "blame": blamed}[sys.argv[1]](
            int(sys.argv[2]), results
        )
        print(json.dumps(results, indent=2))
        return
    one_minute(results)
    print(json.dumps(results), flush=True)
    coverage(results)
    print(json.dumps(results, indent=2))


if __name__ == "__main__":
    main()
