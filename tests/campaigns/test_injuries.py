"""A run that is injured, wherever that is, loses nothing that was journalled and is never half sealed.

Source of the method: SQLite's crash tests, which crash on write 1, 2, 3, ... until a run survives.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("injuries.py")
SAMPLE = {"kill": 10, "flush": 6, "write": 6, "disk-full": 8, "power-cut": 6}
"""Points that are tried of each kind, spread over the run; all of them in the long form."""
MOUNTS = {"disk-full", "power-cut"}


@pytest.mark.parametrize("kind", SAMPLE)
def test_an_injured_run_is_whole_again_after_resume(kind: str, tmp_path: Path, long_form: bool) -> None:
    if kind in MOUNTS and os.environ.get("VERIFIER_NO_MOUNTS"):
        pytest.skip(f"{kind} was left out because VERIFIER_NO_MOUNTS is set")
    told = subprocess.run(
        [sys.executable, str(SCRIPT), kind, str(tmp_path), "0" if long_form else str(SAMPLE[kind])],
        capture_output=True,
        text=True,
        check=False,
    )
    if "mount" in told.stderr and kind in MOUNTS:
        pytest.fail(f"{kind} needs root and a kernel that mounts; where neither can be had: VERIFIER_NO_MOUNTS=1")
    assert told.returncode == 0, told.stderr
    points = [json.loads(line) for line in told.stdout.splitlines()]
    assert [point for point in points if point["wrong"]] == []
    assert len(points) >= SAMPLE[kind]
    print(f"{kind}: {len(points)} points")
    if kind == "disk-full":
        assert {point["whole"] for point in points} == {False, True}, "no size was too small, or all were"
    if kind == "power-cut":
        assert points[-1]["flushed"] > 20
