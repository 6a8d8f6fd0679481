"""Fixtures shared by all tests."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

# Small matrices: beside other work the threads of linear algebra only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def data_dir() -> Path:
    """Folder of the open cell records: SOCBAND_DATA, else ../shared/data beside the repository."""
    named = os.environ.get("SOCBAND_DATA")
    folder = Path(named) if named else ROOT.parent / "shared" / "data"
    if not folder.is_dir():
        pytest.skip(f"no open cell records: set SOCBAND_DATA (looked in {folder})")
    return folder
