"""The deadman: what cuts the drive when the loop stands still."""

import ast
import gc
from pathlib import Path

import pytest

from controller.board import deadman as module
from controller.board.deadman import Deadman

PERIOD_US = 5000
BOUND_US = 20_000


class Lamp:
    """An output that is told its duty."""

    def __init__(self):
        self.duty = 1
        self.told = []

    def set(self, duty):
        self.duty = duty
        self.told.append(duty)


@pytest.fixture
def make(world):
    import machine

    def make(count=2):
        lamps = [Lamp() for _ in range(count)]
        deadman = Deadman([lamp.set for lamp in lamps])
        deadman.start(machine.Timer)
        return deadman, lamps

    return make


@pytest.mark.parametrize("phase", [0, 1, 1234, 2500, 4999])
def test_every_output_is_off_within_its_bound_at_any_phase_of_the_timer(make, world, phase):
    """Four callbacks of 5 ms: not before 15 ms, at the latest 20 ms after the last sign of life."""
    deadman, lamps = make()
    world.stand(phase)
    deadman.alive()
    world.stand(BOUND_US - PERIOD_US - 1)
    assert [lamp.duty for lamp in lamps] == [1, 1]
    world.stand(PERIOD_US + 1)
    assert [lamp.duty for lamp in lamps] == [0, 0]


def test_a_loop_that_lives_is_left_alone(make, world):
    deadman, lamps = make()
    for _ in range(1000):
        world.stand(2000)
        deadman.alive()
    assert [lamp.told for lamp in lamps] == [[], []]
    assert deadman.trips == 0


def test_a_standstill_counts_once_and_the_next_one_again(make, world):
    deadman, _ = make()
    world.stand(300_000)
    assert deadman.trips == 1
    deadman.alive()
    world.stand(10_000)
    assert deadman.trips == 1
    deadman.alive()
    world.stand(300_000)
    assert deadman.trips == 2


def test_a_drive_put_on_while_it_stands_still_is_cut_again(make, world):
    """The loop may wake in the middle of a tick and put its old drive out."""
    _, (lamp,) = make(1)
    world.stand(60_000)
    lamp.set(1)
    world.stand(PERIOD_US)
    assert lamp.duty == 0


def test_timer_is_hard_periodic_and_kept(make, world):
    """A timer kept only in a local is collected; a soft one waits for the very loop it guards."""
    deadman, (lamp,) = make(1)
    gc.collect()
    (timer,) = [reference() for reference in world.timers]
    assert timer is not None
    assert timer.hard is True
    assert timer.mode == timer.PERIODIC
    assert timer.period_us == PERIOD_US
    assert timer.callback is deadman.on_timer, (
        "a bound method made in the interrupt is an allocation"
    )
    world.stand(50_000)
    assert lamp.duty == 0


def test_outputs_are_told_zero_as_an_integer(make, world):
    deadman, lamps = make()
    world.stand(100_000)
    assert all(type(duty) is int and duty == 0 for lamp in lamps for duty in lamp.told)
    assert type(deadman.count) is int
    assert type(deadman.trips) is int


def test_count_of_a_long_standstill_stays_a_small_integer(make):
    """A day at 200 Hz is far below 2**30, where MicroPython begins to allocate integers."""
    assert 24 * 3600 * 1000 // module.PERIOD_MS < 2**30


def test_source_has_integers_only():
    """No float constant, no true division, no container made in the callback."""
    tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.Div)]
    numbers = [node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)]
    assert not [value for value in numbers if isinstance(value, float)]
    (callback,) = [node for node in ast.walk(tree) if getattr(node, "name", "") == "_on_timer"]
    makers = (ast.List, ast.Tuple, ast.Dict, ast.Set, ast.ListComp, ast.GeneratorExp, ast.JoinedStr,
              ast.Lambda, ast.Attribute)  # fmt: skip
    made = [node for node in ast.walk(callback) if isinstance(node, makers)]
    names = {node.attr for node in made if isinstance(node, ast.Attribute)}
    assert names == {"count", "off", "trips"}
    assert len([node for node in made if not isinstance(node, ast.Attribute)]) == 0
