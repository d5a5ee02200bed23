"""Names of networks, as hostile as the air carries them, from the radio through the record to the pages."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import AsyncGenerator, Mapping
from html import unescape
from pathlib import Path
from typing import Any

import anyio
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from verifier import flow
from verifier.commands.progress import Lines
from verifier.declare.answers import PreparedAnswers
from verifier.declare.lint import load_suite
from verifier.declare.order import RepairOrder
from verifier.declare.plan import make_plan
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.engine import Engine
from verifier.gather.hosts.local_radio import LocalRadio
from verifier.gather.probes.wireless import network_text
from verifier.gather.prompts.prepared import PreparedAsker
from verifier.gather.workers import run_probe
from verifier.judge import SuiteJudge
from verifier.readings import Person, ProbeDeclaration, Reading, Stage
from verifier.store.station import Station

sys.path.insert(0, str(Path(__file__).parents[1] / "gather/hosts"))
import radio_kernel as k

CATALOGUE = load_catalogue()
SUITE = """
schema = 1
model = "marrowby-quayside"
title = "Radio alone"
revision = 1
serial = { label = false, firmware = false }

[[checks]]
id = "wifi"
title = "Radio is connected"
probe = "wifi.signal"
settings = { interface = "wlan0", samples = 1 }
limits = [{ reading = "connected", is = true, source = "judgement" }]
"""


class Host:
    address, services = "recorded:here", frozenset({"files", "radio"})

    def __init__(self, network: bytes) -> None:
        kernel = k.RadioKernel(interfaces=[k.Interface(network=network)], stations=[[k.station()]])
        self.clocks, self.radio = RealClocks(), LocalRadio(RealClocks(), kernel.line)

    @property
    def files(self) -> Any:
        raise AssertionError("reads no files")

    commands = files


class Here:
    def __init__(self, network: bytes) -> None:
        self.host = Host(network)

    async def take(
        self, probe: str, given: Mapping[str, Any], at: str, *, declaration: ProbeDeclaration, deadline: float
    ) -> AsyncGenerator[Reading]:
        async for reading in run_probe(CATALOGUE.probe(probe), self.host, given):  # type: ignore[arg-type]
            yield reading  # type: ignore[misc]


def whole_run(folder: Path, network: bytes) -> tuple[Any, str, str]:
    """A sealed run whose radio is connected to that network, its report, and the customer's page."""
    tree = folder / "tree"
    tree.mkdir()
    file = folder / "suite.toml"
    file.write_text(SUITE)
    loaded = load_suite(file, CATALOGUE)
    station = Station.at(folder / "station")
    plan = make_plan(loaded.suite, loaded.text, loaded.sha256, RepairOrder())
    running = flow.begin(station, plan, at=f"recorded:{tree}", technician=Person(name="T04", known="order"))
    asker = PreparedAsker(PreparedAnswers({}), Person(name="T04"), label=None)
    engine = Engine(
        state=running.state,
        journal=running.journal,
        judge=SuiteJudge(loaded.suite.decision),
        catalogue=CATALOGUE,
        taker=Here(network),
        asker=asker,
        watcher=Lines(silent=True),
    )
    try:
        anyio.run(engine.run, list(Stage))
        ended = flow.seal_and_show(running)
    finally:
        running.journal.close()
    assert ended.sealed is not None and ended.report is not None
    customer = flow.report_page(station, ended.sealed, running.folder, audience="customer")
    return ended.sealed, ended.report.read_bytes().decode(), customer.decode()


NAMES = [
    b"Family Surname",
    b"<script>alert(1)</script>",
    b"\x1b[2J\x07bell\r\nline",
    b"\xff\xfe\x00\x80 thirty-two bytes of noise!!",
    "\u202etxet\u2066 \u0301é".encode()[:32],
    b"' OR 1=1; --{{7*7}}{% raw %}",
]


@pytest.mark.parametrize("network", NAMES)
def test_a_name_is_shown_escaped_where_it_is_disclosed_and_nowhere_else(tmp_path: Path, network: bytes) -> None:
    sealed, report, customer = whole_run(tmp_path, network)
    text = network_text(network)
    payload = json.dumps(json.loads(sealed.payload), ensure_ascii=False)
    assert json.dumps(text, ensure_ascii=False)[1:-1] not in payload
    assert text in {disclosure.value for disclosure in sealed.disclosed.values()}
    (names,) = [attempt.names for check in sealed.record.checks for attempt in check.attempts]
    assert {name.reading for name in names} == {"network", "access_point"}
    shown = unescape(report)
    assert text in shown and k.AP in shown
    # Isolates stand there on purpose, around everything from outside.
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e]", report), "nothing unseen in the page"
    assert "<script" not in report
    for word in (text, k.AP):
        assert word not in unescape(customer)
    withheld = json.loads(sealed.withhold())
    assert withheld["disclosed"] == {}


@given(st.binary(min_size=1, max_size=32))
@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_name_at_all_is_sealed(tmp_path_factory: pytest.TempPathFactory, network: bytes) -> None:
    sealed, report, _ = whole_run(tmp_path_factory.mktemp("run"), network)
    assert network_text(network) in {d.value for d in sealed.disclosed.values()}
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e]", report)
