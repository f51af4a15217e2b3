"""`record --excite` on a virtual board."""

import numpy as np

from host.recorder import Run


def test_the_programme_is_shown_first_and_recorded(inside, tmp_path, figures):
    path = tmp_path / "finger.toml"
    assert inside("new", path).returncode == 0
    done = inside("record", path, "--excite", "--seconds", "8", "--folder", "run", "--json")
    assert done.json["stopped"] is None
    assert done.stderr.index("is going to do") < done.stderr.index("streaming")
    assert list((tmp_path / "jointloop-runs").glob("*-excitation.png"))
    run = Run(tmp_path / "run")
    assert run.about["excitation"][0]["seconds"] == 8.0
    assert run.about["every"] == 1
    assert np.ptp(run.joint(0, "angle_rad")) > 0.5
