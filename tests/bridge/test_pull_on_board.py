"""A cable pulled beyond what it is allowed, on a virtual board: told by every command that streams."""

import pytest

from host.commands.shared.loading import load
from host.recordings.recorder import Run
from host.virtual.board import job_of
from host.virtual.mechanism import MORE, Mechanism

STREAM = ("--shape", "step", "--duration", "1.5 s", "--frequency", "1 Hz", "--folder", "run")


@pytest.mark.parametrize(("strength", "told"), [("18 N", True), ("180 N", False)])
def test_a_stream_tells_of_a_pull_beyond_what_is_allowed(
    strength, told, joint_file, inside, tmp_path, processes
):
    """The cable that is there may be weaker than the one the joint file takes its limits from."""
    there = tmp_path / "there.toml"
    text = joint_file.read_text(encoding="utf-8").replace("180 N", strength)
    there.write_text(text, encoding="utf-8")
    url = processes(f"cable of {strength}", [there]).url
    done = inside("stream", joint_file, "--port", url, *STREAM)
    assert done.returncode == 0, done.stderr
    said = " ".join((done.stdout + done.stderr).split())
    assert ("above the 6 N allowed. Use a stronger cable" in said) is told
    texts = [event.get("text", "") for event in Run(tmp_path / "run").events]
    assert any("the cable was pulled" in text for text in texts) is told


def test_a_pull_is_said_when_it_is_beyond_and_again_when_it_has_grown(joint_file):
    joint = load(joint_file)
    mechanism = Mechanism(job_of([joint]))
    name, allowed = mechanism.cables[0]
    assert (name, allowed) == (joint.file.joint.name, 60.0)
    said = []
    for pull in (allowed, 1.01 * allowed, 1.02 * allowed, 1.02 * MORE * allowed, 2.0 * allowed):
        mechanism.plants["peak_cable_N"] = pull
        said.append(len(mechanism.strained([0])))
    assert said == [0, 1, 0, 1, 1]
