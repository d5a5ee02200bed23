"""What a probe foresees, in lint, in what is shown of a suite, and where the probe is somebody else's."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from verifier.commands.suite_text import suite_text
from verifier.declare.cautions import cautions_of
from verifier.declare.forecast import bounds_of, forecast_of, lasts_of
from verifier.declare.lint import load_suite
from verifier.declare.suite import Check, Decision, Rule, Suite
from verifier.errors import InputProblems
from verifier.gather.catalogue import load_catalogue
from verifier.readings import Bound, Catalogue, ProbeDeclaration

HEAD = 'schema = 1\nmodel = "m"\ntitle = "t"\nrevision = 1\n'
CHECK = """
[[checks]]
id = "keeps"
title = "Keeps its time"
probe = "clock.retention"
settings = {{ server = "time.example", look_within = 0.005, holds_up = 40.0{settings} }}
limits = [{{ reading = "rate", at_least = -20, at_most = {most}, unit = "{unit}", source = "x" }}]
{more}
"""


def written(settings: str = "", most: str = "20", unit: str = "ppm", more: str = "") -> str:
    return HEAD + CHECK.format(settings=settings, most=most, unit=unit, more=more)


def lint(tmp_path: Path, text: str) -> list[str]:
    path = tmp_path / "suite.toml"
    path.write_text(text)
    try:
        return [f"{p.severity}: {p.what}. {p.to_do}" for p in load_suite(path, load_catalogue()).warnings]
    except InputProblems as error:
        return [f"{p.severity}: {p.what}. {p.to_do}" for p in error.problems]


def suite_of(text: str) -> Suite:
    return Suite.model_validate(tomllib.loads(text))


def parse_check(example: str) -> Check:
    return Check.model_validate(tomllib.loads(example)["checks"][0])


def test_lint_warns_of_a_dwell_that_is_too_short_with_the_figure(tmp_path: Path) -> None:
    """Ends of ± 10 ms and ± 5 ms: 1023 s for ± 20 ppm (tests/gather/timekeeping/test_dwell.py, worked case)."""
    assert lint(tmp_path, written()) == lint(tmp_path, written(", dwell = 1200.0")) == []
    (warning,) = lint(tmp_path, written(", dwell = 600.0"))
    assert warning.startswith("warning: a dwell of 10 min is too short")
    assert "at least 17.1 min, or better 30 min" in warning


def timed(probe: str, settings: str, more: str) -> str:
    return f"""{HEAD}
[[checks]]
id = "long"
title = "Long"
probe = "{probe}"
settings = {{ {settings} }}
{more}
"""


def test_lint_warns_of_a_timeout_that_ends_a_probe_within_its_own_settings(tmp_path: Path) -> None:
    heat, limited = "cooling = 600.0", 'limits = [{ reading = "rise", at_most = 45, unit = "K", source = "x" }]'
    (warning,) = lint(tmp_path, timed("thermal.step", heat, f'timeout = "50 min"\n{limited}'))
    assert "thermal.step may last 55 min with these settings, and is ended after 50 min" in warning
    assert 'timeout = "62 min"' in warning
    assert lint(tmp_path, timed("thermal.step", heat, f'timeout = "62 min"\n{limited}')) == []
    assert lint(tmp_path, timed("thermal.step", heat, limited)) == []  # its own time is enough
    # Every take is in the one time that a check has; and a probe's own time may be too short for its settings.
    line = timed("serial.loop", 'port = "/dev/ttyS1", seconds = 20.0', 'timeout = "50 s"\nrepeat = { times = 3 }')
    assert any("may last 1 min" in told for told in lint(tmp_path, line))
    rate = timed("clock.rate", 'reference = "network", server = "t.example", readings = 31, interval = 60.0', "")
    assert any("may last 30 min with these settings, and is ended after 20 min" in t for t in lint(tmp_path, rate))


def test_what_a_probe_lasts_follows_from_settings_that_it_has() -> None:
    """By its defaults alone no built-in probe is ended too soon, but where its own text asks for a timeout."""
    catalogue = load_catalogue()
    said = {}
    for name in catalogue.names():
        declaration = catalogue.declaration(name)
        if declaration is not None and declaration.lasts is not None:
            check = parse_check(declaration.example)
            lasts = lasts_of(check, declaration)
            assert lasts is not None and 0 <= lasts <= (check.timeout or declaration.timeout), name
            said[name] = lasts
    assert len(said) > 12


def test_what_lets_the_run_pause_is_taken_once(tmp_path: Path) -> None:
    for key, table in (("repeat", '{ times = 3, pool = "mean" }'), ("cycles", "{ times = 3 }")):
        (problem,) = lint(tmp_path, written(more=f"{key} = {table}"))
        assert problem == f"error: clock.retention lets the run pause, and is taken once. Take {key} away."


def test_the_plan_and_the_cautions_are_shown_with_the_suite() -> None:
    shown = suite_text(suite_of(written()), 80, load_catalogue())
    assert "plan        Power away for 30 min, to decide ± 20 ppm" in shown
    assert "<- this check" in shown
    assert "caution     Coin cells: swallowed" in shown
    assert max(map(len, shown.splitlines())) <= 80


def test_each_caution_is_said_once_and_the_suites_own_first() -> None:
    twice = written() + written().removeprefix(HEAD).replace('"keeps"', '"again"')
    own = suite_of('cautions = ["Mind the gap."]\n' + twice)
    said = cautions_of(own, load_catalogue())
    assert said[0] == "Mind the gap." and len(said) == len(set(said)) == 4


def test_limits_are_told_in_the_unit_of_the_reading() -> None:
    check = suite_of(written(unit="[ppb]", most="20000")).checks[0]
    declaration = load_catalogue().declaration("clock.retention")
    assert declaration is not None
    (bound,) = bounds_of(check, declaration)
    assert bound.lower == pytest.approx(-0.02) and bound.upper == pytest.approx(20.0)
    assert bounds_of(suite_of(written(unit="V")).checks[0], declaration) == ()  # told by lint elsewhere


def foreseeing(catalogue: Catalogue) -> tuple[Check, ProbeDeclaration]:
    declaration = catalogue.declaration("clock.retention")
    assert declaration is not None
    return suite_of(written()).checks[0], declaration


def test_the_simple_rule_has_no_risk_to_plan_for() -> None:
    check, declaration = foreseeing(load_catalogue())
    seen: list[tuple[tuple[Bound, ...], float]] = []

    def forecast(settings: object, bounds: object, risk: float) -> None:
        seen.append((tuple(bounds), risk))  # type: ignore[arg-type]

    spied = replace(declaration, forecast=forecast)  # type: ignore[arg-type]
    forecast_of(check, spied, Decision(rule=Rule.SIMPLE))
    forecast_of(check, spied, Decision())
    assert [risk for _, risk in seen] == [0.0, 0.025]


def test_a_probe_that_breaks_down_while_it_foresees_costs_no_run() -> None:
    check, declaration = foreseeing(load_catalogue())

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    assert forecast_of(check, replace(declaration, forecast=broken), Decision()) is None  # type: ignore[arg-type]
    assert forecast_of(check, replace(declaration, forecast=None), Decision()) is None
