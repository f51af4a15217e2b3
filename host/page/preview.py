"""What gains would do, before they are applied: margins, predicted step, predicted band."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from controller.joint.settings.settings import Gains, Settings
from controller.records import copy, fields
from host.page.orders import SHOWN
from sim.errors import InputError
from sim.joint.spread import draw_parts, spread_of
from sim.model.schedule import MEASURE, TARGET
from sim.run.closed_loop import Fleet, Joint, simulate
from sim.run.scenarios import LEAD_S, Scenario
from sim.tune import margins
from sim.tune.cost import MS_MOST

POINTS = 240


def read_gains(given: dict[str, Any]) -> dict[str, float]:
    """Check gains by the declarations of the settings. Raises InputError."""
    known = {name: field for name, field in fields(Gains) if name in SHOWN}
    found = {}
    for name, value in given.items():
        if name not in known:
            raise InputError("", f"gains.{name}", value, "unknown; allowed: " + ", ".join(known))
        field = known[name]
        if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
            raise InputError("", f"gains.{name}", value, "must be a number")
        if not field.low <= value <= field.high:
            unit = "" if field.unit == "1" else f" {field.unit}"
            raise InputError("", f"gains.{name}", value,
                             f"must lie in {field.low:g} .. {field.high:g}{unit}")  # fmt: skip
        found[name] = float(value)
    return found


def with_gains(settings: Settings, gains: dict[str, float]) -> Settings:
    """A copy of settings with some gains changed."""
    made = Settings()
    copy(settings, made)
    for name, value in gains.items():
        setattr(made.gains, name, value)
    return made


def move(start: float, end: float, seconds: float) -> Scenario:
    """A move from rest, measured."""
    scene = Scenario("move", start, LEAD_S + seconds)
    band = 0.02 * abs(end - start)
    return scene.at(LEAD_S, MEASURE, end, band, band).at(LEAD_S, TARGET, end)


def loops(joint: Joint, settings: Settings) -> tuple[margins.Margins, margins.Margins]:
    """Margins of the nominal loop: cable rigid, and as it is."""
    rigid, soft = (margins.margins(joint.part, settings.gains, settings.tick_s, joint.delay_s, rigid=one)
                   for one in (True, False))  # fmt: skip
    return rigid, soft


def beyond(rigid: margins.Margins, soft: margins.Margins) -> str:
    """What is wrong with a loop, in words; "" where its Ms is within the bound of tuning and it has margins."""
    if not (rigid.stable and soft.stable):
        return "UNSTABLE: it will swing by itself, up to the force limit"
    if not (rigid.phase_margin_deg > 0.0 and rigid.gain_margin > 1.0):
        return "no margin left: a slightly different part swings by itself"
    if not rigid.ms <= MS_MOST:
        return f"Ms {rigid.ms:.3g}, above {MS_MOST:g}: too close to swinging by itself"
    return ""


def predicted(joint: Joint, settings: Settings, start: float, end: float) -> dict[str, Any]:
    """Margins, and the nominal part's step with these settings: angle (rad) over time (s)."""
    margin, soft = loops(joint, settings)
    trace = simulate(joint, move(start, end, 1.5), settings=settings)
    lead = round(LEAD_S / trace.tick_s)
    every = max(1, (len(trace.rows) - lead) // POINTS)
    m = trace.metrics
    return {
        "ms": margin.ms, "phase_margin_deg": margin.phase_margin_deg,
        "bandwidth_Hz": margin.bandwidth_Hz, "stable": bool(soft.stable and margin.stable),
        "beyond": beyond(margin, soft),
        "time_s": (every * trace.tick_s * np.arange(len(trace.rows[lead::every]))).tolist(),
        "angle_rad": trace["joint_rad"][lead::every].tolist(),
        "settling_s": m.settling_2pct_s, "overshoot_rad": m.overshoot_rad, "fault": m.fault,
    }  # fmt: skip


@dataclass
class Bands:
    """Parts of a joint's spread, prepared once: a predicted band takes milliseconds."""

    joint: Joint
    fleet: Fleet

    @classmethod
    def of(cls, joint: Joint, count: int = 24) -> "Bands":
        """Draw the parts."""
        parts, _ = draw_parts(joint.part, spread_of(joint.file), count, 1)
        warm = [25.0] * len(parts)
        return cls(joint, Fleet(parts, warm, joint.settings.tick_s, joint.delay_s, 1))

    def of_move(self, settings: Settings, start: float, end: float) -> dict[str, Any]:
        """Lowest and highest angle (rad) of the parts in a move, every 10 ms."""
        scene = move(start, end, 1.2)
        every = max(1, round(0.01 / settings.tick_s))
        traces = self.fleet.run(settings, scene, every).traces
        assert traces is not None
        angles = traces["joint_rad"][:, round(LEAD_S / settings.tick_s / every) :]
        return {"step_s": every * settings.tick_s, "low": angles.min(axis=0).tolist(),
                "high": angles.max(axis=0).tolist()}  # fmt: skip
