"""The rig: everything of one joint that a loop reads and writes, and one row of its trace."""

from controller.joint.settings.settings import Settings
from controller.joint.state import Command, Readings, Report, State
from controller.records import Record, real
from controller.records import part as own
from sim.joint.part import Part, Plant, Sense
from sim.model.schedule import Run, Score


class Rig(Record):
    """One joint in a run: controller, plant, and how the run is carried out and counted."""

    settings = own(Settings)
    state = own(State)
    command = own(Command)
    readings = own(Readings)
    report = own(Report)
    part = own(Part)
    plant = own(Plant)
    sense = own(Sense)
    run = own(Run)
    score = own(Score)


class Row(Record):
    """One row of a trace: what was at the beginning of a tick's plant, after its control tick."""

    time_s = real(0.0, "s")
    setpoint_rad = real(0.0, "rad")
    angle_rad = real(0.0, "rad")
    "As the controller has it."
    joint_rad = real(0.0, "rad")
    "True angle."
    speed_rad_s = real(0.0, "rad/s")
    demand_V = real(0.0, "V")
    allowed_V = real(0.0, "V")
    current_A = real(0.0, "A")
    flexor_N = real(0.0, "N")
    extensor_N = real(0.0, "N")
    tip_N = real(0.0, "N")
    winding_C = real(0.0, "degC")
    bus_V = real(0.0, "V")
    mode = real(0.0)
    fault = real(0.0)
    limits = real(0.0)
    "Bits of what bound."
