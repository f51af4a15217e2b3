"""The same scripts on CPython and on the real MicroPython interpreter."""

import hashlib
import os
import shutil
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from controller.joint.settings.settings import Settings
from controller.records import TABLE, get, leaves
from sim.model import schedule as events_of
from sim.model import sensor
from sim.model.rig import Rig, Row
from sim.model.schedule import Event, Run
from sim.run import kernels
from sim.run.closed_loop import load_joint

ROOT = Path(__file__).resolve().parents[2]
MICROPYTHON = shutil.which(
    "micropython", path=f"{Path(sys.executable).parent}:{os.environ['PATH']}"
)

needs_micropython = pytest.mark.skipif(
    MICROPYTHON is None, reason="no MicroPython interpreter on this machine (wheels: x86-64 Linux)"
)


def packed(record):
    """A record as packed doubles in hexadecimal."""
    numbers = []
    for name, field in leaves(type(record)):
        value = get(record, name)
        numbers += list(value) if field.kind == TABLE else [float(value)]
    return struct.pack(f"<{len(numbers)}d", *numbers).hex()


def event(tick, kind, a=0.0, b=0.0, c=0.0):
    made = Event()
    made.tick, made.kind, made.a, made.b, made.c = tick, kind, a, b, c
    return made


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    """Settings, part and a program of 5,000 ticks that uses most of the tick."""
    joint = load_joint(ROOT / "tests" / "data" / "nominal.toml")
    settings = joint.settings
    settings.stopping.check_V = 0.0
    settings.profile.plan_ticks = 3
    events = [event(5, events_of.REQUEST, 1.0), event(50, events_of.TARGET, 1.4)]
    events += [event(70, events_of.TARGET, 0.2), event(400, events_of.TARGET, 1.0)]
    events += [event(700 + 10 * k, events_of.STREAM, 1.0 + 0.01 * k, 0.5, 0.02) for k in range(30)]
    events += [event(1300, events_of.LOAD, 0.02), event(1500, events_of.LATE, 3.0)]
    events += [event(1800, events_of.LOAD, 0.0), event(2000, events_of.DROP, 0.6)]
    events += [event(2500, events_of.OBJECT, 1.42, 8.0, 0.0), event(2600, events_of.GRIP, 1.6)]
    events += [event(3500, events_of.NO_OBJECT), event(3600, events_of.TARGET, 0.5)]
    events += [event(4500, events_of.SENSOR, float(sensor.OPEN))]
    run = Run()
    run.ticks, run.substeps, run.delay = 5000, 20, 20
    path = tmp_path_factory.mktemp("both") / "job.txt"
    lines = [packed(settings), packed(joint.part), packed(run), *[packed(one) for one in events]]
    path.write_text("\n".join(lines))
    return path, settings, joint.part, run, events


def run_script(program, script, *arguments, heap="64m"):
    command = [program, str(ROOT / "tests" / "both" / script), *map(str, arguments)]
    if program == MICROPYTHON:
        command[1:1] = ["-X", f"heapsize={heap}"]
    done = subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False,
        env={**os.environ, "MICROPYPATH": str(ROOT), "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


@pytest.fixture(scope="module")
def on_cpython(job):
    return run_script(sys.executable, "closed_loop_trace.py", job[0])


@needs_micropython
def test_closed_loop_has_the_same_bits_on_micropython(job, on_cpython):
    assert on_cpython.count("\n") == 10
    assert run_script(MICROPYTHON, "closed_loop_trace.py", job[0]) == on_cpython


def test_closed_loop_has_the_same_bits_compiled(job, on_cpython):
    _, settings, part, run, events = job
    twin = kernels.twin()
    from sim.model.events import place

    rig = Rig()
    rig.settings, rig.part, rig.run = settings, part, run
    place(part, rig.plant, 0.3)
    rig.plant.bus_V = rig.readings.supply_V = part.supply_V
    own = kernels.as_array([rig])[0]
    schedule, nothing = kernels.as_array(events), kernels.repeated(Row(), 1)
    state, report, plant = own["state"], own["report"], own["plant"]
    lines, digest = [], hashlib.sha256()
    for tick in range(run.ticks):
        if twin.loop.begin_tick(own, schedule, tick) > 0:
            twin.loop.control(own)
        twin.loop.end_tick(own, nothing, tick)
        numbers = [report[key] for key in ("angle_rad", "speed_rad_s", "setpoint_rad", "demand_V")]
        numbers += [report["allowed_V"], state["loop"]["integral_V"], plant["joint_rad"]]
        numbers += [plant["drum_rad"], plant["winding_C"]]
        digest.update(struct.pack("<9d", *numbers))
        if tick % 500 == 499:
            mark = digest.digest()
            lines.append(f"{tick + 1} {report['mode']} {report['fault']} {mark.hex()}")
            digest = hashlib.sha256(mark)
    assert lines == on_cpython.split("\n")[:-1]


def test_the_program_uses_what_it_should(on_cpython):
    """Guard of the guard: powered most of the time, and tripped by the torn wire at the end."""
    modes = [line.split()[1] for line in on_cpython.split("\n")[:-1]]
    assert modes == ["2"] * 9 + ["4"]


@needs_micropython
def test_control_layer_keeps_its_budget_of_memory():
    """Bytes on the 64-bit interpreter; a 32-bit board takes about half of them.

    Measured in November 2026: 91.4 kB after import, 18.4 kB a joint, 4.6 kB a
    tick; the budgets leave a tenth.
    """
    text = run_script(MICROPYTHON, "heap_budget.py", heap="240k")
    found = {line.split()[0]: int(line.split()[1]) for line in text.strip().split("\n")}
    assert found["mode"] == 2
    assert 0 < found["imported_bytes"] <= 97_000
    assert 0 < found["joint_bytes"] <= 20_000
    assert 0 < found["tick_bytes"] <= 4_900


@needs_micropython
def test_records_of_micropython_are_those_of_cpython(tmp_path):
    script = tmp_path / "defaults.py"
    script.write_text(
        "import sys\nsys.path.insert(0, sys.argv[1])\n"
        "from controller.records import get, leaves\nfrom controller.joint.settings.settings import Settings\n"
        "from controller.joint.state import State\n"
        "for made in (Settings(), State()):\n"
        "    for name, field in leaves(type(made)):\n"
        "        print(name, field.kind, field.unit, get(made, name))\n"
    )
    texts = [run_script(one, script, ROOT) for one in (sys.executable, MICROPYTHON)]
    assert texts[0] == texts[1]
    assert texts[0].count("\n") > len(leaves(Settings))
