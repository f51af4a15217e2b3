"""The compiled plant against general-purpose solvers of the same equations.

References: scipy.integrate.solve_ivp (Radau, rtol 1e-9) on equations written out
here once more, and MuJoCo (RK4, steps of 20 us) on a model built of its own parts.
"""

import mujoco
import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim import kernels
from sim.part import Part, Plant
from sim.tolerance import highest_mode

TICKS, TICK_S = 300, 0.001
DUTY = np.where(np.arange(TICKS) < 180, 0.7, -0.5)
"""Drive of the runs: forwards, then hard back."""


def run(twin, part, substeps, x=None, duty=DUTY):
    """Drum and joint angle (rad) at the end of each tick of the compiled plant."""
    parts, plants = kernels.as_array([part]), kernels.as_array([x or Plant()])
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


def radau(part, x):
    """Angles at the end of each tick by a stiff solver, restarted at each switch."""
    state, rows = [x.drum_rad, 0.0, x.joint_rad, 0.0], []
    for first, last in ((0, 180), (180, TICKS)):
        times = TICK_S * np.arange(1, last - first + 1)
        done = solve_ivp(
            slopes(part, x, DUTY[first]),
            (0.0, times[-1]),
            state,
            "Radau",
            times,
            rtol=1e-9,
            atol=1e-11,
            max_step=TICK_S,
        )
        rows.append(done.y[[0, 2]].T)
        state = done.y[:, -1]
    return np.vstack(rows)


def worst_deg(found, reference):
    return np.degrees(np.abs(found - reference).max())


def test_linear_motion_is_of_second_order(twin, pair):
    part, x = taut(pair)
    reference = radau(part, x)
    assert np.ptp(reference[:, 1]) > 0.5  # it moves
    coarse, middle, fine = (worst_deg(run(twin, part, n), reference) for n in (10, 20, 40))
    # Strang splitting at 50 us: 2e-4 deg when it was chosen, twice that allowed
    assert middle <= 5e-4
    assert coarse / middle == pytest.approx(4.0, abs=0.4)
    assert middle / fine > 3.0


def test_backlash_slack_cables_and_contact(twin, pair):
    part, x = slack_and_contact(pair)
    reference = radau(part, x)
    th, q = reference.T
    take_up = np.abs(part.cable.drum_m * th - part.cable.joint_m * q)
    beyond = take_up - part.cable.drum_m * part.motor.half_gap_rad
    assert beyond.max() > part.cable.flexor_stretch_m  # a cable goes slack
    assert beyond.min() < 0.0  # the drum floats
    assert q.max() > x.object_rad  # the object is met
    middle = worst_deg(run(twin, part, 20, x), reference)
    fine = worst_deg(run(twin, part, 100, x), reference)
    # kinks cost the second order: 0.01 deg at 50 us, below what a wiper resolves
    assert middle <= 0.05
    assert fine <= 0.01
    assert fine < 0.5 * middle


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


def mujoco_run(part, x):
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
    for k, share in enumerate(DUTY):
        data.ctrl[0] = m.emf_V_s / ohm * share * part.supply_V
        mujoco.mj_step(model, data, round(TICK_S / model.opt.timestep))
        rows[k] = data.qpos
    return rows


@pytest.mark.parametrize("case", [taut, slack_and_contact])
def test_agreement_with_a_physics_engine(twin, pair, case):
    part, x = case(pair)
    part.motor.half_gap_rad = part.cable.damping_Ns_m = 0.0  # its tendons have neither
    reference = mujoco_run(part, x)
    assert np.ptp(reference[:, 1]) > 0.5
    # ours at 50 us is off by up to 0.013 deg where cables go slack
    assert worst_deg(run(twin, part, 20, x), reference) <= 0.02


def holding_load():
    """Greatest load (N m) that friction of the unpowered nominal joint holds.

    Motor stiction over 1 - mu_g (the gear's loss grows with what it carries),
    hinge, and guides at the pretension of both cables.
    """
    part = Part()
    m, c = part.motor, part.cable
    guides = c.wrap_loss * c.joint_m * 2.0 * c.flexor_N_m * c.flexor_stretch_m
    motor = m.stiction_Nm / (1.0 - m.load_loss) * c.joint_m / c.drum_m
    return motor + part.hinge.stiction_Nm + guides


def loaded(twin, load_Nm):
    """States of the unpowered nominal joint 0.5, 5 and 10 s after a slow load."""
    part = Part()
    part.hinge.gravity_Nm = 0.0
    parts, plants = kernels.as_array([part]), kernels.as_array([Plant()])
    states = []
    for k in range(12_001):
        plants[0]["load_Nm"] = load_Nm * min(1.0, k / 2000)
        twin.plant.run_substeps(parts[0], plants[0], 0.0, 20, 5e-5)
        if k in (2500, 7000, 12_000):
            names = ("drum_rad", "joint_rad", "drum_rad_s", "joint_rad_s")
            states.append(tuple(float(plants[0][one]) for one in names))
    return states


@pytest.mark.parametrize("share", [0.7, 0.97])
def test_a_held_load_stands_exactly_still(twin, share):
    # Coulomb: below the sum of the friction levels nothing moves, for ever
    states = loaded(twin, share * holding_load())
    assert states[0] == states[1] == states[2]
    assert states[0][2:] == (0.0, 0.0)
    assert states[0][1] < -0.01  # backlash and cable stretch are taken up


@pytest.mark.parametrize("share", [1.03, 1.4])
def test_a_load_above_friction_moves_the_joint(twin, share):
    states = loaded(twin, share * holding_load())
    assert states[-1][0] < states[0][0] - 0.02 or states[0][0] < -0.1
    assert loaded(twin, 0.97 * holding_load())[-1][0] == 0.0  # where the drum had not moved


def energy(part, x):
    """Kinetic and elastic energy (J) of drum, joint and taut cables."""
    c = part.cable
    s = c.drum_m * x["drum_rad"] - c.joint_m * x["joint_rad"]
    kinetic = part.motor.inertia * x["drum_rad_s"] ** 2 + part.hinge.inertia * x["joint_rad_s"] ** 2
    return 0.5 * (kinetic + (c.flexor_N_m + c.extensor_N_m) * s * s)


def free_energies(twin, part, steps):
    """Energy after each substep of a free run without drive or damping."""
    part, x = taut(part)
    part.motor.viscous_Nms = part.cable.damping_Ns_m = 0.0
    x.motor_open, x.drum_rad_s, x.joint_rad_s = 1, 6.0, -20.0
    parts, plants = kernels.as_array([part]), kernels.as_array([x])
    found = np.zeros(steps)
    for k in range(steps):
        found[k] = energy(part, plants[0])
        twin.plant.run_substeps(parts[0], plants[0], 0.0, 1, 5e-5)
    return found, plants[0]


def test_energy_is_kept_without_friction(twin, pair):
    # a symmetric splitting oscillates about the true energy but does not drift: E. Hairer,
    # C. Lubich, G. Wanner, Geometric Numerical Integration, 2nd ed. 2006, ch. IX (from memory)
    found, _ = free_energies(twin, pair, 40_000)
    assert np.abs(found / found[0] - 1.0).max() < (5e-5 * highest_mode(pair)) ** 2 / 4.0
    assert found[-4000:].mean() == pytest.approx(found[:4000].mean(), rel=1e-5)


def test_energy_never_grows_with_friction_alone(twin, pair):
    pair.motor.coulomb_Nm, pair.motor.stiction_Nm = 0.02, 0.03
    pair.hinge.coulomb_Nm, pair.hinge.stiction_Nm = 1e-3, 1.2e-3
    pair.motor.load_loss, pair.cable.wrap_loss = 0.2, 0.18
    found, end = free_energies(twin, pair, 8000)
    least = np.minimum.accumulate(found)
    # the splitting's own oscillation, see above; nothing beyond it
    assert (found - least).max() < (5e-5 * highest_mode(pair)) ** 2 / 4.0 * found[0]
    assert np.all(found[6000:] == found[6000])  # it has come to rest, for good
    assert (end["drum_rad_s"], end["joint_rad_s"]) == (0.0, 0.0)
    assert found[-1] < 0.5 * found[0]


def test_one_body_with_friction_only_ever_slows_down(twin, motor):
    motor.motor.coulomb_Nm, motor.motor.stiction_Nm = 1e-4, 2e-4
    motor.motor.viscous_Nms = 0.0
    x = Plant()
    x.motor_open, x.joint_rad_s = 1, 3.0
    parts, plants = kernels.as_array([motor]), kernels.as_array([x])
    speeds = np.zeros(4000)
    for k in range(len(speeds)):
        speeds[k] = plants[0]["joint_rad_s"]
        twin.plant.run_substeps(parts[0], plants[0], 0.0, 1, 5e-5)
    assert np.all(np.diff(speeds) <= 0.0)
    assert speeds[-1] == 0.0
    # Coulomb: it stops after J w / F = 97 ms, sooner by what Stribeck's peak takes
    stop_s = 5e-5 * np.argmax(speeds == 0.0)
    assert 0.8 * 3.2284e-6 * 3.0 / 1e-4 < stop_s < 3.2284e-6 * 3.0 / 1e-4
