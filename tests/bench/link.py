"""The link under load: ``python tests/bench/link.py [--seconds 300] [--frames 1000000]``.

Telemetry of virtual boards (16 joints at 200 Hz; 1 joint at 1 kHz) with setpoints at 100 Hz and
requests meanwhile: rows lost, frames damaged, round trips, jitter. Framing against the cost of a
check sum and three replacements. Corrupted frames: how many are accepted with altered content.
"""

import argparse
import binascii
import os
import random
import struct
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from controller.wire import framing
from controller.wire import messages as m
from host.commands.shared.loading import load
from host.link.moves import sine
from host.link.session import Session
from host.link.setpoint_stream import approach, arm_and_wait, stop_softly, stream

NOMINAL = Path(__file__).resolve().parents[1] / "data" / "nominal.toml"


def joint_at(rate_Hz, folder):
    path = Path(folder) / f"joint-{rate_Hz}.toml"
    text = NOMINAL.read_text(encoding="utf-8")
    path.write_text(text.replace("500 Hz", f"{rate_Hz} Hz"), encoding="utf-8")
    return load(path)


def telemetry(name, joints, every, seconds):
    """Stream to all joints and count every row; ask for values meanwhile."""
    seen, trips = [], []
    with Session(joints) as session:
        session.send_settings()
        bridge = session.bridges[0]
        bridge.on_rows.append(lambda rows: seen.extend((t, rows.joints[0]) for t in rows.ticks))
        arm_and_wait_fields(session, every)
        moves = {k: sine(0.9, 0.3, 0.5, seconds) for k in range(len(joints))}
        approach(session, {k: move.at(0.0)[0] for k, move in moves.items()})
        seen.clear()
        before = (bridge.counters.bad, bridge.counters.dropped)
        going = threading.Event()

        def ask():
            while not going.wait(0.01):
                begun = time.perf_counter()
                bridge.request(m.READ, struct.pack("<BHB", 0, 0, 8))
                trips.append(time.perf_counter() - begun)

        asker = threading.Thread(target=ask)
        asker.start()
        done = stream(session, moves, 100.0)
        going.set()
        asker.join()
        stop_softly(session)
        damaged = bridge.counters.bad - before[0]
        dropped = bridge.counters.dropped - before[1]
        late = bridge.health.get("late", 0)
    lost = 0
    for group in {first for _, first in seen}:
        ticks = np.array([t for t, first in seen if first == group])
        lost += int((np.diff(ticks) > every).sum())
    trips.sort()
    jitter = done.jitter()
    print(
        f"{name}: {seconds:.0f} s, {len(seen)} rows, {lost} gaps (late ticks of this computer among "
        f"them), {dropped} rows dropped, {damaged} frames damaged, {late} late ticks in the last "
        f"half second\n  round trip median {1e3 * trips[len(trips) // 2]:.2f} ms, 99 % "
        f"{1e3 * trips[int(len(trips) * 0.99)]:.2f} ms of {len(trips)}; setpoints late by median "
        f"{1e3 * jitter['median_s']:.2f} ms, 99 % {1e3 * jitter['p99_s']:.2f} ms",
        flush=True,
    )


def arm_and_wait_fields(session, every):
    """Arm with the mode in the telemetry, then ask for the rows that are counted."""
    session.telemetry(["mode"], 10, 2)
    arm_and_wait(session)
    session.telemetry(["angle_rad", "setpoint_rad", "allowed_V"], every, 8)


def speed_of(function, *arguments):
    """Least time (s) of one call in several batches."""
    best = float("inf")
    for _ in range(7):
        begun = time.perf_counter()
        for _ in range(2000):
            function(*arguments)
        best = min(best, (time.perf_counter() - begun) / 2000)
    return best


def yardstick(payload):
    binascii.crc32(payload)
    payload.replace(b"a", b"bb").replace(b"c", b"dd").replace(b"e", b"ff")


def framing_cost():
    for size in (16, 64, 200):
        payload = bytes(random.Random(size).randrange(256) for _ in range(size))
        frame = framing.encode(payload)
        reader = framing.Reader()
        base = speed_of(yardstick, payload)
        encode, decode = speed_of(framing.encode, payload), speed_of(framing.decode, frame[:-1])
        read = speed_of(reader.feed, frame)
        print(f"framing, {size:3d} octets: encode {encode / base:.2f} x, decode {decode / base:.2f} x "
              f"a CRC and three replacements; {1 / (encode + read):,.0f} frames/s encoded and taken "
              "from a stream")  # fmt: skip


def corrupt(rng, frame, other):
    """One of: flips, insertion, deletion, truncation, splice."""
    kind = rng.randrange(5)
    at = rng.randrange(1, len(frame))
    if kind == 0:
        made = bytearray(frame)
        for _ in range(rng.randrange(1, 5)):
            made[rng.randrange(len(made))] ^= 1 << rng.randrange(8)
        return bytes(made)
    if kind == 1:
        return (
            frame[:at] + bytes(rng.randrange(256) for _ in range(rng.randrange(1, 4))) + frame[at:]
        )
    if kind == 2:
        return frame[:at] + frame[at + rng.randrange(1, 4) :]
    if kind == 3:
        return frame[:at]
    return frame[:at] + other[rng.randrange(1, len(other)) :]


def corrupted(count):
    rng = random.Random(1)
    reader = framing.Reader()
    altered = lost = 0
    last = framing.encode(b"\x01\x00start")
    begun = time.perf_counter()
    for _ in range(count):
        payload = os.urandom(rng.randrange(2, 60))
        frame = framing.encode(payload)
        got = reader.feed(corrupt(rng, frame, last) + b"\x7e")
        altered += sum(one != payload and one not in (last_payload(last),) for one in got)
        good = framing.encode(b"\x01\x02in step")
        if b"\x01\x02in step" not in reader.feed(good):
            lost += 1
        last = frame
    print(f"{count} corrupted frames in {time.perf_counter() - begun:.0f} s: {altered} accepted with "
          f"altered content, out of step at the next good frame {lost} times")  # fmt: skip


def last_payload(frame):
    return next(iter(framing.Reader().feed(frame)), None)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--frames", type=int, default=1_000_000)
    wish = parser.parse_args()
    framing_cost()
    corrupted(wish.frames)
    with tempfile.TemporaryDirectory() as folder:
        telemetry("16 joints x 200 Hz", [joint_at(200, folder)] * 16, 1, wish.seconds)
        telemetry("1 joint x 1 kHz", [joint_at(1000, folder)], 1, wish.seconds)


if __name__ == "__main__":
    main()
