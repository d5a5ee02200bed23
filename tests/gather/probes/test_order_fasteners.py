"""The counts of the repair order as readings."""

from __future__ import annotations

from pathlib import Path

import anyio
import pytest

from verifier.declare.fasteners import uncounted
from verifier.declare.lint import load_suite
from verifier.declare.order import Fasteners, RepairOrder, Replaced
from verifier.declare.plan import Plan, make_plan
from verifier.errors import Absent, InputProblems, NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.from_order import OrderTaker

SUITE = """
schema = 1
model = "marrowby-quayside"
title = "Quayside counter terminal"
revision = 1
[parts.rear-cover]
title = "Rear cover"
fasteners = { quarter-turn = 4 }
[parts.io-board]
title = "Connector board"
reached_through = ["rear-cover"]
fasteners = { m3x6 = 6 }
[parts.main-board]
title = "Main board"
reached_through = ["io-board"]
fasteners = { m3x6 = 7 }
[parts.stand]
title = "Stand"
fasteners = { m4x10 = 2 }
[[checks]]
id = "balance"
title = "M3 screws"
stage = "finished"
probe = "order.fasteners"
settings = { type = "m3x6" }
limits = [{ reading = "fitted", at_least = 1, source = "invented" }]
"""


def plan(tmp_path: Path, *replaced: str, **fasteners: Fasteners) -> Plan:
    path = tmp_path / "suite.toml"
    path.write_text(SUITE)
    loaded = load_suite(path, load_catalogue())
    order = RepairOrder(replaced=tuple(Replaced(part=p) for p in replaced), fasteners=fasteners)
    return make_plan(loaded.suite, loaded.text, loaded.sha256, order)


def taken(plan: Plan, kind: str = "m3x6") -> dict[str, object]:
    declaration = load_catalogue().declaration("order.fasteners")
    assert declaration is not None

    async def collect() -> dict[str, object]:
        readings = OrderTaker(plan).take(
            declaration.name, {"type": kind}, "local", declaration=declaration, deadline=5
        )
        return {r.name: r.value async for r in readings}

    return anyio.run(collect)


def test_counts_and_what_is_due(tmp_path: Path) -> None:
    counts = Fasteners(removed=13, issued=2, fitted=13, discarded=1, left=1)
    # The board in the way counts too: 7 of the main board and 6 of the connector board.
    assert taken(plan(tmp_path, "main-board", m3x6=counts)) == {
        "removed": 13,
        "issued": 2,
        "fitted": 13,
        "discarded": 1,
        "left": 1,
        "due": 13,
    }
    assert taken(plan(tmp_path, "io-board", m3x6=counts))["due"] == 6


def test_a_repair_that_touches_none_says_so(tmp_path: Path) -> None:
    with pytest.raises(Absent, match="took out nothing that m3x6 holds"):
        taken(plan(tmp_path, "stand"))


def test_an_order_that_forgets_to_count_proves_nothing(tmp_path: Path) -> None:
    with pytest.raises(NotPossible, match="does not count m3x6, and 6 were out"):
        taken(plan(tmp_path, "io-board"))


def test_counts_given_without_need_are_read(tmp_path: Path) -> None:
    found = taken(plan(tmp_path, "stand", m3x6=Fasteners(removed=1, fitted=1)))
    assert (found["due"], found["fitted"]) == (0, 1)


def test_lint_knows_the_types(tmp_path: Path) -> None:
    path = tmp_path / "suite.toml"
    path.write_text(SUITE.replace('type = "m3x6"', 'type = "m3x8"'))
    with pytest.raises(InputProblems) as caught:
        load_suite(path, load_catalogue())
    (problem,) = caught.value.problems
    assert problem.path == "checks[0].settings.type"
    assert "m3x6" in problem.to_do


def test_a_machine_has_no_order(tmp_path: Path) -> None:
    from verifier.gather.clocks import RealClocks
    from verifier.gather.hosts import open_host
    from verifier.gather.workers import run_probe

    async def take() -> None:
        host = open_host(f"recorded:{tmp_path}", RealClocks())
        async for _ in run_probe(load_catalogue().probe("order.fasteners"), host, {"type": "m3x6"}):
            raise AssertionError("a reading came from nowhere")

    with pytest.raises(NotPossible, match="cannot be read over recorded"):
        anyio.run(take)


def test_what_the_order_forgot_to_count_is_known_before_the_run(tmp_path: Path) -> None:
    def forgotten(plan: Plan) -> list[str]:
        return uncounted(plan.suite, plan.order)

    assert forgotten(plan(tmp_path, "io-board")) == ["m3x6"], "no check asks for the quarter-turns"
    assert forgotten(plan(tmp_path, "io-board", m3x6=Fasteners(removed=6, fitted=6))) == []
    assert forgotten(plan(tmp_path, "stand")) == []
