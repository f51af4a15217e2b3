"""What all tests share: in continuous integration nothing is skipped unnoticed."""

import os
import signal

import pytest

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # begun in the background of a shell
    signal.signal(signal.SIGINT, signal.default_int_handler)

DATA = "open measured data that is not ours to ship: JOINTLOOP_DATA says where it is"
MAY_SKIP = {
    # test id (or its beginning): reason why continuous integration may lack what it needs
    "tests/identify/test_regression.py::test_the_published_parameters": DATA,
    "tests/identify/test_regression.py::test_the_same_from_a_coarse_log": DATA,
    "tests/identify/test_regression.py::test_the_model_predicts": DATA,
}


REAL_TIME = ("tests/bridge/", "tests/page/", "tests/hand/test_commands.py", "tests/host/",
             "tests/board/", "tests/identify/test_identify_run.py")  # fmt: skip
"""Where virtual boards run in real time: one after the other, on one of the two workers."""


def pytest_collection_modifyitems(items):
    """Give every test its group: a file's tests stay together, for they share what is costly."""
    for item in items:
        file = item.nodeid.split("::")[0]
        group = "real time" if file.startswith(REAL_TIME) else file
        item.add_marker(pytest.mark.xdist_group(group))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    watched = os.environ.get("JOINTLOOP_CI") and not hasattr(report, "wasxfail")
    known = any(item.nodeid.startswith(name) for name in MAY_SKIP)
    if report.skipped and watched and not known:
        report.outcome = "failed"
        report.longrepr = f"skipped in continuous integration: {report.longrepr}"
    return report
