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


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    watched = os.environ.get("JOINTLOOP_CI") and not hasattr(report, "wasxfail")
    known = any(item.nodeid.startswith(name) for name in MAY_SKIP)
    if report.skipped and watched and not known:
        report.outcome = "failed"
        report.longrepr = f"skipped in continuous integration: {report.longrepr}"
    return report
