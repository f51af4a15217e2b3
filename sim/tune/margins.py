"""The joint linearised, its sampled loop, and how far it is from instability.

Plant from voltage to joint angle, dry friction and backlash left out (friction
only adds damping; what backlash does is the simulation's business):

    J_m th'' = (K/R)(V - K th') - b_m th' - r1 k (r1 th - r2 q) - r1 c (...)'
    J_j q''  = r2 k (r1 th - r2 q) + r2 c (...)' - b_j q'

with k both cables together; "rigid" lets k go to infinity. It is sampled with a
zero-order hold and the computing delay exactly (matrix exponential); the
controller is the tick's own difference equation,

    C(z) = kp + ki h/(z-1) + kd (z-1)/((Tf+h) z - Tf).

Ms = max |1/(1+L)|; margins by the crossings of L on a frequency grid, refined
by interpolation; ``to_control`` hands the same loop to python-control, which
the tests hold against these numbers.
"""

from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from controller.joint.settings.settings import Gains
from sim.joint.part import DIRECT, PAIR, Part


@dataclass(frozen=True)
class Margins:
    """Robustness of one loop. A margin that has no crossing is inf."""

    ms: float
    gain_margin: float
    phase_margin_deg: float
    crossover_Hz: float
    bandwidth_Hz: float
    stable: bool

    def as_dict(self) -> dict[str, Any]:
        """Return the margins as a dictionary; infinities become None."""
        return {
            k: (None if isinstance(v, float) and not np.isfinite(v) else v)
            for k, v in asdict(self).items()
        }


def state_space(part: Part, rigid: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return A, B, C of the plant, voltage (V) to joint angle (rad)."""
    m = part.motor
    ohm = m.resistance_25_ohm + m.driver_ohm
    drag = m.viscous_Nms + m.emf_V_s**2 / ohm
    push = m.emf_V_s / ohm
    j = part.hinge
    r1, r2 = part.cable.drum_m, part.cable.joint_m
    if part.cable.kind == DIRECT:
        r1 = r2 = 1.0
    if rigid or part.cable.kind == DIRECT:
        ratio = r2 / r1  # drum angle per joint angle
        inertia = m.inertia * ratio**2 + j.inertia
        damping = drag * ratio**2 + j.viscous_Nms
        a = np.array([[0.0, 1.0], [0.0, -damping / inertia]])
        return a, np.array([[0.0], [push * ratio / inertia]]), np.array([[1.0, 0.0]])
    k = part.cable.flexor_N_m + (part.cable.extensor_N_m if part.cable.kind == PAIR else 0.0)
    c = part.cable.damping_Ns_m * (2.0 if part.cable.kind == PAIR else 1.0)
    own = part.cable.extensor_N_m * r2**2 if part.cable.kind != PAIR else 0.0
    a = np.array(
        [
            [0.0, 1.0, 0.0, 0.0],
            [
                -r1 * r1 * k / m.inertia,
                -(drag + r1 * r1 * c) / m.inertia,
                r1 * r2 * k / m.inertia,
                r1 * r2 * c / m.inertia,
            ],
            [0.0, 0.0, 0.0, 1.0],
            [
                r1 * r2 * k / j.inertia,
                r1 * r2 * c / j.inertia,
                -(r2 * r2 * k + own) / j.inertia,
                -(j.viscous_Nms + r2 * r2 * c) / j.inertia,
            ],
        ]
    )
    b = np.array([[0.0], [push / m.inertia], [0.0], [0.0]])
    return a, b, np.array([[0.0, 0.0, 1.0, 0.0]])


def sampled(
    part: Part, tick_s: float, delay_s: float, rigid: bool = False
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the sampled plant (Phi, Gamma, C), the computing delay inside.

    With delay d = n h + f: u of n and n+1 ticks ago act on a tick, split at f;
    past inputs are states. (K. J. Astrom, B. Wittenmark, "Computer-Controlled
    Systems", 3rd ed. 1997, sec. 2.3.)
    """
    from scipy.linalg import expm

    a, b, c = state_space(part, rigid)
    n = a.shape[0]
    whole = int(delay_s / tick_s + 1e-9)
    rest = max(delay_s - whole * tick_s, 0.0)

    def hold(t: float) -> tuple[np.ndarray, np.ndarray]:
        block = np.zeros((n + 1, n + 1))
        block[:n, :n], block[:n, n:] = a * t, b * t
        e = expm(block)
        return e[:n, :n], e[:n, n:]

    phi, _ = hold(tick_s)
    late, new = hold(tick_s - rest)
    _, old = hold(rest)
    old = late @ old
    past = whole + 1
    size = n + past
    big = np.zeros((size, size))
    gamma = np.zeros((size, 1))
    big[:n, :n] = phi
    big[:n, n : n + 1] = old  # u of whole+1 ticks ago, for the first part of the tick
    if whole == 0:
        gamma[:n] = new
    else:
        big[:n, n + 1 : n + 2] = new
    for k in range(past - 1):  # states: oldest first
        big[n + k, n + k + 1] = 1.0
    gamma[size - 1, 0] = 1.0
    return big, gamma, np.hstack([c, np.zeros((1, past))])


@lru_cache(maxsize=8)
def frequency_grid(tick_s: float, points: int = 900) -> np.ndarray:
    """Angular frequencies (rad/s) from 0.5 rad/s to just below the Nyquist frequency."""
    return np.geomspace(0.5, np.pi / tick_s * 0.9999, points)


def plant_response(
    part: Part, tick_s: float, delay_s: float, rigid: bool = False, w: np.ndarray | None = None
) -> np.ndarray:
    """Frequency response of the sampled plant, complex, shape of the grid."""
    w = frequency_grid(tick_s) if w is None else w
    whole = int(delay_s / tick_s + 1e-9)  # whole ticks of delay are a factor, not states
    phi, gamma, c = sampled(part, tick_s, max(delay_s - whole * tick_s, 0.0), rigid)
    z = np.exp(1j * w * tick_s)
    middle = z[:, None, None] * np.eye(len(phi))[None] - phi[None]
    inside = np.linalg.solve(middle, np.broadcast_to(gamma.astype(complex), (len(w), len(phi), 1)))
    return np.asarray((c[None].astype(complex) @ inside)[:, 0, 0] * z ** (-whole))


def frame_hold(w: np.ndarray, frame_s: float, tick_s: float) -> np.ndarray:
    """Average effect of latching the output once a frame instead of once a tick.

    The hold of a frame, (1 - e^(-jwT))/(jwT), over that of a tick: the describing
    function of the latch for signals slow against the frame.
    """
    if frame_s <= tick_s:
        return np.ones(len(w), complex)

    def hold(t: float) -> np.ndarray:
        return np.asarray((1.0 - np.exp(-1j * w * t)) / (1j * w * t))

    return hold(frame_s) / hold(tick_s)


def controller_space(
    gains: Gains, tick_s: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return A, B, C, D of the controller from measured angle y to *minus* voltage.

    States: integral, filtered speed, last y: the difference equations of
    ``controller/joint/pid.py`` outside its dead band.
    """
    h, lag = tick_s, gains.derivative_filter_s
    kp = small_signal_kp(gains)
    keep, new = lag / (lag + h), 1.0 / (lag + h)
    a = np.array([[1.0, 0.0, 0.0], [0.0, keep, -new], [0.0, 0.0, 0.0]])
    b = np.array([[-gains.ki * h], [new], [1.0]])
    c = np.array([[-1.0, gains.kd * keep, -gains.kd * new]])
    return a, b, c, np.array([[kp + gains.kd * new]])


def small_signal_kp(gains: Gains) -> float:
    """Proportional gain (V/rad) for small errors."""
    return gains.kp * (gains.near_factor if gains.near_rad > 0.0 else 1.0)


def controller_response(gains: Gains, tick_s: float, w: np.ndarray | None = None) -> np.ndarray:
    """Frequency response of the controller from angle to minus voltage, complex."""
    w = frequency_grid(tick_s) if w is None else w
    z = np.exp(1j * w * tick_s)
    lag = gains.derivative_filter_s
    speed = (z - 1.0) / ((lag + tick_s) * z - lag)
    return np.asarray(small_signal_kp(gains) + gains.ki * tick_s / (z - 1.0) + gains.kd * speed)


def peak_sensitivity(loop: np.ndarray) -> float:
    """Ms of a loop's frequency response."""
    return float(1.0 / np.abs(1.0 + loop).min())


def _crossings(values: np.ndarray) -> np.ndarray:
    return np.nonzero(np.signbit(values[:-1]) != np.signbit(values[1:]))[0]


def gain_margins(loop: np.ndarray, w: np.ndarray) -> list[tuple[float, float]]:
    """Return (factor, rad/s) at every crossing of the negative real axis."""
    rows = []
    for k in _crossings(loop.imag):
        a, b = loop[k], loop[k + 1]
        share = a.imag / (a.imag - b.imag)
        real = a.real + share * (b.real - a.real)
        if real < 0.0:
            rows.append((-1.0 / real, float(w[k] + share * (w[k + 1] - w[k]))))
    return rows


def margin_above(loop: np.ndarray, w: np.ndarray, least_rad_s: float) -> float:
    """Smallest gain factor to instability at crossings above a frequency (rad/s)."""
    found = [factor for factor, at in gain_margins(loop, w) if at >= least_rad_s]
    return min(found) if found else float("inf")


def closed_loop_stable(
    part: Part, gains: Gains, tick_s: float, delay_s: float, rigid: bool = False
) -> bool:
    """Tell whether the linear sampled loop is stable, by its poles."""
    phi, gamma, c = sampled(part, tick_s, delay_s, rigid)
    a, b, out, direct = controller_space(gains, tick_s)
    if gains.ki == 0.0:  # an integral that nothing reaches is no state of the loop
        a, b, out = a[1:, 1:], b[1:], out[:, 1:]
    top = np.hstack([phi - gamma @ direct @ c, -gamma @ out])
    both = np.vstack([top, np.hstack([b @ c, a])])
    return bool(np.abs(np.linalg.eigvals(both)).max() < 1.0 - 1e-9)


def margins(part: Part, gains: Gains, tick_s: float, delay_s: float, rigid: bool = True) -> Margins:
    """Return the margins of the linear sampled loop of a part, its drive's frame included.

    ``stable`` is told by the poles, without the frame.
    """
    w = frequency_grid(tick_s, 4000)
    loop = plant_response(part, tick_s, delay_s, rigid, w) * controller_response(gains, tick_s, w)
    loop = loop * frame_hold(w, part.amplifier_frame_s if part.amplifier != 0 else 0.0, tick_s)
    size = np.abs(loop)
    cross = list(_crossings(size - 1.0))
    phase_margin, at = float("inf"), float("nan")
    for k in cross:
        share = (size[k] - 1.0) / (size[k] - size[k + 1])
        value = loop[k] + share * (loop[k + 1] - loop[k])
        margin = abs(float(np.degrees(np.angle(-value))))
        if margin < phase_margin:
            phase_margin, at = margin, float(w[k] + share * (w[k + 1] - w[k]))
    closed = np.abs(loop / (1.0 + loop))
    below = np.nonzero(closed < 0.7071)[0]
    start = int(np.argmax(closed))
    below = below[below > start]
    band = float(w[below[0]]) if len(below) else float(w[-1])
    factors = [f for f, _ in gain_margins(loop, w) if f > 1.0]
    return Margins(
        _refined_ms(part, gains, tick_s, delay_s, rigid, w, loop),
        min(factors) if factors else float("inf"),
        phase_margin,
        at / (2 * np.pi),
        band / (2 * np.pi),
        closed_loop_stable(part, gains, tick_s, delay_s, rigid),
    )


def _refined_ms(
    part: Part,
    gains: Gains,
    tick_s: float,
    delay_s: float,
    rigid: bool,
    w: np.ndarray,
    loop: np.ndarray,
) -> float:
    """Ms with a finer grid between the neighbours of the worst point: a resonance is narrow."""
    worst = int(np.argmin(np.abs(1.0 + loop)))
    fine = np.linspace(w[max(worst - 1, 0)], w[min(worst + 1, len(w) - 1)], 201)
    near = plant_response(part, tick_s, delay_s, rigid, fine)
    near = near * controller_response(gains, tick_s, fine)
    near = near * frame_hold(fine, part.amplifier_frame_s if part.amplifier != 0 else 0.0, tick_s)
    return max(peak_sensitivity(loop), peak_sensitivity(near))


def to_control(
    part: Part, gains: Gains, tick_s: float, delay_s: float, rigid: bool = False
) -> tuple[Any, Any]:
    """Return (plant, controller) as python-control systems with dt = tick_s."""
    import control

    phi, gamma, c = sampled(part, tick_s, delay_s, rigid)
    plant = control.ss(phi, gamma, c, np.zeros((1, 1)), tick_s)
    return plant, control.ss(*controller_space(gains, tick_s), tick_s)


def _saturation(r: np.ndarray) -> np.ndarray:
    """Describing function of a unit slope up to r = limit / amplitude; 1 where it never limits."""
    x = np.clip(r, 0.0, 1.0)
    return np.asarray(2.0 / np.pi * (np.arcsin(x) + x * np.sqrt(1.0 - x * x)))


def help_gain(gains: Gains, amplitude_rad: np.ndarray) -> np.ndarray:
    """Gain (V/rad) that the help against stiction adds for an error swinging by an amplitude (rad).

    Zero up to D (``rest_out_rad``), a slope of M/D up to 2 D, then M: the difference of two
    saturations, N = M/D (sat(2 D / A) - sat(D / A)) (A. Gelb and W. E. Vander Velde,
    "Multiple-Input Describing Functions", 1968, table of odd static nonlinearities).
    """
    d = gains.rest_out_rad
    if d <= 0.0 or gains.breakaway_feed_V <= 0.0:
        return np.zeros_like(amplitude_rad)
    r = d / amplitude_rad
    return gains.breakaway_feed_V / d * (_saturation(2.0 * r) - _saturation(r))


def worst_swing(
    part: Part, gains: Gains, tick_s: float, delay_s: float
) -> tuple[float, float, float]:
    """Worst Ms and phase margin (deg) with the help against stiction, and their amplitude (rad).

    Over the amplitude of the error; dry friction, which the help is there to meet, is left out, so
    this is a part without any. Without the help: the linear figures, amplitude 0.
    """
    w = frequency_grid(tick_s)
    frame = part.amplifier_frame_s if part.amplifier != 0 else 0.0
    plant = plant_response(part, tick_s, delay_s, True) * frame_hold(w, frame, tick_s)
    return worst_of(plant, controller_response(gains, tick_s), gains)


def worst_of(plant: np.ndarray, own: np.ndarray, gains: Gains) -> tuple[float, float, float]:
    """``worst_swing`` of frequency responses of plant and controller."""
    amplitudes = gains.rest_out_rad * np.geomspace(1.02, 30.0, 40)
    added = help_gain(gains, amplitudes)
    if not added.any():
        return peak_sensitivity(plant * own), _phase_margin(plant * own), 0.0
    loops = plant * (own + added[:, None])
    nearest = np.abs(1.0 + loops).min(axis=1)
    k = int(np.argmin(nearest))
    return float(1.0 / nearest[k]), _phase_margin(loops[k]), float(amplitudes[k])


def _phase_margin(loop: np.ndarray) -> float:
    """Least phase margin (deg) at the crossings of unit gain; inf where there is none."""
    size = np.abs(loop)
    at = np.nonzero((size[:-1] >= 1.0) != (size[1:] >= 1.0))[0]
    if not len(at):
        return float("inf")
    phase = np.angle(loop[at], deg=True)
    return float(np.min(np.where(phase > 0.0, phase - 180.0, phase + 180.0)))
