"""Scripts of benchmarks/ as modules. For tests only."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

import pytest

FOLDER = Path(__file__).parents[1] / "benchmarks"


@contextmanager
def benchmark(name: str) -> Iterator[ModuleType]:
    """A script that may import others beside it; all that it brought in is gone afterwards."""
    before = set(sys.modules)
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(FOLDER)
        yield importlib.import_module(name)
    for new in set(sys.modules) - before:
        if Path(getattr(sys.modules[new], "__file__", None) or ".").parent == FOLDER:
            del sys.modules[new]
