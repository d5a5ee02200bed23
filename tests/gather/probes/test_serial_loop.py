"""Serial lines end to end, over terminals with a real process at the other end that injures what it passes."""

from __future__ import annotations

import json
import math
import queue
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import anyio
import pytest

from verifier.errors import Absent, BenchFault, NotPossible, VerifierError
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.peer.echo import LineEcho
from verifier.gather.probes import serial_loop
from verifier.gather.workers import run_probe
from verifier.readings import Reading

WIRE = str(Path(__file__).with_name("bad_wire.py"))


@contextmanager
def wire(**wrong: Any) -> Iterator[str]:
    command = [sys.executable, WIRE, json.dumps(wrong)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.kill()


def take(port: str, **settings: Any) -> dict[str, Any]:
    async def collect() -> dict[str, Any]:
        given = {"seconds": 0.3, "port": port, **settings}
        probe = run_probe(load_catalogue().probe("serial.loop"), open_host("local", RealClocks()), given)
        readings = [one async for one in probe if isinstance(one, Reading)]
        found: dict[str, Any] = {r.name: r.value for r in readings}
        return found | {f"{r.name}_remark": r.conditions.remark for r in readings if r.conditions.remark}

    return anyio.run(collect)


@pytest.mark.parametrize("sequence", [9, 15, 23])
def test_a_sound_line_excludes_a_bit_error_rate_by_its_length_alone(sequence: int) -> None:
    with wire() as port:
        found = take(port, sequence=sequence)
    assert found["in_step"] is True and found["sent"] == found["received"] > 1000
    assert found["bits"] == 8 * found["sent"]
    assert [found[name] for name in ("bit_errors", "slips", "lost", "added", "resyncs")] == [0] * 5
    # −ln 0.05 / n: the "3/BER rule".
    assert found["excluded_ber"] == pytest.approx(-math.log(0.05) / found["bits"])
    assert f"in {int(found['bits'] / -math.log(0.05))} is excluded at 95 %" in found["bit_errors_remark"]


def test_wrong_bits_are_counted() -> None:
    with wire(flip=[100, 500, 501, 900]) as port:
        found = take(port)
    assert (found["bit_errors"], found["slips"]) == (4, 0)
    assert found["error_rate"] == pytest.approx(4 / found["bits"])
    assert found["excluded_ber"] > 4 / found["bits"]


def test_slips_are_found_and_the_line_is_in_step_again() -> None:
    with wire(drop=[300, 301, 302], double=[700], flip=[1000]) as port:
        found = take(port)
    assert found["in_step"] is True
    assert (found["slips"], found["lost"], found["added"], found["resyncs"]) == (2, 3, 1, 2)
    assert 1 <= found["bit_errors"] <= 9  # a character beside a break may fit but for some bits


def test_a_line_that_falls_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_loop, "QUIET", 0.2)
    with wire(swallow=2000) as port:
        found = take(port)
    assert found["received"] == 2000 and found["lost"] == found["sent"] - 2000 > 0
    assert (found["bit_errors"], found["in_step"]) == (0, True)


def test_an_open_line_is_no_zero_error_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_loop, "QUIET", 0.2)
    with wire(swallow=0) as port:
        found = take(port)
    assert found["in_step"] is False and found["bits"] == 0 and found["received"] == 0
    assert "excluded_ber" not in found and "error_rate" not in found


def test_a_line_that_garbles_everything_is_not_in_step() -> None:
    with wire(garble=True) as port:
        found = take(port)
    assert found["in_step"] is False and found["received"] > 0


def test_one_character_every_now_and_then(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_loop, "QUIET", 0.2)
    monkeypatch.setattr(serial_loop, "AHEAD", 64)
    monkeypatch.setattr(serial_loop, "CHUNK", 16)
    with wire(slow=0.01) as port:
        found = take(port)
    assert found["in_step"] is True and found["bit_errors"] == 0 and found["sent"] == found["received"]


def test_a_line_that_breaks_in_the_middle_is_the_benchs_fault() -> None:
    with wire(hang_up=3000) as port, pytest.raises(BenchFault, match=r"was lost|takes nothing"):
        take(port, seconds=5.0)


def test_a_flood_from_the_other_end_ends() -> None:
    flood = (
        "import os, tty; a, b = os.openpty(); tty.setraw(b); print(os.ttyname(b), flush=True)\n"
        "os.set_blocking(a, True)\nwhile True: os.write(a, bytes(range(256)) * 16)"
    )
    with subprocess.Popen([sys.executable, "-c", flood], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            found = take(process.stdout.readline().strip(), seconds=30.0)
        except BenchFault as fault:  # a line that takes nothing any more is told as such
            assert "takes nothing" in fault.what
        else:
            assert found["in_step"] is False
        finally:
            process.kill()


def test_terminals_have_no_modem_lines() -> None:
    with wire() as port:
        found = take(port, modem=True)
    assert found["modem_lines"] == "not available" and "rts_cts" not in found


def test_modem_lines_in_pairs() -> None:
    """pyserial's loop:// joins RTS to CTS and DTR to DSR, and nothing else."""
    found = take("loop://", modem=True)
    assert found["modem_lines"] == "available"
    assert [found[name] for name in ("rts_cts", "dtr_dsr", "dtr_dcd", "dtr_ri")] == [True, True, False, False]
    assert found["bit_errors"] == 0 and found["in_step"] is True


@pytest.mark.parametrize(
    ("port", "error", "words"),
    [
        ("/dev/ttyNOT0", Absent, "no serial line"),
        ("/etc/passwd", NotPossible, "is no serial line"),
        ("/dev/../etc/passwd", NotPossible, "is no serial line"),
        ("spy://x?file=/tmp/x", NotPossible, "is no serial line"),
        ("/dev/null", NotPossible, "cannot be opened"),
        ("socket://127.0.0.1:1", NotPossible, "cannot be opened"),
    ],
)
def test_what_is_no_serial_line(port: str, error: type[VerifierError], words: str) -> None:
    with pytest.raises(error, match=words):
        take(port)


def test_a_line_has_one_user(monkeypatch: pytest.MonkeyPatch) -> None:
    import serial

    with wire() as port, serial.Serial(port, exclusive=True), pytest.raises(NotPossible, match="another program"):
        take(port)


def test_the_far_end_sends_back_what_comes_in(tmp_path: Path) -> None:
    """Two terminals joined by socat: one is the unit's port, the other the bench computer's."""
    unit, bench = tmp_path / "unit", tmp_path / "bench"
    ends = [f"pty,raw,echo=0,link={end}" for end in (unit, bench)]
    with subprocess.Popen(["socat", *ends]) as process:
        try:
            while not (unit.exists() and bench.exists()):
                assert process.poll() is None
            echo = LineEcho.open(f"{bench.resolve()},115200")
            said: queue.Queue[str] = queue.Queue()
            echo.start(said.put)
            try:
                found = take(str(unit.resolve()))
                assert said.empty()
                process.kill()
                assert "has gone" in said.get(timeout=10)
            finally:
                echo.close()
        finally:
            process.kill()
    assert found["in_step"] is True and found["sent"] == found["received"]
    assert (found["bit_errors"], found["slips"]) == (0, 0)


@pytest.mark.parametrize("text", ["/dev/ttyUSB0,fast", "/etc/passwd", "spy:///dev/ttyS0", "/dev/ttyNOT0,9600"])
def test_what_the_far_end_cannot_echo(text: str) -> None:
    with pytest.raises(VerifierError):
        LineEcho.open(text)


def test_no_line_is_tested_behind_a_host_that_has_none(tmp_path: Path, read: Callable[..., Any]) -> None:
    with pytest.raises(NotPossible, match="over recorded"):
        read("serial.loop", tmp_path, port="/dev/ttyS0")
