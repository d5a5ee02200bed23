"""Lets the tests here import the test instruments that stand beside them, and starts those once a module."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from instrument_bench import TestInstruments


@pytest.fixture(scope="module")
def instruments() -> Iterator[TestInstruments]:
    made = TestInstruments()
    yield made
    made.close()
