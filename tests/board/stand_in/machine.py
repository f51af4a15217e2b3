"""A stand-in for a chip's ``machine`` under the unix interpreter: tells on standard error what is done."""

import sys

WDT_RESET = 3


def tell(*words):
    """Write one word made of several."""
    sys.stderr.write(":".join([str(word) for word in words]) + "\n")


class Pin:
    """A pin."""

    OUT, IN, PULL_UP = 1, 0, 2

    def __init__(self, number, mode=None, pull=None, value=None):
        self.number = number

    def value(self):
        """Pulled up."""
        return 1


class PWM:
    """An output."""

    def __init__(self, pin, freq, duty_u16):
        self.number = pin.number
        self.duty_u16(duty_u16)

    def duty_u16(self, duty):
        """Told, not driven."""
        tell("duty", self.number, duty)

    def duty_ns(self, width):
        """Told, not driven."""
        tell("width", self.number, width)


class ADC:
    """A converter that sees a wiper in the middle."""

    def __init__(self, pin):
        self.pin = pin

    def read_u16(self):
        """Half of full scale."""
        return 32767


class Timer:
    """A timer that never fires."""

    PERIODIC = 1

    def __init__(self, period, mode, callback, hard):
        tell("timer", period, "hard" if hard else "soft")


class WDT:
    """A watchdog that never bites."""

    def __init__(self, timeout):
        tell("watchdog", timeout)

    def feed(self):
        """Nothing to feed."""


def reset_cause():
    """Power-on."""
    return 1


def unique_id():
    """A number of our own."""
    return bytes((1, 2, 3, 4, 5, 6, 7, 8))


mem32 = {}


def reset():
    """Told, and the program ends."""
    tell("reset")
    sys.exit()
