"""What all tests share: in continuous integration nothing is skipped unnoticed."""

import os

import pytest

MAY_SKIP = {
    # test id (or its beginning): reason why continuous integration may lack what it needs
}


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    if report.skipped and os.environ.get("JOINTLOOP_CI") and not hasattr(report, "wasxfail"):
        if not any(item.nodeid.startswith(known) for known in MAY_SKIP):
            report.outcome = "failed"
            report.longrepr = f"skipped in continuous integration: {report.longrepr}"
    return report
