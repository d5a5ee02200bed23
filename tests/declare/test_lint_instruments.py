"""Lint names the instrument that a check uses and `needs` leaves out; units of its reading are checked."""

from __future__ import annotations

from pathlib import Path

import pytest

from verifier.declare.lint import load_suite
from verifier.errors import InputProblems
from verifier.gather.catalogue import load_catalogue

HEAD = 'schema = 1\nmodel = "example"\ntitle = "Example"\nrevision = 1\n'
CHECK = """
[[checks]]
id = "rail"
title = "Rail"
probe = "instrument.voltage"
settings = { instrument = "meter", relay = "relays", channel = 2 }
needs = ["meter", "relays"]
limits = [{ reading = "value", at_least = 4.75, unit = "V", source = "invented" }]
"""


def load(folder: Path, text: str) -> list[str]:
    file = folder / "suite.toml"
    file.write_text(HEAD + text)
    return [problem.sentence("suite.toml") for problem in load_suite(file, load_catalogue()).warnings]


def test_a_check_that_needs_what_it_uses_has_nothing_to_mend(tmp_path: Path) -> None:
    assert load(tmp_path, CHECK) == []


def test_an_instrument_that_needs_leaves_out_is_named(tmp_path: Path) -> None:
    (told,) = load(tmp_path, CHECK.replace('needs = ["meter", "relays"]', 'needs = ["meter"]'))
    assert 'uses the instrument "relays", and needs does not name it' in told
    assert 'needs = ["meter", "relays"]' in told, "says what to write"


def test_a_limit_in_another_dimension_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputProblems, match='"A" does not fit'):
        load(tmp_path, CHECK.replace('unit = "V"', 'unit = "A"'))


def test_settings_that_no_supply_takes_are_refused(tmp_path: Path) -> None:
    text = CHECK.replace("instrument.voltage", "instrument.supply").replace(
        'instrument = "meter", relay = "relays", channel = 2',
        'instrument = "supply", voltage = -5.0, current_limit = 1.0',
    )
    with pytest.raises(InputProblems, match="positive"):
        load(tmp_path, text.replace('reading = "value"', 'reading = "voltage"'))
