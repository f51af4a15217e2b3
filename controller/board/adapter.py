"""Board adapter: converter, bridge and pulse outputs, deadman, watchdog.

Bridge: two PWM inputs of a dual half bridge, slow decay: the driving side is
held on and the other one modulated, so that the average voltage is duty times
supply. A drive of exactly zero is off: both low, the motor coasts. Inputs need
pull-downs in hardware: reset and boot leave pins floating.
"""

from machine import ADC, PWM, WDT, Pin, Timer

from controller.board.deadman import Deadman
from controller.portable import const

FULL = const(65535)
COUNTS = const(4095)  # of a 12-bit conversion
WATCHDOG_MS = const(500)
BRIDGE_HZ = const(20000)
PULSE_HZ = const(50)
FAMILY = const(1)


class Output:
    """Outputs of one joint: two pins of a bridge, or one pulse pin (second None)."""

    def __init__(self, first, second):
        self.pulse = second is None
        frequency = PULSE_HZ if self.pulse else BRIDGE_HZ
        self.first = PWM(Pin(first, Pin.OUT, value=0), freq=frequency, duty_u16=0)
        self.second = None
        if not self.pulse:
            self.second = PWM(Pin(second, Pin.OUT, value=0), freq=frequency, duty_u16=0)

    def put(self, value):
        """Duty in [-1, 1], or pulse width in s (0: no pulse)."""
        if self.second is None:
            self.first.duty_ns(int(value * 1.0e9))
            return
        share = int(value * FULL)  # first: what is no number must fail before a pin is on
        if share >= 0:
            self.first.duty_u16(FULL)
            self.second.duty_u16(FULL - share)
        else:
            self.first.duty_u16(FULL + share)
            self.second.duty_u16(FULL)

    def off(self):
        """Low on every pin."""
        self.first.duty_u16(0)
        if self.second is not None:
            self.second.duty_u16(0)

    def duties(self):
        """The bound functions that the deadman calls with 0."""
        if self.second is None:
            return [self.first.duty_u16]
        return [self.first.duty_u16, self.second.duty_u16]


class Input:
    """A converter channel: ``count`` conversions of 12 bits, summed."""

    def __init__(self, pin, count):
        self.adc = ADC(Pin(pin))
        self.count = count

    def read(self):
        """Sum of the conversions (counts). ``read_u16`` stretches 12 bits to 16."""
        total = 0
        for _ in range(self.count):
            total += self.adc.read_u16() >> 4
        return total


class Board:
    """Everything with pins. Made first of all: its first act is drive off."""

    KIND = FAMILY
    FLAGS = 0
    INBOUND = 12  # octets taken from USB in a tick: each costs about 2,000 instructions

    def __init__(self, wiring):
        """``wiring``: the dictionary of board.json (see controller/README.md)."""
        self.outputs = []
        for joint in wiring["joints"]:
            self.outputs.append(Output(joint["out"][0], joint["out"][1]))
        self.off()
        self.inputs = []
        self.seconds = []
        for joint in wiring["joints"]:
            count = joint.get("oversampling", 1)
            self.inputs.append(Input(joint["wiper"], count))
            second = joint.get("second_wiper")
            self.seconds.append(Input(second, count) if second is not None else None)
        supply = wiring.get("supply")
        self.supply = Input(supply["pin"], 4) if supply is not None else None
        self.supply_V = supply["full_V"] / (4 * 4095) if supply is not None else 0.0
        self.nominal_V = wiring.get("nominal_V", 5.0)
        self.tops = [(COUNTS * one.count) for one in self.inputs]
        self.watchdog = None
        duties = []
        for output in self.outputs:
            duties += output.duties()
        self.deadman = Deadman(duties)
        self.watched = False

    def read(self, k, readings):
        """Read wiper and supply of joint ``k``."""
        readings.counts = self.inputs[k].read()
        second = self.seconds[k]
        if second is not None:
            readings.second_counts = second.read()
        if self.supply is not None:
            readings.supply_V = self.supply.read() * self.supply_V
        else:
            readings.supply_V = self.nominal_V

    def drive(self, k, value, pulse):
        """Put out the drive of joint ``k``; the watchdog begins with the first that is not zero."""
        output = self.outputs[k]
        if value == 0.0:
            output.off()
            return
        if self.watchdog is None:
            self.watchdog = WDT(timeout=WATCHDOG_MS)
        if pulse == output.pulse:  # a setting that does not fit the wiring drives nothing
            output.put(value)

    def off(self):
        """All drives off."""
        for output in self.outputs:
            output.off()

    def beat(self):
        """The loop is alive; the deadman begins with the first beat, before any drive."""
        self.deadman.alive()
        if not self.watched:
            self.watched = True
            self.deadman.start(Timer)
        if self.watchdog is not None:
            self.watchdog.feed()

    def deadman_trips(self):
        """Times the deadman has fired."""
        return self.deadman.trips
