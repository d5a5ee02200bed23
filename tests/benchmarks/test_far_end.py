"""What arrives over a shaped cable, against the frame rates of the RFCs; far_end.py beside it does all sizes.

The ceiling is the kernel's: more than the line carries would be a wrong reading on any machine, however busy.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "gather/peer"))
sys.path.insert(0, str(Path(__file__).parent))
from far_end import LINE, SHAPE, TOLERANCE, frames_a_second, iperf3, throughput
from namespaces import Cable, cable, far_end, paired

from verifier.gather.peer.frames import frame_rate


@pytest.fixture(scope="module")
def joined(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Cable, Path]]:
    station = tmp_path_factory.mktemp("station")
    with cable() as made, far_end(made) as code:
        paired(made, code, station)
        yield made, station


def test_tcp(benchmark: Any, joined: tuple[Cable, Path]) -> None:
    assert benchmark.pedantic(throughput, (*joined, "up", 0.2), rounds=1) > 100


def test_tcp_by_iperf3(benchmark: Any, joined: tuple[Cable, Path]) -> None:
    assert benchmark.pedantic(iperf3, (joined[0], "--time", "1"), rounds=1) > 100


@pytest.mark.parametrize(("frame", "table"), [(64, 14_880), (512, 2_349), (1518, 812)])
def test_frame_rates_of_a_line_of_10_mbits(joined: tuple[Cable, Path], frame: int, table: int) -> None:
    """RFC 5180, appendix A.1; RFC 2544, 9.1. Tolerance 1 %; over 1 s, of which the bucket's 4 kB are 0.3 %."""
    made, station = joined
    assert int(frame_rate(LINE, frame)) == table
    made.shape(*SHAPE)
    # A sender that is not let run for a fifth of a second leaves the line idle: looked at again then.
    for _ in range(3):
        seen = frames_a_second(made, station, frame, 1.0)
        assert seen <= table * (1 + TOLERANCE)
        if seen >= table * (1 - TOLERANCE):
            return
    pytest.fail(f"{seen:.1f} frames a second of {table}")
