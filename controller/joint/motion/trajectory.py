"""Stage 4: target or stream to the setpoint of this tick.

Four sources: hold (stand still), move (a planned jerk-limited profile, see
``profile.py``), stream (setpoints sent by the host) and stop. A new target may
come at any tick. Planning is spread over ``plan_ticks`` ticks; the profile in
progress goes on meanwhile and the new one takes over at a known tick, from the
state that the old one will then have. A target that comes during planning
waits for its end.

Streaming: a sample (position, speed, time to the next) is reached one period
after it came, on a cubic (Hermite) from where the setpoint now is, so position
and speed never jump. A missing sample is carried on at its speed for at most
``stream_hold_s``, then the joint is stopped by a profile. Where that stop would
end beyond the range of commands, it becomes a move to the end of the range. A
sample further away than speed and time allow (frames were lost) is approached by
a planned move until samples are near again.
"""

from controller.joint.angles import TURN_RAD
from controller.joint.motion import profile, segments
from controller.joint.motion.setpoint import HOLD_HERE, STREAMED, TO_TARGET, acceptable, goal_turn
from controller.joint.motion.speed_change import stop_distance
from controller.joint.settings.settings import LIMITED
from controller.portable import const

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.settings import Settings
    from controller.joint.state import Command, Motion, Plan, Sensed

HOLD = const(0)
MOVE = const(1)
STREAM = const(2)
STOP = const(3)

STREAM_SLACK_RAD = const(0.1)
"A streamed sample may be off by this much beyond twice what speed and time allow."


def reset(motion: "Motion", angle: float) -> None:
    """Stand at ``angle`` (rad) with nothing planned."""
    motion.setpoint_rad = angle
    motion.setpoint_rad_s = 0.0
    motion.setpoint_rad_s2 = 0.0
    motion.source = HOLD
    motion.segment = segments.SEGMENTS
    motion.planning = 0
    motion.waiting = 0
    motion.target_rad = angle


def take(settings: "Settings", motion: "Motion", sensed: "Sensed", command: "Command") -> None:
    """Take a new setpoint from ``command``, or refuse it whole.

    Writes ``command.refused`` (1 refused) and clears ``command.kind``.
    """
    kind = command.kind
    command.refused = 0
    if kind == 0:
        return
    if kind == HOLD_HERE:
        hold_here(motion)
    elif (kind != TO_TARGET and kind != STREAMED) or not acceptable(settings, command):
        command.refused = 1
    elif kind == TO_TARGET:
        turn = goal_turn(settings, motion, sensed, command)
        wait_for_planning(motion, command.target_rad, turn)
    else:
        turn = goal_turn(settings, motion, sensed, command)
        offset = (turn - sensed.base_turn) * TURN_RAD
        reach = 2.0 * settings.limits.speed_rad_s * command.span_s + STREAM_SLACK_RAD
        if -reach <= command.target_rad + offset - motion.setpoint_rad <= reach:
            start_stream(motion, command, offset)
        else:
            wait_for_planning(motion, command.target_rad, turn)
    command.kind = 0


def wait_for_planning(motion: "Motion", angle: float, turn: int) -> None:
    """Note a target that will be planned as soon as the plan in hand is done."""
    motion.next_rad = angle
    motion.next_turn = turn
    motion.waiting = 1


def hold_here(motion: "Motion") -> None:
    """Stop by the quickest profile and hold there; twice asked is once done."""
    motion.waiting = 0
    motion.planning = 0
    if motion.source != STOP and motion.source != HOLD:
        motion.source = STOP
        motion.segment = -1


def start_stream(motion: "Motion", command: "Command", offset: float) -> None:
    """Begin the cubic from the present setpoint to a streamed sample."""
    motion.source = STREAM
    motion.waiting = 0
    motion.planning = 0
    motion.from_rad = motion.setpoint_rad
    motion.from_rad_s = motion.setpoint_rad_s
    motion.to_rad = command.target_rad + offset
    motion.to_rad_s = command.target_rad_s
    motion.span_s = command.span_s
    motion.stream_s = 0.0


def follow_stream(motion: "Motion", hold_s: float, h: float) -> None:
    """Advance a streamed setpoint by ``h`` seconds; after ``hold_s`` of silence, stop."""
    t = motion.stream_s + h
    motion.stream_s = t
    span = motion.span_s
    if t >= span:
        over = t - span
        motion.setpoint_rad = motion.to_rad + motion.to_rad_s * over
        motion.setpoint_rad_s = motion.to_rad_s
        motion.setpoint_rad_s2 = 0.0
        if over > hold_s:
            hold_here(motion)
        return
    u = t / span
    rise = motion.to_rad - motion.from_rad
    p1 = motion.from_rad_s * span
    c2 = 3.0 * rise - 2.0 * p1 - motion.to_rad_s * span
    c3 = p1 + motion.to_rad_s * span - 2.0 * rise
    motion.setpoint_rad = motion.from_rad + u * (p1 + u * (c2 + u * c3))
    motion.setpoint_rad_s = (p1 + u * (2.0 * c2 + u * 3.0 * c3)) / span
    motion.setpoint_rad_s2 = (2.0 * c2 + u * 6.0 * c3) / (span * span)


def begin_stop(settings: "Settings", plan: "Plan", motion: "Motion", within: int) -> None:
    """Plan the quickest stop; ``within`` 1: nowhere beyond the range of commands."""
    end = motion.setpoint_rad + stop_distance(plan, motion.setpoint_rad_s, motion.setpoint_rad_s2)
    low = settings.limits.command_low_rad
    high = settings.limits.command_high_rad
    if within == 0 or settings.sensor.travel != LIMITED or low <= end <= high:
        profile.stop(plan, motion)
        return
    segments.coast(motion)
    motion.source = MOVE
    wait_for_planning(motion, high if end > high else low, 0)


def start_planning(ticks: int, plan: "Plan", motion: "Motion", base_turn: int, h: float) -> None:
    """Begin to plan, over so many ticks, towards the waiting target.

    The plan starts from where the running profile will be when planning ends.
    """
    motion.target_rad = motion.next_rad
    motion.target_turn = motion.next_turn
    motion.waiting = 0
    motion.planning = ticks
    if motion.source == STREAM:
        segments.coast(motion)
    motion.source = MOVE
    p = motion.setpoint_rad
    v = motion.setpoint_rad_s
    a = motion.setpoint_rad_s2
    segment = motion.segment
    left = motion.segment_left_s
    if ticks > 1:
        segments.advance(motion, h * (ticks - 1))
    motion.from_rad = motion.setpoint_rad
    motion.from_rad_s = motion.setpoint_rad_s
    motion.to_rad_s = motion.setpoint_rad_s2
    motion.setpoint_rad = p
    motion.setpoint_rad_s = v
    motion.setpoint_rad_s2 = a
    motion.segment = segment
    motion.segment_left_s = left
    goal = motion.target_rad + (motion.target_turn - base_turn) * TURN_RAD
    motion.to_rad = goal
    profile.begin(plan, motion.from_rad, motion.from_rad_s, motion.to_rad_s, goal)


def go_on_planning(ticks: int, plan: "Plan", motion: "Motion") -> None:
    """Do this tick's share of the parts; start the move at the end.

    Begin and end cost as much as a part: with more than two ticks they have one to themselves.
    """
    done = ticks - motion.planning
    inner = ticks
    if ticks > 2:
        inner = ticks - 2
        done -= 1
    if 0 <= done < inner:
        for part in range(profile.PARTS * done // inner, profile.PARTS * (done + 1) // inner):
            profile.work(plan, part)
    motion.planning -= 1
    if motion.planning == 0:
        profile.finish(plan, motion, motion.from_rad, motion.from_rad_s, motion.to_rad_s)


def run_profile(motion: "Motion", base_turn: int, h: float) -> None:
    """Advance a planned move or stop by ``h`` seconds; end exactly on target."""
    if motion.segment >= segments.SEGMENTS:
        return
    segments.advance(motion, h)
    if motion.segment >= segments.SEGMENTS and motion.planning == 0:
        motion.setpoint_rad_s = 0.0
        motion.setpoint_rad_s2 = 0.0
        if motion.source == MOVE:
            motion.setpoint_rad = motion.target_rad + (motion.target_turn - base_turn) * TURN_RAD
        motion.source = HOLD


def follow(
    settings: "Settings",
    most_rad_s: float,
    within: int,
    plan: "Plan",
    motion: "Motion",
    base_turn: int,
    steps: int,
) -> None:
    """Stage 4: the setpoint of this tick; ``most_rad_s`` caps planned speeds.

    within: 1 keeps the end of a stop inside the range of commands; 0 (a
    controlled stop to off) stops as quickly as can be, wherever that is.
    """
    s = settings.profile
    h = settings.tick_s
    profile.set_limits(plan, s, most_rad_s)
    for _ in range(steps):  # more than once only after a late tick
        streamed = motion.source == STREAM
        if streamed:
            follow_stream(motion, s.stream_hold_s, h)
        if motion.source == STOP and motion.segment < 0:
            begin_stop(settings, plan, motion, within)
        if not streamed:
            run_profile(motion, base_turn, h)
        if motion.waiting == 1 and motion.planning == 0:
            start_planning(s.plan_ticks, plan, motion, base_turn, h)
        if motion.planning > 0:
            go_on_planning(s.plan_ticks, plan, motion)


def shift(motion: "Motion", away: float) -> None:
    """Move every position by ``away`` (rad) when whole turns are folded away."""
    motion.setpoint_rad += away
    motion.from_rad += away
    motion.to_rad += away
