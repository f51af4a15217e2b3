"""What is counted while a schedule runs (definitions: ``metrics.py``)."""

from controller.joint.modes import POWERED, TRIPPED, driven
from sim.model import schedule

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.state import Allowed, Output, Report
    from sim.joint.part import Plant
    from sim.model.schedule import Event, Score


def start_score(score: "Score", angle: float, e: "Event") -> None:
    """Begin to measure a step from ``angle`` (rad) to the event's target."""
    score.on = 1
    score.ticks = 0
    score.target_rad = e.a
    score.band_rad = e.b
    score.fine_rad = e.c
    score.start_rad = angle
    score.overshoot_rad = 0.0
    score.out_ticks = 0
    score.fine_out_ticks = 0
    score.reversals = 0
    score.tail = 0
    score.tail_ticks = 0
    score.tail_sum_rad = 0.0
    score.noise_sum_V2 = 0.0
    score.track_sum_rad2 = 0.0


def score_step(score: "Score", q: float, want: float) -> None:
    """Account the measured step at true angle ``q``, wanted angle ``want`` (rad)."""
    score.ticks += 1
    score.track_sum_rad2 += (want - q) * (want - q)
    away = q - score.target_rad
    size = away if away >= 0.0 else -away
    if size > score.band_rad:
        score.out_ticks = score.ticks
    if size > score.fine_rad:
        score.fine_out_ticks = score.ticks
    beyond = away if score.target_rad >= score.start_rad else -away
    if beyond > score.overshoot_rad:
        score.overshoot_rad = beyond
    if score.tail == 1:
        score.tail_ticks += 1
        score.tail_sum_rad += away
        if q < score.tail_low_rad:
            score.tail_low_rad = q
        if q > score.tail_high_rad:
            score.tail_high_rad = q


def score_drive(score: "Score", u: float) -> None:
    """Account the applied voltage ``u`` (V): reversals, drive noise."""
    sign = 1 if u > 0.0 else (-1 if u < 0.0 else 0)
    if sign != 0 and sign != score.last_sign:
        if score.last_sign != 0:
            score.reversals += 1
        score.last_sign = sign
    if score.tail == 1:
        change = u - score.last_V
        score.noise_sum_V2 += change * change
    score.last_V = u


def score_guard(
    score: "Score", allowed: "Allowed", report: "Report", output: "Output", x: "Plant", tick: int
) -> None:
    """Account limits, peaks and the properties that must never break."""
    bits = report.limits
    if bits != 0:
        for k in range(schedule.LIMIT_BITS):
            if (bits >> k) & 1 == 1:
                score.limit_ticks[k] += 1.0
    u = report.allowed_V
    if not -1.0e6 < u < 1.0e6:
        score.not_finite += 1
    if driven(report.mode):
        if u > allowed.high_V or u < allowed.low_V:
            score.outside_window += 1
    elif u != 0.0 or output.value != 0.0:
        score.driven_off += 1
    if report.fault != 0 and score.fault_tick < 0:
        score.fault = report.fault
        score.fault_tick = tick
    mode = report.mode
    if score.last_mode == TRIPPED and driven(mode):
        score.relit += 1
    if mode == POWERED and score.last_mode != POWERED and u != 0.0:
        score.kicks += 1
    score.last_mode = mode
    speed = x.joint_rad_s if x.joint_rad_s >= 0.0 else -x.joint_rad_s
    if speed > score.peak_speed_rad_s:
        score.peak_speed_rad_s = speed
    q = x.joint_rad
    if q < score.low_rad:
        score.low_rad = q
    if q > score.high_rad:
        score.high_rad = q
    amps = x.current_A if x.current_A >= 0.0 else -x.current_A
    if amps > score.peak_current_A:
        score.peak_current_A = amps
    if x.winding_C > score.hottest_C:
        score.hottest_C = x.winding_C
