"""Made-up planning runs for the report's tests."""

from __future__ import annotations

import pytest
from report_fakes import make_run

from router.domain.network import Scenario
from router.domain.result import Result


@pytest.fixture(scope="session")
def run() -> tuple[Scenario, Result]:
    """A small run: sixty lines."""
    return make_run()


@pytest.fixture(scope="session")
def large_run() -> tuple[Scenario, Result]:
    """As large as a report gets: 350 lines, some 150 builds, some 3,000 pieces."""
    return make_run(lines=350, seed=11)
