"""Starter files: what `jointloop new --kind` writes, each made of the demo's own commented files."""

from importlib.resources import files

REPLACED: dict[str, tuple[tuple[str, str], ...]] = {
    "finger": (),
    "wrist": (
        ('name = "index middle hinge, workshop hand"', 'name = "wrist, workshop hand"'),
        ('travel = "limited"                  # or "continuous": turns without end', 'travel = "continuous"               # turns without end; "limited" has a range'),
        ('range = ["0 deg", "100 deg"]        # what may be commanded\n', ""),
        ('# stops = ["-5 deg", "105 deg"]     # hard stops; left out, 5 deg beyond the range\n', ""),
        ('gravity_torque = "1.2 mN*m"         # where it is greatest', 'gravity_torque = "0 N*m"            # about a vertical axis'),
        ('joint_radius = "6 mm"', 'joint_radius = "12 mm"              # a cable that runs round and round: see the README of sim'),
        ('dead_gap_at = "250 deg"             # joint angle at the middle of its dead gap', 'dead_gap_at = "250 deg"             # there it is blind, unless a second wiper sees it\nwipers = 1                          # or 2'),
        ('breaking_strength = "180 N"', 'breaking_strength = "300 N"'),
    ),
    "spring_return": (
        ('name = "index middle hinge, workshop hand"', 'name = "index middle hinge with a spring, workshop hand"'),
        ('kind = "pair"                       # or "spring_return", "direct"', 'kind = "spring_return"              # one cable closes, a spring opens\nspring_stiffness = "100 N/m"        # of the spring, seen along its cable'),
        ('pretension = "5 N"', 'pretension = "3 N"'),
    ),
    "direct": (
        ('name = "index middle hinge, workshop hand"', 'name = "hinge on the motor itself, workshop hand"'),
        ('kind = "pair"                       # or "spring_return", "direct"', 'kind = "direct"                     # no cable: the motor\'s output is the hinge'),
    ),
    "pulse": (
        ('name = "index middle hinge, workshop hand"', 'name = "index middle hinge by pulses, workshop hand"'),
        ('kind = "bridge"                     # or "pulse" (the motor\'s own amplifier), "builtin" (simulation only)', 'kind = "pulse"                      # the motor\'s own amplifier; its potentiometer\'s place is taken by two resistors\namplifier = "proportional"          # or "stretching": how it uses the error'),
    ),
}  # fmt: skip
"""Lines of the demo's joint file that another kind has otherwise."""
SCENARIO = """[scenario]
name = "a torn wire in a move"
start = "20 deg"
duration = "1.5 s"

[[step]]
at = "0.12 s"                       # from the start; the joint is armed at 0.01 s
do = "move"                         # or grip, stream, hold, object, no_object, others, request, inject, mend
angle = "60 deg"

[[step]]
at = "0.2 s"
do = "inject"                       # something goes wrong; "mend" undoes it
fault = "wiper torn off"
"""
WINCH = """# A geared motor that lifts a weight by a string (invented): to be held against a log of one,
# `jointloop simulate winch.toml --drive log.csv`. The string winds onto a drum, runs over a pulley with
# the potentiometer, and the weight hangs from that: a pull that is always the same, like a very soft spring.

[joint]
name = "weight on a string"
range = ["0 deg", "260 deg"]        # of the pulley
tip_distance = "10 mm"              # the pulley's radius: force at its rim
inertia = "2e-5 kg*m^2"             # m r^2 of the weight, 200 g at 10 mm

[motor]                             # datasheet values, or constants: `jointloop identify LOG --into winch.toml`
voltage = "4.8 V"
stall_torque = "1.9 kgf*cm"
stall_current = "0.70 A"
no_load_speed = "600 deg/s"
no_load_current = "0.10 A"
gear_ratio = 250
rotor_inertia = "1e-8 kg*m^2"

[cable]
kind = "spring_return"
drum_radius = "10 mm"
joint_radius = "10 mm"
stiffness = "20 kN/m"
breaking_strength = "400 N"
guide_wrap = "0 deg"
pretension = "1.96 N"               # the weight, m g
spring_stiffness = "1 N/m"          # hardly grows as it is lifted

[sensor]
electrical_angle = "340 deg"
pull_down = "470 kohm"

[limits]
tip_force = "5 N"
"""
BOARD = """{
  "tick_us": 2000,
  "nominal_V": 5.0,
  "joints": [
    {"name": "index middle hinge", "wiper": 26, "out": [2, 3], "oversampling": 4}
  ]
}
"""
KINDS = (*REPLACED, "winch", "hand", "board", "scenario")


def starter(kind: str = "finger") -> str:
    """The text of a starter file of one of ``KINDS``, without a schema."""
    if kind == "scenario":
        return SCENARIO
    if kind == "board":
        return BOARD
    if kind == "winch":
        return WINCH
    demo = files("host") / "demo"
    if kind == "hand":
        return (demo / "hand.toml").read_text(encoding="utf-8")
    text = (demo / "joint.toml").read_text(encoding="utf-8")
    for old, new in REPLACED[kind]:
        if text.count(old) != 1:
            raise ValueError(f"the demo's joint file has no line {old!r} any more")
        text = text.replace(old, new)
    return text
