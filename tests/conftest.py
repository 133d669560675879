"""Where everything is present, a skipped test counts as a failed one."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn skips into failures under REQUIRE_ALL=1."""
    report = yield
    if report.skipped and os.environ.get("REQUIRE_ALL") == "1":
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"skipped although REQUIRE_ALL=1: {reason}"
    return report
