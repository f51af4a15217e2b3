"""Virtual boards of one hand: what their joints do to each other, though each board is a process.

Every board moves its own joints and publishes their state in a file that all have mapped; it sees
the others as they were when its tick began, going on at their speed. That carries crossing cables,
gravity along a finger and the sag of the common supply from board to board. Only one board
writes a joint's row; a row read while it is written mixes two neighbouring states, no more.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from host.starting import Job
from host.virtual_board import SimulatedJoint
from sim import kernels
from sim.part import Part, Plant
from sim.program import MOVE_BY_HAND

if TYPE_CHECKING:
    from sim.hand.file import Hand

SLICE_S = 1e-3
"""The coupling is renewed so often."""


def publish(hand: "Hand", folder: Path) -> None:
    """Write what the boards of a hand share into a folder. Raises InputError for a direct drive."""
    from sim.hand.coupled import crossings, hung, rest_plants
    from sim.hand.file import matrices
    from sim.scenarios import span_of

    arms, links = matrices(hand)
    spans = [span_of(member.joint.settings) for member in hand.members]
    plants = rest_plants(hung(hand, links), [low + 0.3 * (high - low) for low, high in spans], arms)
    plants.tofile(folder / "plants.bin")
    np.zeros(len(plants)).tofile(folder / "duties.bin")
    np.save(folder / "pairs.npy", crossings(arms))
    np.save(folder / "links.npy", links)


class Bond:
    """A board's view of all joints of its hand."""

    def __init__(self, folder: Path) -> None:
        kind = kernels.as_array([Plant()]).dtype
        self.plants = np.memmap(folder / "plants.bin", kind, "r+")
        self.duties = np.memmap(folder / "duties.bin", float, "r+")
        self.pairs, self.links = np.load(folder / "pairs.npy"), np.load(folder / "links.npy")
        self.seen = np.array(self.plants)
        self.before = np.array(self.plants)
        """All joints as they were when the board's tick began."""
        self.first = -1
        """The board's first joint: with it a tick begins."""
        self.base = np.zeros(len(self.seen))


class BondedJoint(SimulatedJoint):
    """A simulated joint among the others of its hand."""

    def __init__(self, part: Part, seed: int, bond: Bond, number: int) -> None:
        super().__init__(part, float(bond.plants["joint_rad"][number]), seed)
        self.bond, self.number = bond, number
        self.plants[0] = bond.plants[number]
        if bond.first < 0:
            bond.first = number
        if bond.links[number, 1] > 0.0:
            self.part["hinge"]["gravity_Nm"] = 0.0  # the links weigh instead

    def move_on(self, duty: float, span: float) -> None:
        """Move the plant on at one duty, beside the others as they are."""
        bond, k = self.bond, self.number
        seen: Any = bond.seen
        if k == bond.first:
            bond.before[:] = bond.plants
        seen[:] = bond.before  # its own board's joints too: those already moved are ahead
        seen[k] = self.plant
        bond.duties[k] = duty
        drawn = bond.duties * seen["current_A"]
        seen["others_A"][k] = max(float(drawn.sum() - drawn[k]), 0.0)
        bond.base[:] = 0.0
        bond.base[k] = load = float(self.plant["load_Nm"])  # what was put on from outside
        slices = max(1, round(span / SLICE_S))
        steps = max(1, round(span / slices / self.substep_s))
        self.twin.chain.move_one(self.part, seen, k, duty, bond.pairs, bond.links, bond.base,
                                 slices, steps, span / slices / steps)  # fmt: skip
        self.plants[0] = seen[k]
        bond.plants[k] = seen[k]
        self.plant["load_Nm"] = load

    def inject(self, kind: int, a: float, b: float, c: float) -> bool:
        """What a program's events do; moved by hand, the cables keep their way over the others."""
        done = super().inject(kind, a, b, c)
        if kind == MOVE_BY_HAND:
            pairs, q = self.bond.pairs, self.bond.plants["joint_rad"]
            for _, j, arm, bend, curve in pairs[pairs[:, 0] == self.number]:
                angle = q[int(j)]
                way = arm * angle * (1.0 + 0.5 * bend * angle + curve * angle * angle / 3.0)
                self.plant["drum_rad"] += way / self.part["cable"]["drum_m"]
        self.bond.plants[self.number] = self.plant
        return done


def bonded(job: Job) -> list[SimulatedJoint]:
    """The simulated joints of a board of a hand."""
    assert job.hand is not None
    folder, numbers = job.hand
    bond = Bond(Path(folder))
    return [BondedJoint(part, job.seed + k, bond, number)
            for k, (part, number) in enumerate(zip(job.parts, numbers, strict=True))]  # fmt: skip
