"""The work that is measured: trivial checks, records to audit, a long report."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from base64 import urlsafe_b64decode
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

SITE = Path(__file__).parent / "site"
"""Holds the probe that reads nothing, as an installed package."""
MOST = 500
"""Checks of one suite at the most."""

_HEAD = """schema = 1
model = "marrowby-quayside"
title = "Trivial checks"
revision = 1
[serial]
label = false
firmware = false
"""


class Heating:
    """The samples of a heating of so many seconds, four a second, by a sensor with steps of 1 K."""

    def __init__(self, seconds: int) -> None:
        import numpy as np

        from verifier.gather.heating.estimate import Samples, Spans
        from verifier.gather.heating.forecast import Range
        from verifier.gather.heating.foster import response

        t = np.arange(0, seconds, 0.25)
        noise = 0.3 * np.random.default_rng(1).standard_normal(len(t))
        sensor = np.round(23 + response(t, 40.0, (9.0, 21.0), (22.0, 640.0)) + noise)
        self.samples = Samples(t, sensor, np.full(len(t), 23.0))
        self.spans = Spans(Range(8, 120), Range(400, 1000))

    def look(self) -> tuple[float, float]:
        from verifier.gather.heating.estimate import estimate

        return estimate(self.samples, self.spans, 2700.0, step=1.0).rise

    def fit(self) -> float:
        from verifier.gather.heating.estimate import fitted

        return fitted(self.samples, self.spans, 2700.0)[0].settled


def trivial_suite(checks: int) -> str:
    return _HEAD + "".join(
        f"""
[[checks]]
id = "check-{n}"
title = "Check {n}"
probe = "trivial"
settings = {{ number = {n} }}
limits = [{{ reading = "value", at_least = 0, source = "invented" }}]
"""
        for n in range(checks)
    )


@contextmanager
def trivial_probe() -> Iterator[None]:
    """Makes the probe `trivial` known here and in the workers, which take over this process's path."""
    sys.path.insert(0, str(SITE))
    try:
        yield
    finally:
        sys.path.remove(str(SITE))


class TrivialRun:
    """One run of trivial checks: taken and journalled in `folder`, judged, not yet sealed.

    On a recorded tree the readings come from worker processes, on the simulated unit from this process.
    """

    def __init__(self, folder: Path, checks: int, *, workers: bool) -> None:
        from verifier import flow
        from verifier.declare.lint import load_suite
        from verifier.declare.order import RepairOrder
        from verifier.declare.plan import make_plan
        from verifier.gather.catalogue import load_catalogue
        from verifier.store.station import Station

        (folder / "tree" / "sys").mkdir(parents=True)
        (folder / "suite.toml").write_text(trivial_suite(checks))
        loaded = load_suite(folder / "suite.toml", load_catalogue())
        plan = make_plan(loaded.suite, loaded.text, loaded.sha256, RepairOrder())
        at = f"recorded:{folder / 'tree'}" if workers else "simulated"
        self.running = flow.begin(Station.at(folder / "station"), plan, at=at)

    def take(self) -> int:
        """Takes and judges every check; how many passed."""
        from verifier import flow
        from verifier.commands.progress import Lines
        from verifier.gather.session import Sitting, sit
        from verifier.judge import SuiteJudge

        state = self.running.state
        sitting = Sitting(asker_for=lambda _: _Nobody(), watcher=Lines(silent=True), person=_nobody)
        judge = SuiteJudge(state.plan.suite.decision)
        paused = sit(state, self.running.journal, sitting, judge=judge, outlook=flow._outlook)
        assert not paused, paused
        counting = state.counting_attempts().values()
        return sum(a.finding is not None and a.finding.verdict == "pass" for a in counting)

    def close(self) -> None:
        self.running.journal.close()


class _Nobody:
    async def ask(self, question: object) -> object:
        raise AssertionError("trivial checks ask nothing")


async def _nobody() -> object:
    raise AssertionError("trivial checks ask nothing")


def pytest_words(folder: Path, tests: int) -> list[str]:
    """The command that runs as many trivial parametrised tests in pytest, alone and without any plug-in."""
    file = folder / f"test_trivial_{tests}.py"
    file.write_text(
        f"import pytest\n\n\n@pytest.mark.parametrize('number', range({tests}))\n"
        "def test_trivial(number):\n    assert number >= 0\n"
    )
    return [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", f"--rootdir={folder}", str(file)]


class SealedRun:
    """A run of trivial checks that is over, and the key, to seal its record under as many names as wanted."""

    def __init__(self, folder: Path, checks: int) -> None:
        from verifier import flow
        from verifier.seal import build_record, load_or_create

        run = TrivialRun(folder, checks, workers=False)
        assert run.take() == checks
        run.close()
        self._folder, state = folder, run.running.state
        self.key, _ = load_or_create(folder / "keys", state.role)
        self.record, self.disclosed = build_record(
            state, flow._outlook(state), role=self.key.role, key=self.key.thumbprint, journal_sha256="ab" * 32
        )

    def seal(self, name: str) -> Path:
        from verifier.seal import seal_run

        file = self._folder / "runs" / name / "sealed.json"
        file.parent.mkdir(parents=True)
        record = self.record.model_copy(update={"run": name})
        self.sealed = seal_run(record, self.disclosed, self.key, self._folder / "ledger", file)
        return file

    def audit(self) -> int:
        """Audits all that was sealed; how many are unaltered."""
        from verifier.seal import Status, TrustList, audit

        found = audit([self._folder / "runs"], TrustList.of([self.key]))
        return sum(line.status is Status.UNALTERED for line in found.lines)

    def render(self) -> bytes:
        from verifier.show import render_front

        return render_front(
            self.sealed.record,
            self.sealed.disclosed,
            self.sealed.raw,
            fingerprint=self.key.thumbprint,
            digest=self.sealed.digest,
        )


def least_audit(files: list[Path], key: Ed25519PublicKey) -> int:
    """What no audit can do without: read, hash, parse, and verify two signatures a record."""
    for file in files:
        data = file.read_bytes()
        hashlib.sha256(data).digest()
        sealed = json.loads(data)
        json.loads(_verified(sealed["record"], key))
        _verified(sealed["receipt"]["head"], key)
    return len(files)


def _verified(text: str, key: Ed25519PublicKey) -> bytes:
    signed, _, signature = text.rpartition(".")
    key.verify(_decoded(signature), signed.encode())
    return _decoded(signed.partition(".")[2])


def _decoded(text: str) -> bytes:
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))


def words(*arguments: str) -> Callable[[], None]:
    """Runs a command, which has to succeed."""

    def once() -> None:
        subprocess.run(arguments, check=True, capture_output=True)

    return once


def without_plugins() -> dict[str, str]:
    """An environment in which pytest loads nothing that other packages bring."""
    return {**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONDONTWRITEBYTECODE": "1"}
