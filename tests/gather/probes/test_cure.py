"""How long an adhesive has cured, by the repair order or by the technician's word."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import anyio
import pytest

from verifier.declare.order import Consumable, RepairOrder
from verifier.declare.order_file import load_order
from verifier.errors import InputProblems, NotPossible
from verifier.gather.hosts.order import OrderHost
from verifier.gather.probes.cure import Cured
from verifier.gather.virtual_time import VirtualClocks
from verifier.gather.workers import run_probe
from verifier.readings import Reading
from verifier.steps import Ask

NOW = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


def taken(*consumables: Consumable, answer: str = "", hours: float = 12) -> dict[str, Reading]:
    plan: Any = SimpleNamespace(order=RepairOrder(consumables=consumables))
    host = OrderHost(plan, VirtualClocks(seed=1, began=NOW.timestamp()))

    async def take() -> dict[str, Reading]:
        found: dict[str, Reading] = {}
        settings = {"consumable": "Case adhesive", "hours": hours}
        async for one in run_probe(Cured(), host, settings):
            if isinstance(one, Ask):
                assert answer, "nobody was to be asked"
                one.answer = answer
            elif isinstance(one, Reading):
                found[one.name] = one
        return found

    return anyio.run(take)


def applied(hour: int, minute: int = 0, day: int = 25) -> Consumable:
    return Consumable(name="case adhesive", applied=datetime(2026, 11, day, hour, minute, tzinfo=UTC))


def test_cured_long_enough() -> None:
    found = taken(applied(7))
    assert found["hours"].value == pytest.approx(13.0)
    assert found["since"].value == "repair order, applied 2026-11-25 07:00 UTC"
    # Written down to a quarter of an hour: u = a/√3 (JCGM 100, 4.3.7).
    assert found["hours"].contributions[0].u == pytest.approx(0.25 / 3**0.5)


def test_too_early_says_when_it_can_be_tested() -> None:
    with pytest.raises(NotPossible, match="has not cured 12 h yet: it can be tested from 2026-11-25 21:15 UTC"):
        taken(applied(9))


def test_what_was_applied_last_is_what_holds() -> None:
    with pytest.raises(NotPossible, match="2026-11-26 07:45"):
        taken(applied(7), applied(19, 30))


def test_only_the_day_is_known_so_its_end_counts() -> None:
    assert taken(Consumable(name="case adhesive", opened=date(2026, 11, 24)))["hours"].value == pytest.approx(20.0)
    with pytest.raises(NotPossible, match="2026-11-26 12:15"):
        taken(Consumable(name="case adhesive", opened=date(2026, 11, 25)))


def test_an_order_that_does_not_say_has_the_technician_asked() -> None:
    found = taken(Consumable(name="Thread lock"), answer="14.5")
    assert found["hours"].value == pytest.approx(14.5) and found["since"].value == "the technician, asked"
    with pytest.raises(NotPossible, match="not cured"):
        taken(answer="12")  # within the half hour that such a memory is good to


def test_an_order_file_says_when_it_went_on(tmp_path: Path) -> None:
    file = tmp_path / "order.toml"
    file.write_text('[[consumables]]\nname = "Case adhesive"\napplied = 2026-11-25T08:30:00+01:00\n')
    (item,) = load_order(file).consumables
    assert item.applied == datetime(2026, 11, 25, 7, 30, tzinfo=UTC)
    again = RepairOrder.model_validate(load_order(file).model_dump(mode="json", exclude_defaults=True))
    assert again.consumables[0].applied == item.applied
    file.write_text('[[consumables]]\nname = "Case adhesive"\napplied = 2026-11-25T08:30:00\n')
    with pytest.raises(InputProblems):
        load_order(file)  # no offset from UTC: a bench in summer time would be an hour off
