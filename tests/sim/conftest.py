"""Shared by the tests of sim: the nominal joint, and joints that differ from it."""

import tomllib
from pathlib import Path

import pytest

from sim.run.closed_loop import joint_of

NOMINAL = Path(__file__).parents[1] / "data" / "nominal.toml"


def tables_with(changes):
    """Tables of the nominal file with dotted keys changed; None takes a key away."""
    tables = tomllib.loads(NOMINAL.read_text(encoding="utf-8"))
    for dotted, value in changes.items():
        *path, last = dotted.split(".")
        table = tables
        for one in path:
            table = table.setdefault(one, {})
        if value is None:
            table.pop(last, None)
        else:
            table[last] = value
    return tables


@pytest.fixture(scope="session")
def tables():
    return tables_with


@pytest.fixture(scope="session")
def made():
    """A function from changes of the nominal file to its joint."""
    return lambda changes: joint_of(tables_with(changes), "finger.toml")


@pytest.fixture(scope="session")
def joint(made):
    """The nominal joint; not to be changed."""
    return made({})
