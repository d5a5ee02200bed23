"""`suite learn`: what good units of the model tell of the settings of its thermal check."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from verifier.commands.options import complete_suite, json_option, print_json, station_option

if TYPE_CHECKING:
    from verifier.declare.suite import Check, Suite
    from verifier.seal.record import Record
    from verifier.store.station import Station
    from verifier.trends.good_units import Learned, Told


@click.command()
@click.argument("suite_name", metavar="SUITE", shell_complete=complete_suite)
@click.option("--check", "check_id", metavar="CHECK", help="Which check, where several use thermal.step.")
@click.option("--simulated", is_flag=True, help="From simulated units instead: for practice, no evidence.")
@station_option
@json_option
def learn(suite_name: str, check_id: str | None, simulated: bool, station: Path | None, as_json: bool) -> None:
    """The range `slow` of thermal.step for SUITE, from good units of its model in this station's records.

    Good units are those that were released with the check passed. The narrower the range, the earlier the answer.
    """
    from verifier.declare.lint import load_suite
    from verifier.errors import InputError
    from verifier.gather.catalogue import load_catalogue
    from verifier.shipped import find_suite
    from verifier.store.records import released
    from verifier.store.station import Station
    from verifier.trends.good_units import LEAST_UNITS, collect, learned

    suite = load_suite(find_suite(suite_name), load_catalogue()).suite
    check, bench = _check(suite, check_id), Station.at(station)
    runs = released(bench.store_file, suite.model, simulated=simulated)
    told = collect(_records(bench, runs), check.settings.get("sensor", "*"))
    kind = "simulated unit" if simulated else "good unit"
    if len(told.seconds) < LEAST_UNITS:
        few = f"{_count(len(told.seconds), kind)} of {suite.model} told the slow time constant"
        left_out = f" (left out: {_left_out(told)})" if told.left_out else ""
        raise InputError(
            f"{few}; {LEAST_UNITS} are needed{left_out}",
            where=str(bench.root),
            to_do=_how(check) + " With --at simulated, each with another --seed." * simulated,
        )
    found = learned(told.seconds)
    known_from = f"{_count(len(told.seconds), kind)}, {told.when}"
    settings = {**check.settings, "slow": list(found.range), "known_from": known_from}
    _fits(settings)
    if as_json:
        print_json(_as_data(suite, check, told, found, settings, simulated))
    else:
        click.echo(_text(suite, check, told, found, settings, kind))


def _check(suite: Suite, wanted: str | None) -> Check:
    """The check that is learned for: after the repair, by thermal.step."""
    from verifier.errors import InputError
    from verifier.readings import Stage
    from verifier.trends.good_units import PROBE

    found = [check for check in suite.checks if check.probe == PROBE and check.stage is not Stage.ARRIVAL]
    named = [check for check in found if wanted in (None, check.id)]
    if len(named) == 1:
        return named[0]
    there = ", ".join(check.id for check in found)
    if not found:
        raise InputError(f"no check of {suite.model} uses {PROBE}, so there is nothing to learn")
    if wanted is None:
        raise InputError(f"several checks use {PROBE}", where="--check", to_do=f"Name one of {there}.")
    raise InputError(f"{wanted} is no check with {PROBE}", where="--check", to_do=f"There is: {there}.")


def _records(bench: Station, runs: list[str]) -> Iterator[Record]:
    from verifier.errors import VerifierError
    from verifier.seal import read_sealed, record_in

    for run in runs:
        file = record_in(bench.runs / run)
        try:
            if file is not None:
                yield read_sealed(file).record
        except VerifierError as error:
            click.echo(f"left out: {error}", err=True)


def _how(check: Check) -> str:
    from verifier.gather.probes.thermal_step import Settings

    longest = Settings(**check.settings).longest
    return (
        "Run good units with a copy of the suite that heats them for long: a wide `slow`, and "
        f"minimum = {0.95 * longest:g} beside longest = {longest:g}."
    )


def _fits(settings: dict[str, Any]) -> None:
    """InputError where no check can have these settings."""
    from verifier.errors import InputError
    from verifier.gather.probes.thermal_step import Settings

    try:
        Settings(**settings)
    except ValueError as error:
        raise InputError(
            f"the range that these units tell, slow = {settings['slow']}, cannot stand in the suite: {error}",
            to_do="Are they all alike? Look at the `time_constant_2` of each, and void what is no good unit.",
        ) from None


def _count(number: int, kind: str) -> str:
    return f"{number} {kind}{'s' * (number != 1)}"


def _left_out(told: Told) -> str:
    return "; ".join(f"{count} {reason}" for reason, count in told.left_out.items())


def _text(suite: Suite, check: Check, told: Told, found: Learned, settings: dict[str, Any], kind: str) -> str:
    from statistics import median

    from verifier.trends.good_units import CONFIDENCE, CONTENT

    low, high = found.limits
    lines = [
        f"{_count(len(told.seconds), kind)} of {suite.model}, {told.when}: slow time constant "
        f"from {min(told.seconds):.0f} to {max(told.seconds):.0f} s, median {median(told.seconds):.0f} s."
    ]
    if told.left_out:
        lines.append(f"Runs left out: {_left_out(told)}.")
    lines.append(
        f"With {100 * CONFIDENCE:g} % confidence, {100 * CONTENT:g} % of all such units lie between {low:.0f} "
        f"and {high:.0f} s (tolerance limits of its logarithm, k = {found.factor:.3f})."
    )
    if found.widened:
        lines.append("Widened: the early answer was not tried with a narrower range.")
    if found.no_gain:
        lines.append("These units differ so much that the range makes no answer earlier.")
    lines += [
        "",
        f"For the check {check.id}:",
        f"settings = {_inline(settings)}",
        "",
        "`fast` stays as it is: it has to hold bad interfaces, and good units show none.",
    ]
    if kind.startswith("simulated"):
        lines.append("From simulated units: for practice, no evidence.")
    return "\n".join(lines)


def _inline(settings: dict[str, Any]) -> str:
    """As a TOML inline table. JSON's texts, numbers, truth values and lists are TOML's."""
    return "{ " + ", ".join(f"{key} = {json.dumps(v, ensure_ascii=False)}" for key, v in settings.items()) + " }"


def _as_data(
    suite: Suite, check: Check, told: Told, found: Learned, settings: dict[str, Any], simulated: bool
) -> dict[str, Any]:
    from verifier.trends.good_units import CONFIDENCE, CONTENT

    return {
        "model": suite.model,
        "check": check.id,
        "simulated": simulated,
        "units": len(told.seconds),
        "seconds": list(told.seconds),
        "since": told.since,
        "until": told.until,
        "left_out": told.left_out,
        "content": CONTENT,
        "confidence": CONFIDENCE,
        "factor": found.factor,
        "limits": list(found.limits),
        "widened": found.widened,
        "no_gain": found.no_gain,
        "settings": settings,
    }
