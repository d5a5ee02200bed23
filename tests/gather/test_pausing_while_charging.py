"""A run that pauses while the unit charges itself says what nobody but the person there can do."""

from __future__ import annotations

import signal
import sys
from collections.abc import AsyncGenerator, Mapping
from pathlib import Path
from typing import Any

import anyio
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "suites"))
from tablet import Scripted, Tablet

from verifier import flow
from verifier.commands.progress import Lines
from verifier.declare.lint import load_suite
from verifier.declare.order import RepairOrder
from verifier.declare.plan import make_plan
from verifier.gather import session
from verifier.gather.catalogue import load_catalogue
from verifier.gather.prompts.prepared import PreparedAsker
from verifier.gather.session import Sitting
from verifier.readings import Person, ProbeDeclaration
from verifier.steps import Cue, Step
from verifier.store.station import Station

SUITE = """
schema = 1
model = "marrowby-gangway"
title = "Trial"
revision = 1

[serial]
label = false
firmware = false

[[checks]]
id = "charge"
title = "Charge"
probe = "power.charge"
settings = { highest_voltage = 4.4, highest_current = 2.2, taper = 0.2 }
limits = [{ reading = "stopped_by", equals = "taper", source = "trial" }]
"""
T07 = Person(name="T07", known="order")


class Willing(PreparedAsker):
    async def cue(self, title: str, cue: Cue) -> Person:
        return T07


class Interrupted(Scripted):
    """Ctrl-C comes while the tablet charges, and the check never ends by itself."""

    async def take(
        self,
        probe: str,
        settings: Mapping[str, Any],
        host_address: str,
        *,
        declaration: ProbeDeclaration,
        **_: Any,
    ) -> AsyncGenerator[Step]:
        signal.raise_signal(signal.SIGINT)
        await anyio.sleep_forever()
        yield Cue(say="never")


HEATING = (
    SUITE[: SUITE.index("[[checks]]")]
    + """
[[checks]]
id = "heat"
title = "Heat path"
probe = "thermal.step"
limits = [{ reading = "rise", at_most = 45, unit = "K", source = "trial" }]
"""
)


@pytest.mark.parametrize(
    ("suite", "words"),
    [
        (SUITE, "pull the charger's plug now, “Charge” was not ended"),
        (HEATING, "the load is off, the unit may still be hot, “Heat path” was not ended"),
    ],
)
def test_what_is_dangerous_is_said_when_the_run_pauses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suite: str, words: str
) -> None:
    from contextlib import nullcontext

    catalogue = load_catalogue()
    (tmp_path / "suite.toml").write_text(suite)
    (tmp_path / "unit").mkdir()
    loaded = load_suite(tmp_path / "suite.toml", catalogue)
    plan = make_plan(loaded.suite, loaded.text, loaded.sha256, RepairOrder())
    running = flow.begin(
        Station.at(tmp_path / "station"), plan, at=f"recorded:{tmp_path / 'unit'}", technician=T07
    )
    taker = Interrupted(catalogue, Tablet(tmp_path / "unit"))
    monkeypatch.setattr(session, "_taker", lambda *_: nullcontext(taker))

    async def person() -> Person:
        return T07

    sitting = Sitting(asker_for=lambda _: Willing({}, T07), watcher=Lines(silent=True), person=person)
    ended = flow.carry_on(running, sitting, resumed=False)
    running.journal.close()
    assert ended.paused_because == f"Ctrl-C; {words}"
