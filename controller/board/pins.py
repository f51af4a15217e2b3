"""Pins of a board: converter inputs, bridge and pulse outputs.

Bridge: two PWM inputs of a dual half bridge, slow decay: the driving side is
held on and the other one modulated, so that the average voltage is duty times
supply. A drive of exactly zero is off: both low, the motor coasts. Inputs need
pull-downs in hardware: reset and boot leave pins floating.
"""

from machine import ADC, PWM, Pin

from controller.portable import const

FULL = const(65535)
COUNTS = const(4095)  # of a 12-bit conversion
BRIDGE_HZ = const(20000)
PULSE_HZ = const(50)
WHOLE_S = const(1000000000)


class Output:
    """Outputs of one joint: two pins of a bridge, or one pulse pin (second None)."""

    def __init__(self, first, second):
        self.pulse = second is None
        frequency = PULSE_HZ if self.pulse else BRIDGE_HZ
        self.first = PWM(Pin(first, Pin.OUT, value=0), freq=frequency, duty_u16=0)
        self.second = None
        if not self.pulse:
            self.second = PWM(Pin(second, Pin.OUT, value=0), freq=frequency, duty_u16=0)

    def put(self, first, second):
        """What the tick has worked out: duties of both pins, or a pulse's width in ns (0: no pulse)."""
        if self.second is None:
            self.first.duty_ns(first)
        else:
            self.first.duty_u16(first)
            self.second.duty_u16(second)

    def off(self):
        """Low on every pin."""
        self.first.duty_u16(0)
        if self.second is not None:
            self.second.duty_u16(0)

    def duties(self):
        """The bound functions by which the second watch puts every pin low."""
        if self.second is None:
            return [self.first.duty_u16]
        return [self.first.duty_u16, self.second.duty_u16]

    def full(self):
        """What full drive, or a pulse of a second, is in numbers of ``put``."""
        return FULL if self.second is not None else WHOLE_S


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
