"""Fault numbers, which are stable, and what each one does to the drive.

Below each number stands, for people: name | cause | cure | seen within | false
alarms. The host reads these strings from this file; the board never loads them.
"""

from controller.portable import const

NONE = const(0)
"none | | | |"
WIPER_RAIL = const(1)
"wiper at a rail | sensor wire open, shorted or torn off, or reading in the dead gap | check the three sensor wires and the pull-down; calibrate | `bad_ticks` readings at a rail (3 ticks) | rails stand 0.5 % and 4 sigma of noise away from any sound reading"
SENSOR_JUMP = const(2)
"impossible jump of the angle | sensor wire torn off or loose, worn track, interference | check wire, plug and track; move the wires away from the motor's | `bad_ticks` readings in a row (3 ticks) | the jump is twice the no-load speed plus 14 sigma of noise"
SENSOR_HELD = const(3)
"reading stuck | converter or wire stuck: identical readings without end | check the converter input and the wiper; measure its noise again | `held_ticks` identical readings | less than one in 10^6 h by chance (formula in `sim/joint/settings.py`)"
REVERSED = const(4)
"moves against the drive | motor or sensor wired the other way round, or cable on the wrong side | swap the motor's two wires or turn `drive.reversed` over; arm again at low force | motion of `wrong_rad` (3 deg, backlash, 6 sigma) against the drive | coasting is counted out; none in 10 h over the spread"
NO_MOTION = const(5)
"driven but no motion | jammed, sensor held, motor or driver open, or cable slack or off | look for what holds the joint; check cable, motor plug and sensor | `still_s` beyond `lost_rad` of expected motion | friction of the stiffest part and lost motion are granted; none in 10 h"
BLOCKED = const(6)
"blocked | the joint closes on something in a move that is not a grip | clear the way, or command a grip | `slow_s` beyond `lost_rad` of expected motion | as above; a grip is never blocked"
FOLLOWING = const(7)
"far from the setpoint | profile faster than the joint can go, or load too high | lower limits.speed or the load; tune again | `following_s` (1 s) beyond 30 % of the range | far beyond any sound lag"
OVER_TRAVEL = const(8)
"beyond the end of travel | pushed from outside, cable slipped, or calibration lost | bring the joint back by hand; calibrate | `over_travel_ticks` (3 ticks) beyond the hard stops and 3 deg | cannot be reached by a sound joint"
OVER_SPEED = const(9)
"too fast | cable off, pushed from outside, or sensor fault | check cable and sensor | `over_speed_ticks` (3 ticks) above twice the no-load speed | cannot be reached by the motor"
TOO_HOT = const(10)
"winding too hot | too much force for too long (by the thermal model) | let it cool; lower limits.tip_force or limits.grip_force | the tick in which the model is hot | the limit is lowered from `warm_C` on, so a sound joint stays below"
SUPPLY_LOW = const(11)
"supply too low | battery empty, thin wires, too many motors at once | charge; thicker wires; lower limits.tip_force | `supply_ticks` (10 ms) below 70 % of the supply | sag of the worst part is less"
LINK_SILENT = const(12)
"link silent | no valid frame from the host in time | check the cable and the host program | the lease (80 ms, at most 100) and one tick | beats come every 20 ms: three may be lost"
LATE_TICKS = const(13)
"ticks too late | the board has too much to do for this tick rate | lower the tick rate or the number of joints | `late_ticks` (50) more than a sixteenth of all | single late ticks are forgotten"
SETTINGS_DIFFER = const(14)
"settings differ | the board's settings are not the ones the host sent | send the settings again | arming is refused, nothing latches | never: digests are compared"
WATCHDOG_RESET = const(15)
"watchdog reset | the program had stopped and was started anew | find out why before arming again; events.jsonl of the recording tells what came before | at the next start | a reset that was asked for is told apart"
STOP_PRESSED = const(16)
"stop pressed | somebody pressed STOP | see that all is well, clear, arm again | the tick in which it arrives | never by itself"
TICK_ERROR = const(17)
"error in the tick | a program error was caught in the control tick | read events.jsonl of the recording; report it | the same tick | never in sound code"
STANDSTILL = const(18)
"control loop stood still | a tick did not come in time | find out what held it up; events.jsonl of the recording tells what came before | 20 ms; latched in the next tick | a loop that ticks beats in every tick"
BLIND = const(19)
"too long in the dead gap | a slow or stopped crossing of the sensor's dead gap | cross it faster; turn by hand to a live angle; fit a second wiper | `blind_limit_s` (0.1 s and twice what the slowest part takes) | moves are planned to cross faster"
CHECK_FAILED = const(20)
"self-test saw no motion | motor or driver open, cable slack or off, sensor held, or jammed | check motor plug, cable and sensor; look for what holds the joint | `check_s` a stroke (0.5 s) | the ramp ends above what moves the stiffest part"

COUNT = const(21)

# Stop category in the sense of IEC 60204-1, 9.2.2: 0 drive off at once, 1
# controlled stop and release, then off. A fault that makes the angle or the
# direction doubtful is never answered with a controlled stop.
CATEGORY = (0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)


def category(fault: int) -> int:
    """Stop category of a fault number: 0 or 1."""
    return CATEGORY[fault]
