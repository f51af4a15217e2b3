"""Simulated joints that share one simulated time: of one board, or of all boards of a hand.

A drive that is put out counts from the computing delay of its joint on, as in simulation and fit
(``sim/model/loop.py``); until then the one before goes on. Joints of a hand are stepped together, at the
finest substep that any of them needs: crossing cables, gravity along a finger and the common
supply act between them whatever boards they are on and however these tick.
"""

from math import inf

import numpy as np

from controller.joint.state import Readings
from host.virtual.starting import OVERPULL, Job
from sim.joint import spread
from sim.joint.part import Sense
from sim.model import schedule
from sim.model.schedule import Run
from sim.model.start import start_plant
from sim.run import kernels

BATCH_S = 1e-4
NOISE = 2654435761
MORE = 1.1
"""A pull is said again when it has grown by so much."""
OBJECT_NM_RAD = 40.0
"""Hardest object that can be put in the way."""


class Mechanism:
    """Plants, sensors and drive electronics of all joints, as compiled records."""

    def __init__(self, job: Job) -> None:
        """Joints at rest where the job says. Raises InputError where a part is too stiff."""
        self.twin = kernels.twin()
        self.parts = kernels.as_array(job.parts)
        self.plants = kernels.as_array([start_plant(part, angle, 25.0)
                                        for part, angle in zip(job.parts, job.starts_rad, strict=True)])  # fmt: skip
        count = len(job.parts)
        senses = [Sense() for _ in range(count)]
        for k, sense in enumerate(senses):
            sense.word = (job.seed + k) * NOISE % 2**32
        self.senses = kernels.as_array(senses)
        self.runs = kernels.as_array([Run() for _ in range(count)])
        self.readings = kernels.as_array([Readings()])[0]
        self.delays_us = [round(delay * 1e6) for delay in job.delays_s]
        self.ticks_s = [job.tick_us_of(k) * 1e-6 for k in range(count)]
        self.substeps_s = [BATCH_S / spread.substeps_for(part, BATCH_S, BATCH_S, OBJECT_NM_RAD)
                           for part in job.parts]  # fmt: skip
        self.values = [0.0] * count
        """Drives as put out last."""
        self.duties = np.zeros(count)
        self.pending: list[list[tuple[int, float]]] = [[] for _ in range(count)]
        """Drives that are put out but do not count yet: (time us, value)."""
        self.last_read_us = [0] * count
        self.now_us = 0
        self.cables = job.cables or [("", inf)] * count
        self.told_N = [allowed for _, allowed in self.cables]
        """Pull of each cable beyond which something is to be said: more than allowed, more than said."""
        self.pairs, self.links = np.zeros((0, 5)), np.zeros((count, 5))
        self.coupled = job.coupling is not None
        self.plants["coasting"] = 1
        if job.coupling is not None:
            self._couple(*job.coupling, job)

    def _couple(self, arms: np.ndarray, links: np.ndarray, job: Job) -> None:
        from sim.hand.coupled import crossings, rest_plants

        self.pairs, self.links = crossings(arms), links
        self.plants = rest_plants(job.parts, job.starts_rad, arms)
        self.plants["coasting"] = 1
        self.parts["hinge"]["gravity_Nm"][links[:, 1] > 0.0] = 0.0  # the links weigh instead
        self.loads = np.zeros(len(self.plants))
        """What is put on from outside (N*m); the kernel adds what joints do to each other."""

    # --- drives

    def put(self, k: int, value: float) -> None:
        """Put out the drive of a joint: it counts after the computing delay."""
        self.values[k] = value
        self.pending[k].append((self.now_us + self.delays_us[k], value))

    def cut(self, k: int, after_us: int = 0) -> None:
        """Cut the drive of a joint, now or later: whatever was put out before."""
        self.values[k] = 0.0
        at = self.now_us + after_us
        self.pending[k] = [one for one in self.pending[k] if one[0] < at] + [(at, 0.0)]
        if after_us == 0:
            self._take(k, 0.0)

    def _take(self, k: int, value: float) -> None:
        self.duties[k] = self.twin.drive_electronics.drive_duty(
            self.parts[k], self.plants[k], self.runs[k], value, 0.0, self.ticks_s[k]
        )

    # --- time

    def advance(self, to_us: int) -> None:
        """Move all joints on to a time (us)."""
        while self.now_us < to_us:
            self._take_due()
            coming = [queue[0][0] for queue in self.pending if queue]
            until = min([to_us, *coming])
            self._run((until - self.now_us) * 1e-6)
            self.now_us = until
        self._take_due()

    def _take_due(self) -> None:
        for k, queue in enumerate(self.pending):
            while queue and queue[0][0] <= self.now_us:
                self._take(k, queue.pop(0)[1])

    def _run(self, span: float) -> None:
        if not self.coupled:
            for k, substep in enumerate(self.substeps_s):
                count = max(1, round(span / substep))
                self.twin.plant.run_substeps(
                    self.parts[k], self.plants[k], float(self.duties[k]), count, span / count
                )
            return
        count = max(1, int(np.ceil(span / min(self.substeps_s) - 1e-9)))
        chain = self.twin.hand_loop
        chain.share_supply(self.plants, self.duties)
        chain.run_plants(self.parts, self.plants, self.duties, self.pairs, self.links, self.loads,
                         count, span / count)  # fmt: skip

    # --- what a board sees, and what is done to the joint

    def read(self, k: int) -> tuple[int, int, float, float]:
        """Counts of the wipers, supply (V), current (A) of a joint now."""
        h = (self.now_us - self.last_read_us[k]) * 1e-6
        self.last_read_us[k] = self.now_us
        x, probe, sense = self.plants[k], self.parts[k]["sensor"], self.senses[k]
        first = self.twin.model_sensor.read(probe, sense, x["joint_rad"], h)
        second = self.twin.model_sensor.read_second(probe, sense, x["joint_rad"])
        return int(first), int(second), float(x["bus_V"]), float(x["current_A"])

    def strained(self, numbers: list[int]) -> list[str]:
        """What to say of cables that were pulled beyond what they are allowed, since asked last."""
        lines = []
        for k in numbers:
            pull = float(self.plants["peak_cable_N"][k])
            if pull > self.told_N[k]:
                name, allowed = self.cables[k]
                lines.append(f"{name}: {OVERPULL} {pull:.0f} N, above the {allowed:.0f} N allowed")
                self.told_N[k] = MORE * pull
        return lines

    def inject(self, k: int, kind: int, a: float, b: float, c: float) -> bool:
        """What a schedule's events do (sim/model/schedule.py); tell whether it was one of them."""
        if kind == schedule.CUT:
            self.twin.events.cut(self.parts[k]["cable"], int(a))
            return True
        if kind == schedule.MOVE_BY_HAND:
            self._place(k, a)
            return True
        if kind == schedule.LOAD and self.coupled:
            self.loads[k] = a
            return True
        e = kernels.as_array([schedule.Event()])[0]
        e["kind"], e["a"], e["b"], e["c"] = kind, a, b, c
        return bool(self.twin.events.set_outside(self.plants[k], self.senses[k], e))

    def _place(self, k: int, angle: float) -> None:
        """Put a joint somewhere, as by hand: its cables keep their way over the others."""
        self.twin.events.place(self.parts[k], self.plants[k], float(angle))
        for _, j, arm, bend, curve in self.pairs[self.pairs[:, 0] == k]:
            q = self.plants["joint_rad"][int(j)]
            way = arm * q * (1.0 + 0.5 * bend * q + curve * q * q / 3.0)
            self.plants["drum_rad"][k] += way / self.parts["cable"]["drum_m"][k]
