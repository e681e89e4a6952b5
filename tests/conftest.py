"""Options of the whole test suite."""

import pytest


def pytest_addoption(parser):
    parser.addoption("--no-skips", action="store_true", help="a skipped test is a failure (scripts/test --full)")


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    outcome = yield
    report = outcome.get_result()
    if item.config.getoption("--no-skips") and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, and here a skip is a failure: {report.longrepr}"
