"""The compiled plant against general-purpose solvers of the same equations.

References: scipy.integrate.solve_ivp (Radau, rtol 1e-9) on equations written out
here once more, and MuJoCo (RK4, steps of 20 us) on a model built of its own parts.
"""

import itertools

import mujoco
import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim.joint.part import Plant
from sim.run import kernels

TICKS, TICK_S = 300, 0.001
TO_AND_FRO = np.where(np.arange(TICKS) < 180, 0.4, -0.4)  # of 5 V
PRESSING = np.full(TICKS, 0.7)


def run(twin, part, substeps, x, duty):
    """Drum and joint angle (rad) at the end of each tick of the compiled plant."""
    parts, plants = kernels.as_array([part]), kernels.as_array([x])
    rows = np.zeros((len(duty), 2))
    for k, share in enumerate(duty):
        twin.plant.run_substeps(parts[0], plants[0], share, substeps, TICK_S / substeps)
        rows[k] = plants[0]["drum_rad"], plants[0]["joint_rad"]
    return rows


def taut(pair):
    """Case A: both cables always taut, so everything is linear."""
    pair.cable.flexor_stretch_m = pair.cable.extensor_stretch_m = 4e-3
    return pair, Plant()


def slack_and_contact(pair):
    """Case B: backlash, cables that go slack, a springy object in the way."""
    pair.motor.half_gap_rad = 0.0131
    x = Plant()
    x.object_rad, x.object_Nm_rad = 0.5, 10.0
    return pair, x


def slopes(part, x, duty):
    """Right-hand side of the equations of motion, state (th, w, q, qd)."""
    m, c, j = part.motor, part.cable, part.hinge
    ohm = m.resistance_25_ohm + m.driver_ohm
    r1, r2 = c.drum_m, c.joint_m
    gap = r1 * m.half_gap_rad

    def f(_, y):
        th, w, q, qd = y
        s, rate = r1 * th - r2 * q, r1 * w - r2 * qd
        if abs(s) > gap:  # equal cables: they pull equally at s = 0
            s -= gap * np.sign(s)
        else:
            s = rate = 0.0
        flexor = c.flexor_N_m * (c.flexor_stretch_m + s)
        extensor = c.extensor_N_m * (c.extensor_stretch_m - s)
        flexor = max(0.0, flexor + c.damping_Ns_m * rate) if flexor > 0.0 else 0.0
        extensor = max(0.0, extensor - c.damping_Ns_m * rate) if extensor > 0.0 else 0.0
        pull = flexor - extensor
        current = (duty * part.supply_V - m.emf_V_s * w) / ohm
        contact = x.object_Nm_rad * max(0.0, q - x.object_rad)
        drum = m.emf_V_s * current - m.viscous_Nms * w - r1 * pull
        return [w, drum / m.inertia, qd, (r2 * pull - contact) / j.inertia]

    return f


def radau(part, x, duty):
    """Angles at the end of each tick by a stiff solver, restarted at each new drive."""
    state, rows = [x.drum_rad, 0.0, x.joint_rad, 0.0], []
    switches = [0, *(np.nonzero(np.diff(duty))[0] + 1), len(duty)]
    for first, last in itertools.pairwise(switches):
        times = TICK_S * np.arange(1, last - first + 1)
        f, span = slopes(part, x, duty[first]), (0.0, times[-1])
        close = {"rtol": 1e-9, "atol": 1e-11, "max_step": TICK_S}
        done = solve_ivp(f, span, state, "Radau", times, **close)
        rows.append(done.y[[0, 2]].T)
        state = done.y[:, -1]
    return np.vstack(rows)


def worst_deg(found, reference):
    return np.degrees(np.abs(found - reference).max())


def errors(twin, part, x):
    """Worst error (deg) of case A at 100, 50 and 25 us."""
    reference = radau(part, x, TO_AND_FRO)
    assert np.ptp(reference[:, 1]) > 0.5  # it moves
    return [worst_deg(run(twin, part, n, x, TO_AND_FRO), reference) for n in (10, 20, 40)]


def test_linear_motion(twin, pair):
    assert errors(twin, *taut(pair))[1] <= 5e-4  # own study of integrators: 2e-4 at 50 us


def test_linear_motion_is_of_second_order(twin, pair):
    pair.cable.damping_Ns_m = 0.0
    coarse, middle, fine = errors(twin, *taut(pair))
    assert coarse / middle == pytest.approx(4.0, abs=0.2)
    assert middle / fine == pytest.approx(4.0, abs=0.2)


def test_with_damped_cables_the_error_falls_between_first_and_second_order(twin, pair):
    # the cables' damping force takes the speeds before the kick, so its share of the error is of
    # first order; at the steps in use (100 us and 50 us) it is the smaller share
    coarse, middle, fine = errors(twin, *taut(pair))
    assert coarse / middle > 2.2
    assert middle / fine > 1.9


def test_backlash_slack_cables_and_contact(twin, pair):
    part, x = slack_and_contact(pair)
    reference = radau(part, x, PRESSING)
    th, q = reference.T
    take_up = np.abs(part.cable.drum_m * th - part.cable.joint_m * q)
    beyond = take_up - part.cable.drum_m * part.motor.half_gap_rad
    assert beyond.max() > part.cable.flexor_stretch_m  # a cable goes slack
    assert beyond.min() < 0.0  # the drum floats
    assert q.max() > x.object_rad  # the object is met
    middle = worst_deg(run(twin, part, 20, x, PRESSING), reference)
    fine = worst_deg(run(twin, part, 100, x, PRESSING), reference)
    # kinks cost accuracy; 0.05 deg at 50 us is what a good wiper just resolves
    assert middle <= 0.05
    assert fine < middle / 4.0


MODEL = """
<mujoco>
  <option timestep="2e-5" integrator="RK4" gravity="0 0 0"/>
  <worldbody>
    <body>
      <joint name="drum" type="hinge" axis="0 0 1" damping="{damping}" armature="{drum}"/>
      <inertial pos="0 0 0" mass="1" diaginertia="1e-7 1e-7 1e-7"/>
    </body>
    <body>
      <joint name="joint" type="hinge" axis="0 0 1" armature="{joint}"/>
      <inertial pos="0 0 0" mass="1" diaginertia="1e-7 1e-7 1e-7"/>
    </body>
  </worldbody>
  <tendon>
    <fixed name="flexor" stiffness="{k}">
      <joint joint="drum" coef="{r1}"/><joint joint="joint" coef="-{r2}"/>
    </fixed>
    <fixed name="extensor" stiffness="{k}">
      <joint joint="drum" coef="-{r1}"/><joint joint="joint" coef="{r2}"/>
    </fixed>
    <fixed name="object" stiffness="{object}"><joint joint="joint" coef="1"/></fixed>
  </tendon>
  <actuator><motor joint="drum"/></actuator>
</mujoco>
"""


def mujoco_run(part, x, duty):
    """The same joint as two hinges and tendons that only pull; angles as in ``run``."""
    m, c = part.motor, part.cable
    ohm = m.resistance_25_ohm + m.driver_ohm
    text = MODEL.format(
        damping=m.emf_V_s**2 / ohm + m.viscous_Nms,
        drum=m.inertia - 1e-7,
        joint=part.hinge.inertia - 1e-7,
        k=c.flexor_N_m,
        r1=c.drum_m,
        r2=c.joint_m,
        object=x.object_Nm_rad,
    )
    model = mujoco.MjModel.from_xml_string(text)
    # a spring that is dead below its upper length: a cable, or an object
    ends = (-c.flexor_stretch_m, -c.extensor_stretch_m, x.object_rad)
    for k, end in enumerate(ends):
        model.tendon_lengthspring[k] = (-1.0e9, end)
    data = mujoco.MjData(model)
    rows = np.zeros((TICKS, 2))
    for k, share in enumerate(duty):
        data.ctrl[0] = m.emf_V_s / ohm * share * part.supply_V
        mujoco.mj_step(model, data, round(TICK_S / model.opt.timestep))
        rows[k] = data.qpos
    return rows


@pytest.mark.parametrize(("case", "duty"), [(taut, TO_AND_FRO), (slack_and_contact, PRESSING)])
def test_agreement_with_a_physics_engine(twin, pair, case, duty):
    part, x = case(pair)
    part.motor.half_gap_rad = part.cable.damping_Ns_m = 0.0  # its tendons have neither
    reference = mujoco_run(part, x, duty)
    assert np.ptp(reference[:, 1]) > 0.5
    # ours at 50 us is off by up to 0.013 deg where cables go slack
    assert worst_deg(run(twin, part, 20, x, duty), reference) <= 0.02
