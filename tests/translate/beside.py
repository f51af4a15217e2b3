"""The C tick beside CPython's in single precision, and the traces that a chip repeats. Not a test."""

import struct
from binascii import crc32

import numpy as np

from controller.joint.settings.settings import Settings
from controller.joint.state import Command, Readings, Report, State
from controller.records import INTEGER, PART, fields
from sim.model import schedule, sensor
from sim.run import single_precision, translated_loop
from sim.run.closed_loop import simulate
from sim.run.scenarios import Scenario
from sim.translate import library

RECORDS = (Settings, State, Command, Readings, Report)
TICKS = 5000
KINDS = {
    "bridge": {},
    "pulse": {"drive.kind": "pulse", "control.plan_ticks": 5},
    "turning, two wipers": {"joint.travel": "continuous", "joint.range": None, "sensor.wipers": 2},
    "turning, one wiper": {"joint.travel": "continuous", "joint.range": None},
    "current measured, slow": {"drive.current_sensor": True, "limits.speed": "2 rad/s"},
    "spring return": {"cable.kind": "spring_return", "cable.spring_stiffness": "100 N/m", "cable.pretension": "3 N"},
}  # fmt: skip


def differing(of, record, row, prefix=""):
    """Names of the fields that are not equal to the bit."""
    for name, field in fields(of):
        value = getattr(record, name)
        if field.kind == PART:
            yield from differing(field.of, value, row[name], f"{prefix}{name}.")
        else:
            kind = np.int32 if field.kind == INTEGER else np.float32
            if np.array(value, kind).tobytes() != np.array(row[name], kind).tobytes():
                yield f"{prefix}{name}: {value} and {row[name]}"


class Beside:
    """Runs the C tick beside the Python one, and holds every record against the other's."""

    def __init__(self, monkeypatch):
        self.module, self.library = single_precision._controller(), library.tick_library()
        self.tick = self.module.joint_tick
        self.rows = [np.zeros((), library.dtype_of(of)) for of in RECORDS]
        self.ticks, self.wrong, self.faults, self.modes = 0, [], set(), set()
        self.least = np.inf
        monkeypatch.setattr(self.module, "joint_tick", self)

    def __call__(self, *records):
        for k in (0, 2, 3) if self.ticks else range(5):  # what the tick is given
            translated_loop.fill(RECORDS[k], records[k], self.rows[k])
        out = self.tick(*records)
        own = self.library.tick(*(row.ctypes.data for row in self.rows))
        if not self.wrong:
            if np.float32(out).tobytes() != np.float32(own).tobytes():
                self.wrong.append(f"output: {out} and {own}")
            for of, record, row in zip(RECORDS, records, self.rows, strict=True):
                self.wrong += differing(of, record, row)
            if self.wrong:
                self.wrong.insert(0, f"tick {self.ticks}")
        self.ticks += 1
        self.faults.add(int(records[4].fault))
        self.modes.add(int(records[4].mode))
        speed = abs(float(records[1].sensed.speed_rad_s))
        if speed > 0.0:
            self.least = min(self.least, speed)
        return out


def lively(joint):
    """Moves, streams, a grip, loads, late ticks and faults one after the other, then rest: 5,000 ticks."""
    tick_s = joint.settings.tick_s
    whole = TICKS * tick_s
    scene = Scenario("lively", 0.5, whole, object_Nm_rad=20.0, self_test=True)
    at = [
        share * whole
        for share in (0.1, 0.16, 0.2, 0.26, 0.32, 0.4, 0.46, 0.5, 0.55, 0.6, 0.7, 0.75, 0.8, 0.9)
    ]
    scene.at(at[0], schedule.TARGET, 1.3).at(at[1], schedule.LOAD, 0.01).at(
        at[2], schedule.TARGET, 0.3
    )
    for k in range(20):
        scene.at(at[3] + 0.02 * k, schedule.STREAM, 0.3 + 0.02 * k, 1.0, 0.02)
    scene.at(at[4], schedule.HOLD).at(at[4], schedule.LATE, 3.0).at(at[4] + 0.1, schedule.LOAD, 0.0)
    scene.at(at[5], schedule.OBJECT, 0.9, 20.0, 0.01).at(at[5], schedule.GRIP, 1.4)
    scene.at(at[6], schedule.NO_OBJECT).at(at[6], schedule.TARGET, 0.6)
    scene.at(at[7], schedule.REQUEST, 5.0)  # release
    scene.at(at[8], schedule.REQUEST, 4.0).at(at[8] + 0.02, schedule.REQUEST, 1.0)
    scene.at(at[10], schedule.TARGET, 1.1).at(at[10] + 0.1, schedule.SENSOR, float(sensor.OPEN))
    scene.at(at[11], schedule.SENSOR, float(sensor.SOUND)).at(at[11] + 0.1, schedule.REQUEST, 4.0)
    scene.at(at[11] + 0.15, schedule.REQUEST, 1.0).at(at[12], schedule.TARGET, 0.8)
    return scene.at(at[13], schedule.REQUEST, 2.0)


def resting(joint):
    """Pushed, let go, then a held sensor: its filtered speed decays to nothing."""
    scene = Scenario("rest", 0.5, TICKS * joint.settings.tick_s)
    scene.at(0.02, schedule.LOAD, 0.2).at(0.2, schedule.LOAD, 0.0)
    return scene.at(0.25, schedule.SENSOR, float(sensor.HELD))


class Traced(Beside):
    """Keeps what a tick was given and a check sum of what it has left, tick by tick."""

    def __init__(self, monkeypatch):
        super().__init__(monkeypatch)
        self.parts = []

    def __call__(self, *records):
        translated_loop.fill(RECORDS[2], records[2], self.rows[2])
        before = self.rows[2].tobytes()
        if not self.ticks:
            for of, record, row in zip(RECORDS, records, self.rows, strict=True):
                translated_loop.fill(of, record, row)
            data = [row.tobytes() for row in self.rows]
            self.parts.append(struct.pack("<5I", *map(len, data)) + b"".join(data))
        out = super().__call__(*records)
        given = before if before != getattr(self, "last", b"") else b""
        left = crc32(b"".join(self.rows[k].tobytes() for k in (1, 2, 4)), 0)
        self.parts.append(
            bytes((bool(given),)) + given + self.rows[3].tobytes() + struct.pack("<fI", out, left)
        )
        self.last = self.rows[2].tobytes()
        return out


def trace(joint, scene, monkeypatch):
    """A run as a chip repeats it: sizes, first records, then a row a tick."""
    traced = Traced(monkeypatch)
    simulate(joint, scene, runtime="single_python")
    assert traced.wrong == []
    return struct.pack("<I", traced.ticks) + b"".join(traced.parts)
