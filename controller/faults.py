"""Fault numbers, which are stable, and what each one does to the drive.

Below each number stands, for people: name | cause | cure. The host reads these
strings from this file; the board never loads them.
"""

from controller.portable import const

NONE = const(0)
"none | |"
WIPER_RAIL = const(1)
"wiper at a rail | sensor wire open, shorted or torn off, or reading in the dead gap | check the three sensor wires and the pull-down; calibrate"
SENSOR_JUMP = const(2)
"impossible jump of the angle | sensor wire torn off or loose, worn track, interference | check wire, plug and track; move the wires away from the motor's"
SENSOR_HELD = const(3)
"angle frozen | converter or wire stuck: identical readings without end | check the converter input and the wiper; measure its noise again"
REVERSED = const(4)
"moves against the drive | motor or sensor wired the other way round, or cable on the wrong side | swap the motor wires or set the drive's sign; arm again at low force"
NO_MOTION = const(5)
"driven but no motion | jammed, sensor held, motor or driver open, or cable slack or off | look for what holds the joint; check cable, motor plug and sensor"
BLOCKED = const(6)
"blocked | the joint closes on something in a move that is not a grip | clear the way, or command a grip"
FOLLOWING = const(7)
"far from the setpoint | profile faster than the joint can go, or load too high | lower the profile's speed or the load; tune again"
OVER_TRAVEL = const(8)
"beyond the end of travel | pushed from outside, cable slipped, or calibration lost | bring the joint back by hand; calibrate"
OVER_SPEED = const(9)
"too fast | cable off, pushed from outside, or sensor fault | check cable and sensor"
TOO_HOT = const(10)
"winding too hot | too much force for too long (by the thermal model) | let it cool; lower the hold force"
SUPPLY_LOW = const(11)
"supply too low | battery empty, thin wires, too many motors at once | charge; thicker wires; lower the current limit"
LINK_SILENT = const(12)
"link silent | no valid frame from the host in time | check the cable and the host program"
LATE_TICKS = const(13)
"ticks too late | the board has too much to do for this tick rate | lower the tick rate or the number of joints"
SETTINGS_DIFFER = const(14)
"settings differ | the board's settings are not the ones the host sent | send the settings again"
WATCHDOG_RESET = const(15)
"watchdog reset | the program had stopped and was started anew | find out why before arming again; read the record"
STOP_PRESSED = const(16)
"stop pressed | somebody pressed STOP | see that all is well, clear, arm again"
TICK_ERROR = const(17)
"error in the tick | a program error was caught in the control tick | read the log; report it"
DEADMAN = const(18)
"deadman fired | the loop stood still | find out what held it up; read the record"
BLIND = const(19)
"too long in the dead gap | a slow or stopped crossing of the sensor's dead gap | cross it faster; turn by hand to a live angle; fit a second wiper"
CHECK_FAILED = const(20)
"self-test saw no motion | motor or driver open, cable slack or off, sensor held, or jammed | check motor plug, cable and sensor; look for what holds the joint"

COUNT = const(21)

# Stop category in the sense of IEC 60204-1, 9.2.2: 0 drive off at once, 1
# controlled stop and release, then off. A fault that makes the angle or the
# direction doubtful is never answered with a controlled stop.
CATEGORY = (0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)


def category(fault: int) -> int:
    """Stop category of a fault number: 0 or 1."""
    return CATEGORY[fault]
