"""What a schedule's events do to plant, sensor, command, link and clock."""

from sim.model import schedule, scoring

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.state import Command
    from sim.joint.part import Cable, Part, Plant, Sense
    from sim.model.schedule import Event, Run, Score


def set_outside(x: "Plant", s: "Sense", e: "Event") -> bool:
    """Apply an event that acts on plant or sensor; tell whether it was one."""
    kind = e.kind
    if kind == schedule.LOAD:
        x.load_Nm = e.a
    elif kind == schedule.OBJECT:
        x.object_rad = e.a
        x.object_Nm_rad = e.b
        x.object_Nms = e.c
    elif kind == schedule.NO_OBJECT:
        x.object_rad = 1.0e9
    elif kind == schedule.DROP:
        x.supply_drop_V = e.a
    elif kind == schedule.OTHERS:
        x.others_A = e.a
    elif kind == schedule.SENSOR:
        s.fault = int(e.a)
        s.wander = 0.0
    elif kind == schedule.MOTOR_OPEN:
        x.motor_open = int(e.a)
    elif kind == schedule.WIRED_WRONG:
        x.wired_wrong = int(e.a)
    else:
        return False
    return True


def cut(c: "Cable", which: int) -> None:
    """Cut a cable: 0 the flexor, 1 the extensor."""
    if which == 0:
        c.flexor_N_m = 0.0
    else:
        c.extensor_N_m = 0.0


def place(p: "Part", x: "Plant", angle: float) -> None:
    """Put the joint at rest at ``angle`` (rad), the drum where it then stands."""
    c = p.cable
    path = c.joint_m * angle * (1.0 + 0.5 * c.arm_1 * angle + c.arm_2 * angle * angle / 3.0)
    x.joint_rad = angle
    x.joint_rad_s = 0.0
    x.drum_rad = path / c.drum_m
    x.drum_rad_s = 0.0


def set_command(command: "Command", run: "Run", e: "Event") -> None:
    """Apply an event that acts on command, link or clock."""
    kind = e.kind
    command.grip = 0
    if kind == schedule.REQUEST:
        command.request = int(e.a)
    elif kind == schedule.LATE:
        run.missed = int(e.a)
    elif kind == schedule.SILENT:
        run.silent = int(e.a)
    elif kind == schedule.HOLD:
        command.kind = 3
    else:
        command.kind = 2 if kind == schedule.STREAM else 1
        command.grip = 1 if kind == schedule.GRIP else 0
        command.target_rad = e.a
        command.target_rad_s = 0.0
        command.way = 0
        if kind == schedule.STREAM:
            command.target_rad_s = e.b
            command.span_s = e.c
        elif kind == schedule.TURN_TARGET:
            command.way = 1
            command.turn = int(e.b)


def apply_event(
    p: "Part", x: "Plant", s: "Sense", command: "Command", run: "Run", score: "Score", e: "Event"
) -> None:
    """Apply one event at the beginning of its tick."""
    if set_outside(x, s, e):
        return
    kind = e.kind
    if kind == schedule.CUT:
        cut(p.cable, int(e.a))
    elif kind == schedule.PLACE:
        place(p, x, e.a)
    elif kind == schedule.MEASURE:
        scoring.start_score(score, x.joint_rad, e)
    elif kind == schedule.TAIL:
        score.tail = 1
        score.tail_low_rad = x.joint_rad
        score.tail_high_rad = x.joint_rad
    else:
        set_command(command, run, e)
