"""What all tests share: threads, their order, and that a skipped test may count as a failed one."""

from __future__ import annotations

import gc
import os
from collections.abc import Generator
from pathlib import Path

import pytest

from tests import shared

# One worker a core is enough: matrix products on threads of their own, which wait for one another
# on cores that are taken, made the whole run take twice as long. Before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Files that take longest are begun first, so that none is left to one worker at the end.
LONGEST = (
    "test_readme",
    "test_report",
    "test_campaigns",
    "test_kills",
    "test_api_fuzz",
    "test_report_pdf",
    "test_alarms",
    "test_rating_chain",
    "test_schemas",
    "test_run_store",
    "test_reader_fuzz",
    "test_demo",
    "test_comparing",
    "test_blockage",
    "test_analyses",
    "test_coverage",
    "test_browser",
    "test_switching",
    "test_cli",
    "test_in_browser",
    "test_load",
    "test_demo_runs",
    "test_recordings",
    "test_readme_service",
    "test_workers",
    "test_cluster",
)


def pytest_xdist_auto_num_workers() -> int:
    """One more than cores: tests of the service wait for servers and browsers that they start."""
    return (os.cpu_count() or 1) + 1


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Longest files first, the others in the order found."""
    place = {name: i for i, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(Path(item.path).stem, len(place)))


@pytest.fixture(scope="session", autouse=True)
def _shared_folder(tmp_path_factory: pytest.TempPathFactory) -> Generator[None, None, None]:
    """Where the processes of this run leave what is computed once: beside their own folders."""
    folder = tmp_path_factory.getbasetemp()
    with pytest.MonkeyPatch.context() as patch:
        one_of_several = "PYTEST_XDIST_WORKER" in os.environ
        patch.setenv(shared.FOLDER, str(folder.parent if one_of_several else folder))
        yield


def pytest_collection_finish() -> None:
    """Let the garbage collector pass over what stays to the end: it took a tenth of the time.

    All modules and tests are loaded by now, millions of objects. What tests leave is collected
    less often, and by pytest itself before it looks for what was not closed.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


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
