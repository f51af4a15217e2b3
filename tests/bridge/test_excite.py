"""`record --excite` on a virtual board, and the whole circle: what `identify` then says of it."""

from math import log

import numpy as np
import pytest

from host.link import session
from host.recordings.recorder import Run
from sim.identify.anchors import Anchors
from sim.identify.products import COMBINATIONS
from sim.identify.space import recording_axes
from tests.identify.hidden import hidden_parts
from tests.properties.conftest import NOMINAL, joint_with


def test_the_excitation_is_shown_first_and_recorded(inside, tmp_path, figures):
    path = tmp_path / "finger.toml"
    assert inside("new", path).returncode == 0
    done = inside("record", path, "--excite", "--duration", "8 s", "--folder", "run", "--json")
    assert done.json["stopped"] is None
    assert done.stderr.index("is going to do") < done.stderr.index("streaming")
    assert list((tmp_path / "jointloop-runs").glob("*-excitation.png"))
    run = Run(tmp_path / "run")
    assert run.about["excitation"][0]["seconds"] == 8.0
    assert run.about["every"] == 1
    assert np.ptp(run.joint(0, "angle_rad")) > 0.5


@pytest.mark.parametrize(
    ("kind", "runtime"), [("bridge", "micropython"), ("pulse", "cpython"), ("bridge", "c")]
)
def test_a_hidden_part_is_found_through_the_commands(kind, runtime, inside, tmp_path, monkeypatch):
    """The board's motor and its computing delay are not the file's; the intervals must hold them.

    Where setpoints fall among the ticks is the computer's affair, so the draw is another each time:
    three numbers may lie 3.3 deviations off (one time in three hundred). A drive that is taken a
    tick late or unlatched lies 6 to 11 off.
    """
    joint, made = joint_with({"drive": {"kind": kind}}), session.job_of
    part = hidden_parts(joint, 2, 5)[1]

    def with_hidden(joints, hidden=None, seed=1):
        job = made(joints, [part], seed)
        job.delays_s = [0.0004]
        return job

    monkeypatch.setattr(session, "job_of", with_hidden)
    path = tmp_path / "finger.toml"
    text = NOMINAL.read_text(encoding="utf-8").replace('kind = "bridge"', f'kind = "{kind}"')
    path.write_text(text, encoding="utf-8")
    done = inside("record", path, "--excite", "--duration", "12 s", "--folder", "run", "--runtime",
                  runtime, "--json")  # fmt: skip
    assert done.json["stopped"] is None
    answer = inside("identify", "run", "--json").json
    assert [one["name"] for one in answer["combinations"]] == list(COMBINATIONS)
    for one in answer["combinations"]:
        deviation = (log(one["high"]) - log(one["low"])) / (2.0 * 1.96)
        error = log(one["value"]) - log(COMBINATIONS[one["name"]][2](part))
        assert abs(error) < 3.3 * deviation, (one["name"], error, deviation)
        assert deviation < 0.1, "half of what the spread knows (0.2) must be told by the log"
    delay = answer["delay_s"]  # its low end is none at the least
    deviation = (delay["high"] - delay["value"]) / 1.96
    assert abs(delay["value"] - 0.0004) < 3.3 * deviation
    prior = recording_axes(joint, 25.0, Anchors())[0].deviation
    assert deviation < 0.5 * prior, "the log must tell it"
