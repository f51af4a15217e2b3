"""Without a C compiler there is nothing to compare with."""

import importlib.util
import itertools
import sys
from pathlib import Path

import pytest

from sim.translate import library

NUMBER = itertools.count()


def pytest_collection_modifyitems(items):
    if library.compiler() is None:
        skip = pytest.mark.skip(reason="no C compiler on this machine")
        for item in items:
            if Path(__file__).parent in item.path.parents:
                item.add_marker(skip)


@pytest.fixture
def written(tmp_path):
    """A function that makes a module of source text, as a file of the controller would be."""

    def write(text):
        name = f"written_{next(NUMBER)}"
        path = tmp_path / f"{name}.py"
        path.write_text(text, encoding="utf-8")
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
        return module

    yield write
    for name in [one for one in sys.modules if one.startswith("written_")]:
        del sys.modules[name]


@pytest.fixture(scope="session")
def made():
    """A function from changes of the nominal file to its joint."""
    from tests.sim.conftest import joint_of, tables_with

    return lambda changes: joint_of(tables_with(changes), "finger.toml")
