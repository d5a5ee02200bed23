"""What lint says of a serial console, of checks that ask over it, and of checks seen from the bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from verifier.declare.lint import load_suite
from verifier.errors import InputProblems
from verifier.gather.catalogue import load_catalogue

HEAD = 'schema = 1\nmodel = "marrowby-orlop"\ntitle = "Console"\nrevision = 1\n'
CONSOLE = "[console]\nbaud = 9600\n"
CHECK = """
[[checks]]
id = "input-1"
title = "Input 1"
probe = "console.query"
settings = {{ send = "IN? 1", {settings} }}
limits = [{{ reading = "{reading}", at_least = 1, unit = "{unit}", source = "invented" }}]
"""


def told(tmp_path: Path, text: str) -> str:
    """Everything that is wrong, or nothing."""
    file = tmp_path / "suite.toml"
    file.write_text(HEAD + text)
    try:
        load_suite(file, load_catalogue())
    except InputProblems as error:
        return str(error)
    return ""


def check(settings: str = 'reply = "{c}", units = { c = "mA" }', reading: str = "c", unit: str = "mA") -> str:
    return CHECK.format(settings=settings, reading=reading, unit=unit)


def test_readings_are_known_from_the_form_of_the_reply(tmp_path: Path) -> None:
    assert told(tmp_path, CONSOLE + check()) == ""
    assert told(tmp_path, CONSOLE + check(unit="A")) == ""
    assert '"V" does not fit: the reading "c" is in mA' in told(tmp_path, CONSOLE + check(unit="V"))
    assert 'gives no reading "current"' in told(tmp_path, CONSOLE + check(reading="current"))
    assert "text" in told(tmp_path, CONSOLE + check(settings='reply = "{c}"'))


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ('reply = "{a}{b}"', "something must stand between two readings"),
        ('reply = "OK"', "names no reading in braces"),
        ('reply = "{c}", units = { d = "mA" }', 'units names "d"'),
        ('reply = "{c}", units = { c = "furlong" }', "furlong"),
        ('first = ["two\\nlines"]', "one line of at most 200"),
        ("settle = -1.0", "settle is between 0"),
    ],
)
def test_settings_that_cannot_be(tmp_path: Path, settings: str, words: str) -> None:
    assert words in told(tmp_path, CONSOLE + check(settings=settings))


def test_who_asks_over_a_console_needs_one(tmp_path: Path) -> None:
    assert "checks[0].probe: console.query asks over a serial console, and the suite describes none" in told(
        tmp_path, check()
    )
    firmware = (
        '[serial]\nfirmware = { probe = "console.query", settings = { send = "ID?", reply = "{serial}" } }\n'
    )
    assert "serial.firmware.probe: console.query asks over" in told(tmp_path, firmware)
    assert "suite describes none" not in told(tmp_path, CONSOLE + firmware)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("error = '('", "never closed"),
        ('safe = ["RLY 1,0\\n"]', "not one line of plain ASCII"),
        ('parity = "mark"', "parity"),
        ("speed = 9600", "speed"),
        ('wait = "0 s"', "longer than nothing"),
    ],
)
def test_consoles_that_cannot_be(tmp_path: Path, keys: str, words: str) -> None:
    assert words in told(tmp_path, f"[console]\n{keys}\n{check()}")


def test_only_what_the_bench_has_is_seen_from_there(tmp_path: Path) -> None:
    seen = 'seen_from = "bench"\n'
    lan = (
        '[[checks]]\nid = "lan"\ntitle = "Lan"\nprobe = "ethernet.link"\n'
        'limits = [{ reading = "carrier", is = true, source = "invented" }]\n'
    )
    assert told(tmp_path, lan + seen) == ""
    assert "console.query cannot be seen from the bench: it needs console" in told(
        tmp_path, CONSOLE + check() + seen
    )
    prompt = '[[checks]]\nid = "p"\ntitle = "P"\nprompt = "confirm"\nsay = "Well?"\n'
    assert "seen_from belongs to a probe" in told(tmp_path, prompt + seen)
    assert "seen_from" in told(tmp_path, lan + 'seen_from = "moon"\n')
