"""Options of the whole test suite."""

import pytest
from hypothesis import settings

# the same examples at every run, and no time limit on one example: a loaded machine is no fault
settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile("fixed")


def pytest_addoption(parser):
    parser.addoption("--no-skips", action="store_true", help="a skipped test is a failure (scripts/test --full)")


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    outcome = yield
    report = outcome.get_result()
    if item.config.getoption("--no-skips") and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, and here a skip is a failure: {report.longrepr}"
