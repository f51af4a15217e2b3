"""Equations of motion of one tendon-driven hinge: one substep, one tick.

Strang splitting (half drift, kick, half drift); back-EMF and damping by the
implicit midpoint rule; dry friction set-valued: after all other impulses are
summed, the momentum is shrunk towards zero by h times the friction level, so a
loaded joint stands exactly still. Symbols, sources and what is not modelled:
``sim/README.md``.
"""

from controller.joint import heat
from controller.portable import const
from sim.joint.part import DIRECT, PAIR
from sim.model.arithmetic import cosine

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from sim.joint.part import Cable, Part, Plant


HELD_S = const(0.05)


def soft(momentum: float, shrink: float) -> float:
    """Shrink ``momentum`` towards zero by ``shrink``, not beyond."""
    if momentum > shrink:
        return momentum - shrink
    if momentum < -shrink:
        return momentum + shrink
    return 0.0


def stribeck(sliding: float, rest: float, v: float, v_s: float) -> float:
    """Friction level at speed v: rest at 0, sliding at high speed (rational)."""
    u = v / v_s
    return sliding + (rest - sliding) / (1.0 + u * u)


def rest_take_up(c: "Cable") -> float:
    """Take-up z (m) at which the cables pull equally; where one has gone slack."""
    if c.kind != PAIR:
        return -c.flexor_stretch_m
    flexor = c.flexor_N_m
    extensor = c.extensor_N_m
    if flexor > 0.0 and extensor > 0.0:
        pull = extensor * c.extensor_stretch_m - flexor * c.flexor_stretch_m
        return pull / (flexor + extensor)
    if flexor > 0.0:
        return -c.flexor_stretch_m
    return c.extensor_stretch_m


def supply_tick(p: "Part", x: "Plant", duty: float) -> None:
    """Set what is constant in a tick: voltage, conductance, K (duty in [-1, 1]).

    i = (duty*E - K*w) / (R + R_driver + duty**2*R_supply), E what the supply
    has left when the others have drawn theirs.
    """
    m = p.motor
    source = p.supply_V - x.supply_drop_V - p.supply_ohm * x.others_A
    if source < 0.0:
        source = 0.0
    x.emf_V_s = m.emf_V_s * (1.0 + m.emf_per_K * (x.winding_C - 25.0))
    ohm = heat.resistance(m.resistance_25_ohm, x.winding_C) + m.driver_ohm
    x.siemens = 1.0 / (ohm + duty * duty * p.supply_ohm)
    x.volt_V = duty * source
    if x.motor_open == 1 or x.coasting == 1:
        x.siemens = 0.0
    if x.wired_wrong == 1:
        x.volt_V = -x.volt_V
    x.rest_m = rest_take_up(p.cable)
    x.bus_V = source - p.supply_ohm * duty * (x.volt_V - x.emf_V_s * x.drum_rad_s) * x.siemens


def outside_torque(p: "Part", x: "Plant", q: float, qd: float) -> tuple[float, float]:
    """Torque on the joint against closing (N*m) and its damping (N*m*s/rad).

    Gravity, load, object and stops; contact never pulls. Returns both, the
    damping part for the implicit midpoint rule.
    """
    j = p.hinge
    torque = x.load_Nm
    damping = j.viscous_Nms
    if j.gravity_Nm != 0.0:
        torque += j.gravity_Nm * cosine(q - j.gravity_at_rad)
    x.tip_N = 0.0
    deep = q - x.object_rad
    if deep > 0.0:
        force = x.object_Nm_rad * deep
        if force + x.object_Nms * qd > 0.0:
            x.tip_N = (force + x.object_Nms * qd) / j.tip_m
            torque += force
            damping += x.object_Nms
    if j.stops == 1:
        deep = q - j.stop_high_rad
        if deep > 0.0 and j.stop_Nm_rad * deep + j.stop_Nms * qd > 0.0:
            torque += j.stop_Nm_rad * deep
            damping += j.stop_Nms
        deep = j.stop_low_rad - q
        if deep > 0.0 and j.stop_Nm_rad * deep - j.stop_Nms * qd > 0.0:
            torque -= j.stop_Nm_rad * deep
            damping += j.stop_Nms
    return torque, damping


def cable_pull(p: "Part", x: "Plant", th: float, w: float, q: float, qd: float) -> float:
    """Set the cable tensions (N) in ``x``; return the moment arm at the joint (m)."""
    c = p.cable
    q_2 = q * q
    arm = c.joint_m * (1.0 + c.arm_1 * q + c.arm_2 * q_2)
    path = c.joint_m * q * (1.0 + 0.5 * c.arm_1 * q + c.arm_2 * q_2 / 3.0)
    s = c.drum_m * th - path - x.extra_m
    rate = c.drum_m * w - arm * qd - x.extra_m_s
    gap = c.drum_m * p.motor.half_gap_rad
    z = x.rest_m
    if s > z + gap:
        s -= gap
    elif s < z - gap:
        s += gap
    else:
        s = z
        rate = 0.0
    pull = c.flexor_N_m * (c.flexor_stretch_m + s)
    if pull > 0.0:
        pull += c.damping_Ns_m * rate
    x.flexor_N = pull if pull > 0.0 else 0.0
    if c.kind == PAIR:
        pull = c.extensor_N_m * (c.extensor_stretch_m - s)
        if pull > 0.0:
            pull -= c.damping_Ns_m * rate
    else:
        pull = c.extensor_N_m * (c.extensor_stretch_m + path + x.extra_m)
    x.extensor_N = pull if pull > 0.0 else 0.0
    return arm


def motor_kick(p: "Part", x: "Plant", w: float, drum_Nm: float, h: float) -> float:
    """New drum speed (rad/s) after ``h`` under drive and cable torque (N*m)."""
    m = p.motor
    k = x.emf_V_s
    current = (x.volt_V - k * w) * x.siemens
    x.current_A = current
    x.heat_A2s += current * current * h
    x.energy_J += x.volt_V * current * h
    drag = m.viscous_Nms + k * k * x.siemens
    half = 0.5 * h * drag
    momentum = (m.inertia - half) * w + h * (k * x.volt_V * x.siemens - drum_Nm)
    passed = k * current
    if passed < 0.0:
        passed = -passed
    if drum_Nm > passed:
        passed = drum_Nm
    elif -drum_Nm > passed:
        passed = -drum_Nm
    level = stribeck(m.coulomb_Nm, m.stiction_Nm, w, m.stribeck_rad_s) + m.load_loss * passed
    return soft(momentum, h * level) / (m.inertia + half)


def substep(p: "Part", x: "Plant", h: float) -> None:
    """Advance the plant by ``h`` seconds with the tick's constants in ``x``."""
    half = 0.5 * h
    w = x.drum_rad_s
    qd = x.joint_rad_s
    th = x.drum_rad + half * w
    q = x.joint_rad + half * qd
    arm = cable_pull(p, x, th, w, q, qd)
    torque, damping = outside_torque(p, x, q, qd)
    pull = x.flexor_N - x.extensor_N
    drum_pull = pull if p.cable.kind == PAIR else x.flexor_N
    w = motor_kick(p, x, w, p.cable.drum_m * drum_pull, h)
    j = p.hinge
    level = stribeck(j.coulomb_Nm, j.stiction_Nm, qd, j.stribeck_rad_s)
    level += p.cable.wrap_loss * p.cable.joint_m * (x.flexor_N + x.extensor_N)
    momentum = (j.inertia - half * damping) * qd + h * (arm * pull - torque)
    qd = soft(momentum, h * level) / (j.inertia + half * damping)
    x.drum_rad_s = w
    x.joint_rad_s = qd
    x.drum_rad = th + half * w
    x.joint_rad = q + half * qd
    if x.flexor_N > x.peak_cable_N:
        x.peak_cable_N = x.flexor_N
    if p.cable.kind == PAIR and x.extensor_N > x.peak_cable_N:
        x.peak_cable_N = x.extensor_N
    if x.tip_N > x.peak_tip_N:
        x.peak_tip_N = x.tip_N


def direct_substep(p: "Part", x: "Plant", h: float) -> None:
    """The same where drum and joint are one body (reference checks)."""
    m = p.motor
    j = p.hinge
    w = x.joint_rad_s
    q = x.joint_rad + 0.5 * h * w
    torque, damping = outside_torque(p, x, q, w)
    k = x.emf_V_s
    current = (x.volt_V - k * w) * x.siemens
    x.current_A = current
    x.heat_A2s += current * current * h
    x.energy_J += x.volt_V * current * h
    half = 0.5 * h * (m.viscous_Nms + damping + k * k * x.siemens)
    inertia = m.inertia + j.inertia
    momentum = (inertia - half) * w + h * (k * x.volt_V * x.siemens - torque)
    level = stribeck(m.coulomb_Nm, m.stiction_Nm, w, m.stribeck_rad_s)
    level += stribeck(j.coulomb_Nm, j.stiction_Nm, w, j.stribeck_rad_s)
    level += m.load_loss * (k * current if current >= 0.0 else -k * current)
    w = soft(momentum, h * level) / (inertia + half)
    x.joint_rad_s = w
    x.joint_rad = q + 0.5 * h * w
    x.drum_rad = x.joint_rad
    x.drum_rad_s = w
    if x.tip_N > x.peak_tip_N:
        x.peak_tip_N = x.tip_N


def run_substeps(p: "Part", x: "Plant", duty: float, count: int, h: float) -> None:
    """Run ``count`` substeps of ``h`` seconds at one duty; account the heat."""
    supply_tick(p, x, duty)
    x.heat_A2s = 0.0
    if p.cable.kind == DIRECT:
        for _ in range(count):
            direct_substep(p, x, h)
    else:
        for _ in range(count):
            substep(p, x, h)
    account(p, x, count * h)


def account(p: "Part", x: "Plant", span: float) -> None:
    """After substeps of ``span`` seconds: the tip force that lasts, and the heat."""
    x.held_N += (x.tip_N - x.held_N) * (span / (HELD_S + span))
    if x.held_N > x.peak_held_N:
        x.peak_held_N = x.held_N
    ohm = heat.resistance(p.motor.resistance_25_ohm, x.winding_C)
    if span > 0.0:
        heat.warm_up(p.heat, x, ohm * x.heat_A2s / span, span)
