"""Every guard is missed when it is gone: each one is disabled in turn, and a small program shows it.

A program is a scenario file of the folder ``breaches``, run as plain Python on the nominal part,
sometimes with something spoiled that no scenario can say (a reading, a setting, memory). With all
guards it breaks no rule of ``sim/challenge/rules.py`` and keeps the property of its row; with the
row's lines of the controller taken out, that property (or that rule) breaks. Where another guard
catches the same, the row says which and why: then one alone may go, but not all of them together.
"""

import ast
import importlib
import inspect
import math
import sys
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from controller import faults, joint, limits, supervisor
from controller.records import copy, leaves, put
from controller.settings import Settings
from controller.state import Command, Readings, Report, State
from sim import kernels, loop, scenario_file, tolerance
from sim.challenge import Rules
from sim.closed_loop import FINE_S, NOISE, Batch, run_record
from sim.part import Part, Sense
from sim.program import Score
from tests.properties.conftest import joint_with

HERE = Path(__file__).resolve().parent
OFF = (supervisor.UNPOWERED, supervisor.TRIPPED)

# --- a run


class Life:
    """One run of a breach program, tick by tick, and what can be asked of it afterwards."""

    def __init__(self, guard):
        made = joint_with(guard.tables)
        scene = scenario_file.read(HERE / "breaches" / f"{guard.breach}.toml",
                                   made.settings.tick_s).scenario  # fmt: skip
        self.settings = Settings()
        copy(made.settings, self.settings)
        if not scene.self_test:
            self.settings.stopping.check_V = 0.0
        for name, value in guard.settings.items():
            put(self.settings, name, value)
        self.state, self.command = State(), Command()
        self.readings, self.report = Readings(), Report()
        self.part, self.sense, self.score = Part(), Sense(), Score()
        copy(made.part, self.part)
        self.plant = tolerance.start_plant(self.part, scene.start_rad, 25.0)
        self.sense.word = NOISE % 2**32
        self.readings.supply_V = self.plant.bus_V
        self.tick_s = self.settings.tick_s
        rows = self._run(scene, made, guard.spoil)
        for column, values in rows.items():
            setattr(self, column, np.array(values))
        self.broken = self._judge(made, scene)

    def _run(self, scene, made, spoil):
        run = run_record(self.part, scene, self.tick_s, made.delay_s, FINE_S)
        events = scene.events(self.tick_s)
        ticked = (self.settings, self.state, self.command, self.readings, self.report)
        rows = {}
        for k in range(run.ticks):
            if loop.begin_tick(self.settings, self.command, self.readings, self.part, self.plant,
                               self.sense, events, run, self.score, k) > 0:  # fmt: skip
                if spoil is not None:
                    spoil(k, self)
                joint.joint_tick(*ticked)
            for column, value in self._row(k).items():
                rows.setdefault(column, []).append(value)
            loop.end_tick(self.settings, self.state.allowed, self.state.output, self.report,
                          self.part, self.plant, run, self.score, None, k)  # fmt: skip
        return rows

    def _row(self, k):
        r, x = self.report, self.plant
        return {
            "time_s": k * self.tick_s, "mode": r.mode, "fault": r.fault, "volt": r.allowed_V,
            "value": r.drive, "bits": r.limits, "seen_rad": r.angle_rad, "want_rad": r.want_rad,
            "want_rad_s": r.want_rad_s, "true_rad": x.joint_rad, "true_rad_s": x.joint_rad_s,
            "amps": x.current_A, "demand": r.demand_V, "high": self.state.allowed.high_V,
            "low": self.state.allowed.low_V, "refused": self.command.refused, "bus": x.bus_V,
        }  # fmt: skip

    def _judge(self, made, scene):
        crew = SimpleNamespace(objects=[made.part], warmth_C=[25.0])
        run = Batch(kernels.as_array([self.score]), kernels.as_array([self.plant]), None, self.tick_s)
        return Rules(made, crew).judge(scene, run).broken

    def after(self, time_s):
        """The first tick at or after a time."""
        return round(time_s / self.tick_s)

    def answered_s(self, since_s):
        """Time (s) from ``since_s`` to the tick in which a fault was answered; inf if never."""
        k = self.after(since_s)
        found = np.flatnonzero(self.mode[k:] >= supervisor.STOPPING)
        return found[0] * self.tick_s if len(found) else math.inf

    def span(self, since_s, until_s=math.inf):
        """The ticks from one time to another."""
        return slice(self.after(since_s), None if until_s == math.inf else self.after(until_s))


# --- what a row of the table says


@dataclass(frozen=True)
class Cut:
    """A line of the controller, and what stands there once the guard is gone."""

    where: str
    """Module and function."""
    old: str
    new: str


@dataclass(frozen=True)
class Keeps:
    """A property of a run, in words and as a test of a Life."""

    words: str
    test: object


def answered(within, since_s, fault=None):
    """A fault is answered in time: the joint leaves ``powered`` or ``checking``, the drive goes."""
    return Keeps(
        f"fault answered in {within} of {since_s} s",
        lambda life: life.answered_s(since_s) <= within(life.settings) + 1e-9,
    )


@dataclass(frozen=True)
class Guard:
    """One guard: what is cut out, the program that misses it, and what then breaks."""

    name: str
    cuts: tuple
    breach: str
    keeps: object
    """A Keeps, or the name of a rule of sim/challenge/rules.py."""
    fault: int | None = None
    """Fault in which the run ends while the guard is there (None: not looked at)."""
    covers: tuple = ()
    """Fault numbers whose detector this row disables."""
    bit: int = 0
    """Limit bit set in the run with the guard."""
    tables: dict = field(default_factory=dict)
    settings: dict = field(default_factory=dict)
    spoil: object = None
    also: tuple = ()
    """Other guards that catch the same: with this one alone gone nothing breaks."""
    why: str = ""
    """Why they do."""

    def holds(self, life):
        if isinstance(self.keeps, str):
            return self.keeps not in life.broken
        return bool(self.keeps.test(life))
