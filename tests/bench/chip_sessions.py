"""A board under load on an emulated RP2040: ``python -m tests.bench.chip_sessions [--seconds N]`` (default 120).

The released firmware, by the chip's own clock (needs what tests/chip needs). For 1, 2 and 4 joints: beats, streamed
setpoints every 20 ms, a row of telemetry every tick, moves of all joints and arming in between. Told: ticks missed,
the worst lateness, what the interrupt takes, rows lost, time to ARM, time from STOP to a drive of zero, live heap.
"""

import json
import struct
import sys
import tempfile
from pathlib import Path

from controller.node import cells
from controller.wire import messages as m
from host.link.deployment import stage_files
from host.link.wiring import Wiring
from sim.translate import image
from tests.chip import board as chip
from tests.chip import test_sessions as sessions

RATES = {1: 1000, 2: 1000, 4: 2000}
HEAP = 245_888
"""Octets of the firmware's heap (``gc.mem_free() + gc.mem_alloc()``)."""
STOPS = 10


def flash(folder, joints, tick_us):
    """A deployed board."""
    folder.mkdir()
    wiring = Wiring(folder / "board.json", chip.wiring(joints, tick_us))
    names = stage_files(wiring, folder, False, image.CHIPS[0])
    return chip.written(
        folder / "flash.img", [(name, (folder / name).read_bytes()) for name in names]
    )


def stream(one, joints, seconds):
    """Setpoints of all joints every 20 ms, to and fro."""
    end, k = one.us + seconds * 1e6, 0
    mask = (1 << joints) - 1
    while one.us < end:
        k += 1
        share = 20000 + 250 * (k % 100 if k // 100 % 2 == 0 else 100 - k % 100)
        body = struct.pack("<HB", mask, 20) + struct.pack("<Hh", share, 0) * joints
        one.send(m.SETPOINTS, body)
        one.run(20_000)


def measured(joints, seconds, place):
    """Figures of a board with so many joints."""
    tick_us = sessions.TICKS[joints] = RATES[joints]
    one = chip.Board(flash(place / str(joints), joints, tick_us))
    try:
        one.boot()
        armed, stopped = [sessions.powered(one, joints)], []
        digest = one.digest
        for k in range(STOPS):
            for joint in range(joints):
                one.ask(m.TARGET, "<BBfh", joint, 0, 2.0 if k % 2 else 1.2, 0)
            stream(one, joints, seconds / STOPS)
            one.run(k * 1700)  # stops come at other instants of a tick and of the program
            one.send(m.STOP, struct.pack("<HB", 0xFFFF, 0))
            stopped.append(one.until_off(joints))
            one.run(50_000)
            one.ask(m.CLEAR, "<H", (1 << joints) - 1)
            one.run(20_000)
            begun = one.us
            assert one.ask(m.ARM, "<HI", (1 << joints) - 1, digest) == m.DONE
            armed.append(one.us - begun)
            one.run(20_000)
        head = dict(zip(cells.HEAD, sessions.memory(one, joints), strict=True))
        health = [m.parse(payload) for payload in one.of_kind(m.HEALTH)]
        told = {m.parse(payload)[2] for payload in one.of_kind(m.FAULT)}
        rows = len(sessions.rows(one, joints))
        return {
            "tick_Hz": 1e6 / tick_us, "ticks": head["turns"], "missed": head["late"], "most_late_us": head["most_late_us"],
            "interrupt_mean_us": sum(one[0] for one in health) / len(health), "interrupt_most_us": max(one[1] for one in health),
            "rows": rows, "rows_dropped": head["dropped"], "faults": sorted(told),
            "arm_most_us": max(armed), "stop_most_us": max(stopped), "stop_median_us": sorted(stopped)[len(stopped) // 2],
            "live_heap_without_image": HEAP - health[-1][5] - len(image.kept(image.CHIPS[0])),
        }  # fmt: skip
    finally:
        one.close()


def main():
    """Measure and print as JSON."""
    seconds = float(sys.argv[sys.argv.index("--seconds") + 1]) if "--seconds" in sys.argv else 120.0
    with tempfile.TemporaryDirectory() as name:
        for joints in RATES:
            print(json.dumps({joints: measured(joints, seconds, Path(name))}, indent=2), flush=True)


if __name__ == "__main__":
    main()
