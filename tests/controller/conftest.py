"""Shared by the controller's tests: one joint on the bench, ticked by hand."""

from pathlib import Path

import pytest

from controller.joint.settings.settings import Settings
from controller.joint.state import Command, Readings, Report, State
from controller.joint.tick import joint_tick
from sim.run.closed_loop import load_joint

RAD_PER_COUNT = 1.0e-3  # the default of the settings


class Bench:
    """One joint without a plant: what the sensor reads is put in by hand."""

    def __init__(self, angle=2.0):
        self.settings = Settings()
        self.state = State()
        self.command = Command()
        self.readings = Readings()
        self.report = Report()
        self.place(angle)

    def place(self, angle):
        """Let the sensor read an angle (rad)."""
        self.readings.counts = round(angle / RAD_PER_COUNT)

    def tick(self, count=1):
        """Run ticks; return the drive output of the last one."""
        out = 0.0
        for _ in range(count):
            out = joint_tick(self.settings, self.state, self.command, self.readings, self.report)
        return out

    def ask(self, request):
        """Run one tick with a request; return the mode after it."""
        self.command.request = request
        self.tick()
        return self.report.mode

    def target(self, angle, grip=0):
        """Run one tick with a new target (rad); return whether it was refused."""
        self.command.kind = 1
        self.command.target_rad = angle
        self.command.grip = grip
        self.tick()
        return self.command.refused


@pytest.fixture
def bench():
    """A joint at 2 rad, off, without a self-test."""
    return Bench()


@pytest.fixture
def powered(bench):
    """The same joint, armed."""
    bench.ask(1)
    return bench


@pytest.fixture(scope="session")
def nominal():
    """The joint of the nominal class, with the settings that follow from its file."""
    return load_joint(Path(__file__).parents[1] / "data" / "nominal.toml")
