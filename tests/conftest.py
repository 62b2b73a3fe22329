"""How every test runs: properties are tried without a time limit, the same way each time in CI, where none may skip."""

import os
import shutil
import subprocess
from collections.abc import Generator

import pytest
from hypothesis import settings

IN_CI = os.environ.get("CI", "").lower() == "true"

settings.register_profile("drawup", deadline=None)
settings.register_profile("drawup-in-ci", deadline=None, derandomize=True)
settings.load_profile("drawup-in-ci" if IN_CI else "drawup")


def fail_if_skipped(report: pytest.TestReport | pytest.CollectReport) -> None:
    """Turn a skip into a failure. A machine that lacks what a test needs must not look as if the test had passed."""
    if report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        report.outcome = "failed"
        report.longrepr = f"{report.nodeid} skipped, which no test may with CI=true. It said: {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """After each test."""
    report = yield
    if IN_CI:
        fail_if_skipped(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """After each test file is read: a file can skip as a whole."""
    report = yield
    if IN_CI:
        fail_if_skipped(report)
    return report


@pytest.fixture(scope="session")
def strace() -> str:
    """The path of strace. Without it a test is skipped, but where CI is "true" it fails."""
    found = shutil.which("strace")
    if found is not None and subprocess.run([found, "-o", os.devnull, "true"], capture_output=True).returncode == 0:
        return found
    reason = "strace is missing or may not trace here; install Debian's package strace, as root, to run this test"
    if os.environ.get("CI", "").lower() == "true":
        pytest.fail(reason)
    pytest.skip(reason)
