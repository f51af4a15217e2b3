"""A virtual board: the node that runs on a real one, on simulated joints.

Served on a pty (the real serial path) or over TCP on 127.0.0.1; ``stand_in.py`` is its board adapter.
"""

import contextlib
import os
import select
import socket
from typing import TYPE_CHECKING, Any

from controller.node import Node
from controller.portable import sleep_us
from controller.state import Readings
from controller.timing import Timing
from host.stand_in import StandIn
from host.starting import Job
from sim import kernels, program, tolerance
from sim.errors import InputError
from sim.part import Part, Sense
from sim.program import Run

if TYPE_CHECKING:
    from sim.closed_loop import Joint

INBOUND = 128
"""Octets read in a tick."""
MEASUREMENTS = 8
BATCH_S = 1e-4


class SimulatedJoint:
    """Plant, sensor and drive electronics of one joint, as compiled records."""

    def __init__(self, part: Part, angle: float, seed: int) -> None:
        self.part = kernels.as_array([part])[0]
        self.plants = kernels.as_array([tolerance.start_plant(part, angle, 25.0)])
        self.plant = self.plants[0]
        sense = Sense()
        sense.word = seed * 2654435761 % 2**32
        self.sense = kernels.as_array([sense])[0]
        self.run = kernels.as_array([Run()])[0]
        self.substep_s = BATCH_S / tolerance.substeps_for(part, BATCH_S, BATCH_S, 40.0)
        self.value = 0.0
        self.readings = kernels.as_array([Readings()])[0]
        self.twin = kernels.twin()

    def advance(self, span_s: float, driven_s: float) -> None:
        """Move the plant on by ``span_s``; the drive is cut after ``driven_s``."""
        for span, value in ((min(span_s, driven_s), self.value), (span_s - driven_s, 0.0)):
            if span <= 0.0:
                continue
            duty = self.twin.board_drive.drive_duty(
                self.part, self.plant, self.run, value, 0.0, span
            )
            self.move_on(duty, span)

    def move_on(self, duty: float, span: float) -> None:
        """Move the plant on at one duty."""
        count = max(1, round(span / self.substep_s))
        self.twin.plant.run_substeps(self.part, self.plant, duty, count, span / count)

    def read(self, h: float) -> tuple[int, int, float, float]:
        """Counts of the wipers, supply (V), current (A); ``h`` s since the last reading."""
        q = self.plant["joint_rad"]
        first = self.twin.sensor.read(self.part["probe"], self.sense, q, h)
        second = self.twin.sensor.read_second(self.part["probe"], self.sense, q)
        return int(first), int(second), float(self.plant["bus_V"]), float(self.plant["current_A"])

    def inject(self, kind: int, a: float, b: float, c: float) -> bool:
        """What a program's events do (sim/program.py)."""
        if kind == program.CUT:
            self.twin.events.cut(self.part["cable"], int(a))
            return True
        if kind == program.MOVE_BY_HAND:
            self.twin.events.place(self.part, self.plant, float(a))
            return True
        e = kernels.as_array([program.Event()])[0]
        e["kind"], e["a"], e["b"], e["c"] = kind, a, b, c
        return bool(self.twin.events.set_outside(self.plant, self.sense, e))


def interrupts(data: bytes) -> bytes:
    """Raise KeyboardInterrupt at a bare 0x03, as the port of a real board does."""
    if b"\x03" in data:
        raise KeyboardInterrupt
    return data


class FdStream:
    """A stream on file descriptors that never waits (a pty, or standard streams)."""

    def __init__(self, fd_in: int, fd_out: int) -> None:
        self.fd_in, self.fd_out = fd_in, fd_out
        self.rest = b""
        os.set_blocking(fd_in, False)
        os.set_blocking(fd_out, False)

    def read(self, most: int) -> bytes:
        """Return what there is, at most ``most`` octets. Raises EOFError when it is closed."""
        try:
            return interrupts(os.read(self.fd_in, most))
        except BlockingIOError:
            return b""
        except OSError:
            return b""  # nobody has the other end of the pty open

    def write(self, data: bytes) -> bool:
        """Write a frame; False where there is no room, the frame then stays the caller's."""
        if self.rest:
            self._push(self.rest)
            if self.rest:
                return False
        return self._push(data, first=True)

    def _push(self, data: bytes, first: bool = False) -> bool:
        try:
            done = os.write(self.fd_out, data)
        except BlockingIOError:
            done = 0
        except OSError:
            done = len(data)  # nobody listens: gone
        self.rest = data[done:] if done or not first else b""
        return done > 0 or (not first and not self.rest)


class SocketStream:
    """A stream on a listening TCP socket: one host at a time, the newest wins."""

    def __init__(self, port: int = 0) -> None:
        try:
            self.server = socket.create_server(("127.0.0.1", port))
        except (OSError, OverflowError) as error:
            reason = getattr(error, "strerror", None) or "must lie in 0 .. 65535"
            raise InputError("", "--tcp", port, f"cannot be served: {reason}") from None
        self.server.setblocking(False)
        self.port = self.server.getsockname()[1]
        self.host: socket.socket | None = None
        self.rest = b""

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError):
            host, _ = self.server.accept()
            host.setblocking(False)
            host.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self.host is not None:
                self.host.close()
            self.host, self.rest = host, b""

    def read(self, most: int) -> bytes:
        """Return what there is, at most ``most`` octets."""
        self._accept()
        if self.host is None:
            return b""
        try:
            data = self.host.recv(most)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self.host.close()
            self.host = None
        return interrupts(data)

    def write(self, data: bytes) -> bool:
        """Write a frame; False where there is no room, the frame then stays the caller's."""
        if self.host is None:
            return True
        try:
            if self.rest:
                done = self.host.send(self.rest)
                self.rest = self.rest[done:]
                if self.rest:
                    return False
            done = self.host.send(data)
            self.rest = data[done:]
        except BlockingIOError:
            return False
        except OSError:
            return True
        return True


def open_pty() -> tuple[FdStream, str, list[int]]:
    """Open a raw pty; return its stream, the name for the host, descriptors to keep."""
    import pty
    import tty

    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    return FdStream(ours, ours), os.ttyname(theirs), [ours, theirs]


def job_of(joints: "list[Joint]", hidden: list[Part] | None = None, seed: int = 1) -> Job:
    """What a virtual board simulates for these joints of one rate, each at 30 % of its range.

    Raises InputError where there are too many.
    hidden: the parts that are really there, where they differ from the files'.
    """
    from host.building import build_number
    from sim.scenarios import span_of

    if len(joints) > 16:
        raise InputError("", "joints", len(joints), "a board has at most 16")
    spans = [span_of(joint.settings) for joint in joints]
    return Job(
        hidden or [joint.part for joint in joints],
        [low + 0.3 * (high - low) for low, high in spans],
        round(joints[0].settings.tick_s * 1e6), build_number(), seed,
    )  # fmt: skip


def simulated(job: Job) -> list[SimulatedJoint]:
    """The simulated joints of a job."""
    return [SimulatedJoint(part, start, job.seed + k)
            for k, (part, start) in enumerate(zip(job.parts, job.starts_rad, strict=True))]  # fmt: skip


class PatientTiming(Timing):
    """What a tick costs on a computer that does other work too: measured again where it seems too much."""

    def measure(self, node: Node) -> None:
        """Measure, several times where the tick does not fit."""
        for _ in range(MEASUREMENTS):
            super().measure(node)
            if self.fits:
                return
            sleep_us(100_000)


def node_of(joints: list[Any], stream: Any, job: Job) -> Node:
    """The node of a virtual board with these simulated joints."""
    node = Node(StandIn(joints, INBOUND), stream, len(joints), job.tick_us, job.build, 0)
    node.timing = PatientTiming(job.tick_us)
    return node


def make_node(joints: "list[Joint]", stream: Any, seed: int = 1) -> Node:
    """The node of a virtual board with the joints of these files."""
    job = job_of(joints, None, seed)
    return node_of(simulated(job), stream, job)


def wait_for_readable(fd: int, wait_s: float) -> bool:
    """Wait until a descriptor can be read."""
    return bool(select.select([fd], [], [], wait_s)[0])


def packed(record: Any) -> str:
    """A record as packed doubles in hexadecimal: read alike by every runtime."""
    import struct

    from controller.records import TABLE, get, leaves

    numbers: list[float] = []
    for name, field in leaves(type(record)):
        value = get(record, name)
        numbers += list(value) if field.kind == TABLE else [float(value)]
    return struct.pack(f"<{len(numbers)}d", *numbers).hex()


def job_text(job: Job) -> str:
    """A job as text for the MicroPython runtime."""
    lines = [f"{job.tick_us} {job.build}"]
    for k, (part, start) in enumerate(zip(job.parts, job.starts_rad, strict=True)):
        longest = 2.5e-4  # the interpreter is slow: as coarse as the stiffest mode allows
        substep = longest / tolerance.substeps_for(part, longest, longest)
        word = (job.seed + k) * 2654435761 % 2**32
        lines += [packed(part), f"{start!r} {substep!r} {word}"]
    return "\n".join(lines) + "\n"
