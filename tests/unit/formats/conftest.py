"""Measured models are remembered for the whole session, so that each broken folder is checked quickly."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Cache folder of measured models."""
    return tmp_path_factory.mktemp("measured")
