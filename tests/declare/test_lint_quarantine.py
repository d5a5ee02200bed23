"""What charges, loads or heats comes after the inspections; keys of cycles and quarantine that do not fit."""

from __future__ import annotations

from pathlib import Path

import pytest

from verifier.commands.suite_text import suite_text
from verifier.declare.lint import load_suite
from verifier.errors import InputProblems
from verifier.gather.catalogue import load_catalogue

HEAD = 'schema = 1\nmodel = "example"\ntitle = "Example"\nrevision = 1\n'


def prompt(name: str, *more: str) -> str:
    limit = 'limits = [{ reading = "confirm", is = true, source = "invented" }]'
    head = f'[[checks]]\nid = "{name}"\ntitle = "{name}"\nprompt = "confirm"\nsay = "Is it so?"'
    return "\n".join([head, limit, *more, ""])


def inspection(name: str, *more: str) -> str:
    return prompt(name, 'on_fail = "quarantine"', *more)


def supply(name: str, *more: str) -> str:
    settings = '{ instrument = "supply", voltage = 5.0, current_limit = 1.0 }'
    limit = 'limits = [{ reading = "current", at_most = 1, unit = "A", source = "invented" }]'
    head = f'[[checks]]\nid = "{name}"\ntitle = "{name}"\nprobe = "instrument.supply"\nsettings = {settings}'
    return "\n".join([head, 'needs = ["supply"]', limit, *more, ""])


def told(folder: Path, text: str) -> list[str]:
    file = folder / "suite.toml"
    file.write_text(HEAD + text, "utf-8")
    try:
        problems = load_suite(file, load_catalogue()).warnings
    except InputProblems as error:
        problems = tuple(error.problems)
    return [problem.sentence("suite.toml") for problem in problems]


def test_what_energises_before_an_inspection_is_refused_with_what_to_write(tmp_path: Path) -> None:
    text = inspection("flat") + inspection("smell") + supply("feed", 'after = ["flat"]')
    (said,) = told(tmp_path, text)
    assert said.startswith("suite.toml:26:1: error: checks[2].after: the check can charge, load or heat the unit")
    assert 'before "smell"' in said and 'Add after = ["flat", "smell"].' in said


@pytest.mark.parametrize(
    "text",
    [
        inspection("flat") + supply("feed", 'after = ["flat"]'),
        # through another check
        inspection("flat") + prompt("lid", 'after = ["flat"]') + supply("feed", 'after = ["lid"]'),
        # looked at again after the charge, and a charge that quarantines itself
        inspection("flat")
        + supply("feed", 'after = ["flat"]', 'on_fail = "quarantine"')
        + inspection("flat-again", 'after = ["feed"]'),
        # no battery, nothing to inspect
        supply("feed"),
    ],
)
def test_these_orders_are_good(tmp_path: Path, text: str) -> None:
    assert told(tmp_path, text) == []


CHARGE = """[[checks]]
id = "charge"
title = "Charge"
probe = "power.charge"
settings = { highest_voltage = 4.4, highest_current = 2.2, taper = 0.2, hottest = 45 }
limits = [{ reading = "took", at_most = 9000, unit = "s", source = "invented" }]
"""
HEAT = """[[checks]]
id = "rise"
title = "Rise"
probe = "thermal.step"
settings = {  }
limits = [{ reading = "rise", at_most = 45, unit = "K", source = "invented" }]
"""
RELAY = """[[checks]]
id = "rail"
title = "Rail"
probe = "instrument.voltage"
settings = { instrument = "meter", relay = "relays", channel = 2 }
needs = ["meter", "relays"]
limits = [{ reading = "value", at_least = 4.75, unit = "V", source = "invented" }]
"""


@pytest.mark.parametrize("check", [CHARGE, HEAT, RELAY], ids=["charge", "heat", "relay"])
def test_a_charge_a_thermal_load_and_a_contact_count_too(tmp_path: Path, check: str) -> None:
    assert [s for s in told(tmp_path, inspection("flat") + check) if 'before "flat"' in s and "error" in s]


def test_a_charge_in_a_suite_that_inspects_nothing_is_a_warning(tmp_path: Path) -> None:
    (said,) = [s for s in told(tmp_path, CHARGE) if "cell" in s]
    assert "warning" in said and "no check quarantines the unit where a cell is damaged" in said


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (prompt("a", 'on_fail = "quarantine"', "required = false"), "what quarantines is always required"),
        (prompt("a", 'on_fail = "stop"'), '"stop" is none of go-on, quarantine'),
        (prompt("a", "cycles = { times = 1 }"), "checks[0].cycles.times: 1 is below 2"),
        (prompt("a", 'cycles = { positions = ["flat"] }'), "cycles are at least two"),
        (
            prompt("a", 'cycles = { times = 2, positions = ["a", "b", "c"] }'),
            "there are 3 positions and fewer cycles",
        ),
        (prompt("a", 'cycles = { times = 4, stop = "at once" }'), "never, first-fail"),
        (prompt("a", "cycles = { times = 900 }"), "900 is above 500"),
        (
            '[[checks]]\nid = "n"\ntitle = "N"\nprompt = "note"\nsay = "?"\ncycles = { times = 3 }\n'
            + prompt("a"),
            "each cycle is judged by itself, and this check has no limits",
        ),
    ],
)
def test_keys_that_do_not_fit_are_told_with_their_place(tmp_path: Path, text: str, words: str) -> None:
    said = told(tmp_path, text)
    assert any(words in sentence for sentence in said), said
    assert all(sentence.startswith("suite.toml:") and ":0:" not in sentence for sentence in said)


def test_what_the_guide_promises_is_read_back_in_plain_words(tmp_path: Path) -> None:
    file = tmp_path / "suite.toml"
    cycles = 'cycles = { times = 4, between = "Plug out and in", positions = ["flat", "up"], stop = "first-fail" }'
    file.write_text(HEAD + inspection("flat") + prompt("lamp", cycles), "utf-8")
    text = " ".join(suite_text(load_suite(file, load_catalogue()).suite).split())
    assert "a fail quarantines the unit" in text
    assert "in 4 cycles, each after: “Plug out and in”, in the positions flat, up, no more after a fail" in text
