"""Bytes of the control layer on MicroPython: after import, per joint, per tick.

Run under ``micropython -X heapsize=240k``; prints numbers for the test.
"""

import gc
import time

gc.collect()
before = gc.mem_alloc()
from controller.joint.tick import joint_tick  # noqa: E402

gc.collect()  # what compiling leaves behind is in pieces: the next module needs room in one
from controller.joint.settings.settings import Settings  # noqa: E402
from controller.joint.state import Command, Readings, Report, State  # noqa: E402

gc.collect()
imported = gc.mem_alloc()
settings = Settings()
state, command, readings, report = State(), Command(), Readings(), Report()
gc.collect()
made = gc.mem_alloc()

settings.stopping.check_V = 0.0
settings.watch.link_silence_s = 0.0
settings.gains.ki = 100.0
settings.gains.rest_in_rad = 0.005
settings.gains.rest_out_rad = 0.008
readings.counts = 1000
joint_tick(settings, state, command, readings, report)
command.request = 1
joint_tick(settings, state, command, readings, report)
command.kind = 1
command.target_rad = 1.5
joint_tick(settings, state, command, readings, report)

gc.collect()
gc.disable()
ticks = 8
first = gc.mem_alloc()
start = time.ticks_us()
for k in range(ticks):
    readings.counts = 1000 + k
    joint_tick(settings, state, command, readings, report)
spent = time.ticks_diff(time.ticks_us(), start)
used = gc.mem_alloc() - first
gc.enable()
print("imported_bytes", imported - before)
print("joint_bytes", made - imported)
print("tick_bytes", used // ticks)
print("tick_us", spent // ticks)
print("mode", report.mode)
