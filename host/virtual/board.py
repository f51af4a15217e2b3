"""Virtual boards: the node that runs on a real one, on simulated joints."""

from math import inf
from typing import TYPE_CHECKING, Any

from controller.node.joints import Joints
from controller.node.loop import Loop
from host.virtual.adapter import Adapter
from host.virtual.clock import PatientClock
from host.virtual.mechanism import Mechanism
from host.virtual.starting import Job
from sim.errors import InputError
from sim.joint.part import Part

if TYPE_CHECKING:
    from sim.run.closed_loop import Joint


def refuse_builtin(joint: "Joint") -> None:
    """Raise InputError for a motor that keeps its own loop: no board can limit or stop that."""
    if joint.file.drive.kind == "builtin":
        raise InputError(joint.path, "drive.kind", "builtin", "is for simulation only: no board can limit "
                         "or stop the motor's own loop")  # fmt: skip


def job_of(joints: "list[Joint]", hidden: list[Part] | None = None, seed: int = 1) -> Job:
    """What a virtual board simulates for these joints of one rate, each at 30 % of its range.

    Raises InputError where there are too many.
    hidden: the parts that are really there, where they differ from the files'.
    """
    from host.link.control_code import build_number
    from sim.joint.datasheet import allowed_pull
    from sim.run.scenarios import span_of

    for joint in joints:
        refuse_builtin(joint)
    if len(joints) > 16:
        raise InputError("", "joints", len(joints), "a board has at most 16")
    spans = [span_of(joint.settings) for joint in joints]
    tick_us = round(joints[0].settings.tick_s * 1e6)
    return Job(
        hidden or [joint.part for joint in joints],
        [low + 0.3 * (high - low) for low, high in spans],
        [joint.delay_s for joint in joints],
        [(tick_us, list(range(len(joints))))], build_number(), seed,
        cables=[(joint.file.joint.name, allowed_pull(joint.file) or inf) for joint in joints],
    )  # fmt: skip


def node_of(
    adapter: Adapter, stream: Any, tick_us: int, build: int, clock: Any, as_c: bool = False
) -> Loop:
    """The node of a virtual board under CPython; as_c: by the machine code that a chip runs. Raises InputError."""
    count = len(adapter.numbers)
    if as_c:
        from host.virtual.native_loop import NativeLoop
        from sim.translate.runner import native_joints

        joints = native_joints(count, tick_us, adapter.tops)
        return NativeLoop(adapter, stream, joints, tick_us, build, 0, clock)
    return Loop(adapter, stream, Joints(count), tick_us, build, 0, clock)


def make_node(
    joints: "list[Joint]", stream: Any, seed: int = 1, clock: Any = None, as_c: bool = False
) -> Loop:
    """The node of one virtual board with the joints of these files, to be run turn by turn.

    clock: has ``us``, ``now()`` and ``sleep(us)``.
    """
    job = job_of(joints, None, seed)
    clock = clock or PatientClock()
    tick_us, numbers = job.boards[0]
    return node_of(Adapter(Mechanism(job), numbers, clock), stream, tick_us, job.build, clock, as_c)
