"""A joint's plant written from the literature, sharing no code with ``sim``: to judge gains that were tuned there.

    motor       L di/dt = u - R i - K w, u = duty (E - R_s duty i); off: no current
    rotor       J_m w' = K i - b w - friction - gear torque
    friction    bristles: z' = v - s0 |v| z / g(v), F = s0 z + s1 z', g = Fc + (Fs - Fc) exp(-(v/vs)^2), its level
                growing with the torque passed on (C. Canudas de Wit, H. Olsson, K. Astrom, P. Lischinsky, "A New
                Model for Control of Systems with Friction", IEEE Trans. Automatic Control 40 (1995) 419-425)
    gear        a gap between rotor and drum, closed by k d (1 + x d') (K. Hunt, F. Crossley, "Coefficient of
                Restitution Interpreted as Damping in Vibroimpact", J. Applied Mechanics 42 (1975) 440-445); one
                turn of its output runs out of true by a sine (eccentric mounting)
    cables      two springs that only pull; over the guides T_out = T_in exp(-m w), against the motion
                (the capstan equation of L. Euler, J. A. Eytelwein; textbook)
    hinge       inertia, dry friction, gravity
    sensor      loaded divider, play of the wiper's carriage, noise, whole counts

Constants of a drawn part (resistance, inertias, radii ...) are the part's; those that ``sim`` does not have
were fixed before any gains were run on it, from memory where no source is named. Changed since: the gear's
losses are a share of the motor's torque, as the datasheet's points have it (dry and viscous friction over 1 - loss);
before, it ran 4 % too fast with nothing to move.
"""

import math
from dataclasses import dataclass

import numba
import numpy as np

INDUCTANCE_S = 1.0e-4
"""L over the winding's resistance: small coreless and iron-core motors lie at 0.05 to 0.3 ms."""
PRESLIDING_RAD = 0.0035
"""Way over which bristles bend before they slip, at the output (0.2 deg)."""
BRISTLE_DAMPING = 0.3
"""Of s1, over the critical one of rotor and bristles."""
DRUM_SHARE = 0.03
"""Inertia of drum and last wheel over the rotor's, both at the output."""
TOOTH_Nm_rad = 150.0
TOOTH_LOSS_S_RAD = 2.0
"""Hunt and Crossley's x: a restitution of about 0.7 at 0.2 rad/s."""
ECCENTRIC_RAD = 0.0017
"""A twentieth of a millimetre at a wheel of 30 mm (0.1 deg)."""
PLAY_RAD = 0.0009
"""Half the play between joint and wiper (0.05 deg)."""
SLIP_m_s = 1.0e-3
HINGE_SLIP_RAD_S = 0.05
"""Speeds below which friction of guides and hinge is smoothed."""
STEP_S = 1.0e-5

AMPERE, ROTOR, ROTOR_V, DRUM, DRUM_V, JOINT, JOINT_V, BRISTLE = range(8)


@dataclass(frozen=True)
class Constants:
    """Constants of one joint, in the order in which ``advance`` takes them."""

    values: np.ndarray

    @staticmethod
    def of(part, winding_C):
        """Those of a drawn part; winding_C: its temperature, kept during a run."""
        m, c, j = part.motor, part.cable, part.hinge
        ohm = m.resistance_25_ohm * (234.5 + winding_C) / 259.5
        emf = m.emf_V_s * (1.0 + m.emf_per_K * (winding_C - 25.0))
        bristle = m.stiction_Nm / PRESLIDING_RAD
        damping = BRISTLE_DAMPING * 2.0 * math.sqrt(bristle * m.inertia)
        drum = DRUM_SHARE * m.inertia
        wrap = -math.log(1.0 - c.wrap_loss)
        return Constants(np.array([
            ohm + m.driver_ohm, INDUCTANCE_S * ohm, emf, (1.0 - DRUM_SHARE) * m.inertia, m.viscous_Nms,
            m.coulomb_Nm, m.stiction_Nm, m.stribeck_rad_s, bristle, damping, m.load_loss, m.half_gap_rad,
            drum, c.drum_m, c.joint_m, c.flexor_N_m, c.extensor_N_m,
            c.flexor_N_m * c.flexor_stretch_m, c.extensor_N_m * c.extensor_stretch_m, c.damping_Ns_m, wrap,
            j.inertia, j.coulomb_Nm, j.viscous_Nms, j.gravity_Nm, j.gravity_at_rad, part.supply_V, part.supply_ohm,
        ]))  # fmt: skip


def at_rest(constants, angle_rad):
    """State of a joint at rest at an angle."""
    x = np.zeros(8)
    x[JOINT] = angle_rad
    x[ROTOR] = x[DRUM] = angle_rad * constants.values[14] / constants.values[13]
    return x


@numba.njit(cache=True)
def advance(x, p, duty, seconds):
    """Run on for so long at one duty (0: off); returns the greatest cable pull (N)."""
    (ohm, henry, emf, inertia, viscous, coulomb, stiction, stribeck, bristle, damping, loss, gap, drum_inertia, r1, r2,
     k_f, k_e, pull_f, pull_e, c, wrap, hinge, dry, wet, weight, weight_at, supply, supply_ohm) = p  # fmt: skip
    count = max(1, round(seconds / 1.0e-5))
    h = seconds / count
    most = 0.0
    for _ in range(count):
        if duty == 0.0:
            x[0] = 0.0
        else:
            u = duty * (supply - supply_ohm * duty * x[0])
            x[0] = (x[0] + h / henry * (u - emf * x[2])) / (1.0 + h * ohm / henry)
        # gear: the way by which the teeth are into each other
        wobble = 0.0017 * math.sin(x[1])
        apart = x[1] + wobble - x[3]
        closing = x[2] * (1.0 + 0.0017 * math.cos(x[1])) - x[4]
        gear = 0.0
        if apart > gap:
            gear = max(150.0 * (apart - gap) * (1.0 + 2.0 * closing), 0.0)
        elif apart < -gap:
            gear = min(150.0 * (apart + gap) * (1.0 - 2.0 * closing), 0.0)
        # bristles, their level growing with what the gear passes on
        level = (1.0 + loss * abs(gear) / coulomb) / (1.0 - loss)
        g = level * (coulomb + (stiction - coulomb) * math.exp(-((x[2] / stribeck) ** 2)))
        rate = x[2] - bristle * abs(x[2]) * x[7] / g
        x[7] += h * rate
        friction = bristle * x[7] + damping * rate
        x[2] += h / inertia * (emf * x[0] - viscous / (1.0 - loss) * x[2] - friction - gear)
        x[1] += h * x[2]
        # cables
        s = r1 * x[3] - r2 * x[5]
        v = r1 * x[4] - r2 * x[6]
        flexor = max(pull_f + k_f * s + c * v, 0.0) if pull_f + k_f * s > 0.0 else 0.0
        extensor = max(pull_e - k_e * s - c * v, 0.0) if pull_e - k_e * s > 0.0 else 0.0
        most = max(most, flexor, extensor)
        x[4] += h / drum_inertia * (gear - r1 * (flexor - extensor))
        x[3] += h * x[4]
        slip = wrap * math.tanh(r2 * x[6] / 1.0e-3)
        torque = r2 * (flexor * math.exp(-slip) - extensor * math.exp(slip))
        torque -= weight * math.cos(x[5] - weight_at) + dry * math.tanh(x[6] / 0.05) + wet * x[6]
        x[6] += h / hinge * torque
        x[5] += h * x[6]
    return most


class Wiper:
    """The sensor of a part: counts of an angle, with play and noise."""

    def __init__(self, sensor, angle_rad, rng):
        self.sensor, self.rng, self.carried = sensor, rng, angle_rad

    def read(self, angle_rad):
        s = self.sensor
        self.carried = min(max(self.carried, angle_rad - PLAY_RAD), angle_rad + PLAY_RAD)
        x = min(max(s.zero_fraction + s.sign * self.carried / s.electrical_rad, 0.0), 1.0)
        if s.load_ratio > 0.0:  # Thevenin of the track's two halves into the pull-down
            x = x * s.load_ratio / (s.load_ratio + x * (1.0 - x))
        counts = x * s.top_counts + s.noise_counts * self.rng.normal()
        return int(min(max(round(counts), 0), s.top_counts))
