"""Speed, as ratios measured in one run: ``python tests/bench/speed.py``.

What is measured: the compiled closed loop (full tick), its plant + PID part
against hand-written C at -O2, the plant alone against SciPy's Radau at the
same accuracy and against MuJoCo on the matched model, growth with joints and
time, both cores.
"""

import ctypes
import json
import subprocess
import tempfile
import time
from pathlib import Path

import numba
import numpy as np

from controller.joint.settings.settings import Gains
from controller.joint.state import Loop, Motion
from sim.joint.datasheet import nominal_part
from sim.joint.part import Plant
from sim.model.plant import rest_take_up
from sim.model.start import start_plant
from sim.run import kernels
from sim.run.closed_loop import Fleet, load_joint
from sim.run.scenarios import step

HERE = Path(__file__).resolve().parent
NOMINAL = HERE.parent / "data" / "nominal.toml"


def best(work, repeats=5):
    """Shortest of several times (s): the machine's other work only ever adds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def closed_loop(results):
    """Full tick at 1 kHz, 100 us substeps, nominal part."""
    joint = load_joint(NOMINAL)
    joint.settings.tick_s = 0.001
    scene = step(0.35, 1.4, 0.01, 1.0, 4.0)
    rows = {}
    for parts, seconds in ((32, 5), (64, 5), (32, 10)):
        scene.duration_s = seconds
        one = Fleet([joint.part] * parts, [25.0] * parts, 0.001, 0.001, 1, workers=1)
        two = Fleet([joint.part] * parts, [25.0] * parts, 0.001, 0.001, 1, workers=2)
        one.run(joint.settings, scene)
        rows[parts, seconds] = best(lambda one=one: one.run(joint.settings, scene))
        if (parts, seconds) == (64, 5):
            results["two_cores_speed_up"] = rows[64, 5] / best(
                lambda two=two: two.run(joint.settings, scene)
            )
    results["joint_seconds_per_second_and_core"] = 32 * 10 / rows[32, 10]
    results["twice_the_joints_takes"] = rows[64, 5] / rows[32, 5]
    results["twice_the_time_takes"] = rows[32, 10] / rows[32, 5]


PART = [
    "k",
    "siemens",
    "inertia",
    "coulomb",
    "stiction",
    "vs",
    "viscous",
    "loss",
    "half_gap",
    "r1",
    "r2",
    "kf",
    "ke",
    "c",
    "sf",
    "se",
    "wrap",
    "jj",
    "jb",
    "jc",
    "js",
    "jvs",
    "mgl",
    "qg",
    "tip",
    "low",
    "high",
    "ks",
    "cs",
    "z",
]
PLANT = [
    "th",
    "w",
    "q",
    "qd",
    "tf",
    "te",
    "tip",
    "current",
    "heat",
    "energy",
    "peak",
    "peak_tip",
    "volt",
]
PID = [
    "kp",
    "ki",
    "kd",
    "lag",
    "tt",
    "rest_in",
    "rest_out",
    "rest_lag",
    "limit",
    "help",
    "integral",
    "yf",
    "last",
    "calm",
    "error",
    "u",
]


def c_library(folder):
    """Compile the C yardstick."""
    path = Path(folder) / "reference.so"
    subprocess.run(
        ["gcc", "-O2", "-shared", "-fPIC", "-o", path, HERE / "reference.c", "-lm"], check=True
    )
    library = ctypes.CDLL(str(path))
    library.run.restype = ctypes.c_double
    return library


def c_structs(part):
    """Fill the structures of the C yardstick from a part."""
    made = type("P", (ctypes.Structure,), {"_fields_": [(n, ctypes.c_double) for n in PART]})()
    m, c, j = part.motor, part.cable, part.hinge
    numbers = (
        m.emf_V_s, 1.0 / (m.resistance_25_ohm + m.driver_ohm), m.inertia, m.coulomb_Nm, m.stiction_Nm,
        m.stribeck_rad_s, m.viscous_Nms, m.load_loss, m.half_gap_rad, c.drum_m, c.joint_m,
        c.flexor_N_m, c.extensor_N_m, c.damping_Ns_m, c.flexor_stretch_m, c.extensor_stretch_m,
        c.wrap_loss, j.inertia, j.viscous_Nms, j.coulomb_Nm, j.stiction_Nm, j.stribeck_rad_s,
        j.gravity_Nm, j.gravity_at_rad, j.tip_m, j.stop_low_rad, j.stop_high_rad, j.stop_Nm_rad,
        j.stop_Nms, rest_take_up(c),
    )  # fmt: skip
    for name, value in zip(PART, numbers, strict=True):
        setattr(made, name, value)
    x = type("X", (ctypes.Structure,), {"_fields_": [(n, ctypes.c_double) for n in PLANT]})()
    fields = [(n, ctypes.c_double) for n in PID]
    fields += [("resting", ctypes.c_int), ("started", ctypes.c_int)]
    pid = type("G", (ctypes.Structure,), {"_fields_": fields})()
    return made, x, pid


def make_twin_run(twin):
    """The same work by the twin's own functions."""
    demand, settle, substep = twin.pid.demand, twin.pid.settle, twin.plant.substep

    @numba.njit(error_model="python", nogil=True)
    def run(gains, loop, motion, p, x, a, b, every, ticks, substeps, h, supply):
        hs = h / substeps
        for n in range(ticks):
            motion.setpoint_rad = b if (n // every) % 2 == 1 else a
            u = demand(gains, loop, motion, x.joint_rad, h)
            out = min(max(u, -supply), supply)
            settle(gains, loop, out, h)
            x.volt_V = out
            for _ in range(substeps):
                substep(p, x, hs)
        return x.joint_rad

    return run


def against_c(results):
    """Plant + PID: the twin against C, same numbers out."""
    joint = load_joint(NOMINAL)
    part = nominal_part(joint.file)
    gains = Gains()
    gains.kp, gains.ki, gains.kd, gains.derivative_filter_s = 40.0, 300.0, 0.45, 0.006
    gains.tracking_s, gains.integral_limit_V, gains.breakaway_feed_V = 0.03, 2.0, 0.5
    gains.rest_in_rad, gains.rest_out_rad = 0.004, 0.005
    ticks, substeps, h = 20000, 10, 0.001
    run = make_twin_run(kernels.twin())
    rows = {}

    def by_twin():
        loop, motion, x = (kernels.as_array([r()])[0] for r in (Loop, Motion, Plant))
        p, g = kernels.as_array([part])[0], kernels.as_array([gains])[0]
        x["siemens"] = 1.0 / (part.motor.resistance_25_ohm + part.motor.driver_ohm)
        x["emf_V_s"], x["rest_m"] = part.motor.emf_V_s, rest_take_up(part.cable)
        rows["twin"] = run(g, loop, motion, p, x, 0.3, 1.2, 500, ticks, substeps, h, 5.0)

    with tempfile.TemporaryDirectory() as folder:
        library = c_library(folder)

        def by_c():
            p, x, pid = c_structs(part)
            for name, value in (
                ("kp", 40.0), ("ki", 300.0), ("kd", 0.45), ("lag", 0.006), ("tt", 0.03),
                ("rest_in", 0.004), ("rest_out", 0.005), ("rest_lag", gains.rest_filter_s),
                ("limit", 2.0), ("help", 0.5),
            ):  # fmt: skip
                setattr(pid, name, value)
            d = ctypes.c_double
            rows["c"] = library.run(
                ctypes.byref(p), ctypes.byref(x), ctypes.byref(pid), d(0.3), d(1.2), 500, ticks,
                substeps, d(h), d(5.0),
            )  # fmt: skip

        by_twin()
        results["twin_over_c"] = best(by_twin, 9) / best(by_c, 9)
    results["twin_and_c_differ_rad"] = abs(rows["twin"] - rows["c"])


def plant_only(part, seconds, h):
    """Run the twin's plant alone at full drive and back; return (work, end angle)."""
    twin = kernels.twin()
    count = round(0.05 / h)
    end = []

    @numba.njit(nogil=True)
    def loop(p, x, count, h, blocks, run_substeps):
        for k in range(blocks):
            run_substeps(p, x, 0.5 if (k // 4) % 2 == 0 else -0.5, count, h)

    def work():
        p, x = (
            kernels.as_array([part])[0],
            kernels.as_array([start_plant(part, 0.6, 25.0)])[0],
        )
        loop(p, x, count, h, round(seconds / 0.05), twin.plant.run_substeps)
        end.append(float(x["joint_rad"]))

    work()
    return work, end


def smooth_part():
    """A part without dry friction, backlash or heating: what solvers can do."""
    part = load_joint(NOMINAL).part
    m, j = part.motor, part.hinge
    m.coulomb_Nm = m.stiction_Nm = m.load_loss = m.half_gap_rad = m.emf_per_K = 0.0
    j.coulomb_Nm = j.stiction_Nm = part.cable.wrap_loss = part.hinge.gravity_Nm = 0.0
    j.stops = 0
    part.heat.winding_J_K = part.heat.case_J_K = 1e9
    return part


def solve_with_radau(part, seconds, rtol):
    """The same equations by solve_ivp; return (time s, end angle)."""
    from scipy.integrate import solve_ivp

    m, c, j = part.motor, part.cable, part.hinge
    ohm = m.resistance_25_ohm + m.driver_ohm

    def slope(t, y):
        th, w, q, qd = y
        duty = 0.5 if int(t / 0.2) % 2 == 0 else -0.5
        i = (duty * part.supply_V - m.emf_V_s * w) / (ohm + duty * duty * part.supply_ohm)
        s = c.drum_m * th - c.joint_m * q
        rate = c.drum_m * w - c.joint_m * qd
        tf = max(0.0, c.flexor_N_m * (c.flexor_stretch_m + s) + c.damping_Ns_m * rate)
        te = max(0.0, c.extensor_N_m * (c.extensor_stretch_m - s) - c.damping_Ns_m * rate)
        return [
            w, (m.emf_V_s * i - m.viscous_Nms * w - c.drum_m * (tf - te)) / m.inertia, qd,
            (c.joint_m * (tf - te) - j.viscous_Nms * qd) / j.inertia,
        ]  # fmt: skip

    start = time.perf_counter()
    y = [0.6 * c.joint_m / c.drum_m, 0.0, 0.6, 0.0]
    for k in range(round(seconds / 0.2)):  # exactly at the switching times
        y = solve_ivp(
            slope,
            (0.2 * k + 1e-12, 0.2 * (k + 1) - 1e-12),
            y,
            method="Radau",
            rtol=rtol,
            atol=1e-10,
        ).y[:, -1]
    return time.perf_counter() - start, float(y[2])


def against_solvers(results):
    """Plant alone against SciPy at the same accuracy, and against MuJoCo."""
    part, seconds = smooth_part(), 1.0
    _, truth = solve_with_radau(part, seconds, 1e-10)
    work, end = plant_only(part, seconds, 1e-4)
    ours = best(work)
    error = abs(end[-1] - truth)
    results["plant_error_deg"] = float(np.degrees(error))
    for rtol in (1e-3, 1e-4, 1e-5, 1e-6):
        spent, found = solve_with_radau(part, seconds, rtol)
        if abs(found - truth) <= max(error, 1e-9):
            break
    results["solve_ivp_over_plant"] = spent / ours
    results["solve_ivp_rtol"] = rtol
    results["mujoco_over_plant"] = mujoco_time(part, seconds, 1e-4) / ours
    results["plant_ms_per_simulated_second"] = 1e3 * ours / seconds


def mujoco_time(part, seconds, h):
    """Time (s) of MuJoCo on two hinges, rotor as armature, two one-sided tendons."""
    import mujoco

    m, c, j = part.motor, part.cable, part.hinge
    drag = m.viscous_Nms + m.emf_V_s**2 / (m.resistance_25_ohm + m.driver_ohm)
    rest = c.flexor_stretch_m
    model = mujoco.MjModel.from_xml_string(f"""<mujoco>
      <option timestep="{h}" integrator="implicitfast" gravity="0 0 0"/>
      <worldbody>
        <body><joint name="drum" type="hinge" axis="0 0 1" armature="{m.inertia}" damping="{drag}"/>
          <geom type="sphere" size="0.01" mass="1e-6"/></body>
        <body><joint name="joint" type="hinge" axis="0 0 1" armature="{j.inertia}"/>
          <geom type="sphere" size="0.01" mass="1e-6"/></body>
      </worldbody>
      <tendon>
        <fixed name="f" stiffness="{c.flexor_N_m}" springlength="-10 {-rest}" damping="{c.damping_Ns_m}">
          <joint joint="drum" coef="{c.drum_m}"/><joint joint="joint" coef="{-c.joint_m}"/></fixed>
        <fixed name="e" stiffness="{c.extensor_N_m}" springlength="{rest} 10">
          <joint joint="drum" coef="{c.drum_m}"/><joint joint="joint" coef="{-c.joint_m}"/></fixed>
      </tendon>
      <actuator><motor joint="drum"/></actuator></mujoco>""")

    def work():
        data = mujoco.MjData(model)
        for k in range(round(seconds / h)):
            data.ctrl[0] = 0.14 if (k * h // 0.2) % 2 == 0 else -0.14
            mujoco.mj_step(model, data)

    return best(work, 3)


def main():
    results = {}
    for part in (closed_loop, against_c, against_solvers):
        part(results)
    for key, value in results.items():
        print(f"{key:38s} {value:.6g}")
    print(json.dumps(results))


if __name__ == "__main__":
    main()
