"""What each event of a program acts on."""

import pytest

from controller.joint.state import Command
from controller.records import get, leaves
from sim.joint.part import Part, Plant, Sense
from sim.model import schedule, sensor
from sim.model.events import apply_event
from sim.model.schedule import Event, Run, Score


class World:
    def __init__(self):
        self.part, self.plant, self.sense = Part(), Plant(), Sense()
        self.command, self.run, self.score = Command(), Run(), Score()

    def numbers(self):
        return {
            f"{key}.{name}": get(record, name)
            for key, record in vars(self).items()
            for name, _ in leaves(type(record))
        }

    def happen(self, kind, a=0.0, b=0.0, c=0.0):
        event = Event()
        event.kind, event.a, event.b, event.c = kind, a, b, c
        before = self.numbers()
        w = self
        apply_event(w.part, w.plant, w.sense, w.command, w.run, w.score, event)
        return {key: value for key, value in self.numbers().items() if value != before[key]}


@pytest.mark.parametrize(
    ("event", "changes"),
    [
        ((schedule.TARGET, 0.7), {"command.kind": 1, "command.target_rad": 0.7}),
        (
            (schedule.GRIP, 0.7),
            {"command.kind": 1, "command.target_rad": 0.7, "command.grip": 1},
        ),
        (
            (schedule.STREAM, 0.7, 0.2, 0.02),
            {
                "command.kind": 2,
                "command.target_rad": 0.7,
                "command.target_rad_s": 0.2,
                "command.span_s": 0.02,
            },
        ),
        (
            (schedule.TURN_TARGET, 0.7, 3.0),
            {"command.kind": 1, "command.target_rad": 0.7, "command.way": 1, "command.turn": 3},
        ),
        ((schedule.HOLD,), {"command.kind": 3}),
        ((schedule.REQUEST, 5.0), {"command.request": 5}),
        ((schedule.LOAD, 0.01), {"plant.load_Nm": 0.01}),
        (
            (schedule.OBJECT, 0.9, 30.0, 0.1),
            {"plant.object_rad": 0.9, "plant.object_Nm_rad": 30.0, "plant.object_Nms": 0.1},
        ),
        ((schedule.DROP, 2.5), {"plant.supply_drop_V": 2.5}),
        ((schedule.OTHERS, 1.5), {"plant.others_A": 1.5}),
        ((schedule.SENSOR, float(sensor.HELD)), {"sense.fault": sensor.HELD}),
        ((schedule.CUT, 0.0), {"part.cable.flexor_N_m": 0.0}),
        ((schedule.CUT, 1.0), {"part.cable.extensor_N_m": 0.0}),
        ((schedule.MOTOR_OPEN, 1.0), {"plant.motor_open": 1}),
        ((schedule.WIRED_WRONG, 1.0), {"plant.wired_wrong": 1}),
        ((schedule.LATE, 4.0), {"run.missed": 4}),
        ((schedule.SILENT, 1.0), {"run.silent": 1}),
        ((schedule.PLACE, 0.6), {"plant.joint_rad": 0.6, "plant.drum_rad": pytest.approx(0.6)}),
        (
            (schedule.MEASURE, 0.7, 0.02, 0.003),
            {
                "score.on": 1,
                "score.target_rad": 0.7,
                "score.band_rad": 0.02,
                "score.fine_rad": 0.003,
            },
        ),
        ((schedule.TAIL,), {"score.tail": 1}),
    ],
)
def test_an_event_changes_what_it_names_and_nothing_else(event, changes):
    assert World().happen(*event) == changes


@pytest.mark.parametrize("kind", [schedule.HOLD, schedule.TARGET, schedule.STREAM])
def test_the_next_command_is_no_grip_unless_it_says_so(kind):
    world = World()
    world.happen(schedule.GRIP, 0.7)
    assert world.happen(kind, 0.9)["command.grip"] == 0


def test_an_object_can_be_taken_away_again():
    world = World()
    world.happen(schedule.OBJECT, 0.9, 30.0)
    assert world.happen(schedule.NO_OBJECT) == {"plant.object_rad": 1e9}
