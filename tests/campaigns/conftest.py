"""How much of each campaign is done: a sample, or with VERIFIER_LONG=1 all of it."""

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "commands"))


@pytest.fixture(scope="session")
def long_form() -> bool:
    return os.environ.get("VERIFIER_LONG", "") not in ("", "0")
