"""Joints that are attacked: as many kinds as the file can say."""

import tomllib
from pathlib import Path

import pytest

from sim.challenge.steady import steady_draws
from sim.run.closed_loop import joint_of

NOMINAL = Path(__file__).resolve().parents[1] / "data" / "nominal.toml"

KINDS = {
    "nominal": {},
    "slow tick": {"control": {"rate": "250 Hz"}},
    "fast tick": {"control": {"rate": "1000 Hz", "plan_ticks": 5}},
    "pulse": {"drive": {"kind": "pulse"}},
    "spring": {
        "cable": {"kind": "spring_return", "spring_stiffness": "100 N/m", "pretension": "3 N"}
    },
    "direct": {"cable": {"kind": "direct"}},
    "noisy sensor": {"sensor": {"effective_bits": 8.0}},
    "reversed sensor": {"sensor": {"reversed": True, "dead_gap_at": "250 deg"}},
    "current sensor": {"drive": {"current_sensor": True}},
    "turning": {
        "joint": {"travel": "continuous", "range": None},
        "cable": {"breaking_strength": "300 N"},
    },
    "turning, two wipers": {
        "joint": {"travel": "continuous", "range": None},
        "sensor": {"wipers": 2},
        "cable": {"breaking_strength": "300 N"},
    },
    "weak limits": {"limits": {"tip_force": "1.6 N", "speed": "200 deg/s"}},
}


@pytest.fixture(autouse=True)
def steady():
    """Draws do not depend on what else this process has imported."""
    with steady_draws():
        yield


def joint_with(changes):
    """A joint of the nominal class with changed tables."""
    tables = tomllib.loads(NOMINAL.read_text(encoding="utf-8"))
    for table, values in changes.items():
        tables.setdefault(table, {}).update(values)
        for key in [key for key, value in values.items() if value is None]:
            del tables[table][key]
    return joint_of(tables, "attacked.toml")


@pytest.fixture(scope="session", params=KINDS, ids=lambda kind: kind.replace(" ", "-"))
def joint(request):
    return joint_with(KINDS[request.param])


@pytest.fixture(scope="session")
def nominal():
    return joint_with({})
