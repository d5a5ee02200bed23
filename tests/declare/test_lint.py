"""Lint: a good suite is silent and cheap; every mistake is told at its place with the nearest valid spelling."""

# ruff: noqa: E501 - tables read better in rows

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.declare.lint import LoadedSuite, load_suite
from verifier.declare.suite import Suite
from verifier.errors import InputProblems, Problem

Lint = Callable[[str | bytes], list[Problem]]
Load = Callable[[str | bytes], LoadedSuite]


def test_good_suite_has_nothing_to_mend(load: Load, good: str) -> None:
    loaded = load(good)
    assert loaded.warnings == ()
    assert loaded.text == good
    assert [c.id for c in loaded.suite.checks][:2] == ["radio-present", "signal"]
    assert loaded.suite.checks[1].timeout == 40
    # The model alone, with the rules between keys, takes it too.
    assert Suite.model_validate(loaded.suite.model_dump(by_alias=True)) == loaded.suite


# Each mistake: what stands in the good suite, what is written instead (§ marks the place that must be told, and
# is taken out), the key path, and a word each of what is wrong and of the hint.
MISTAKES: list[tuple[str, str, str, str, str]] = [
    # keys
    ('title = "Quayside', '§titel = "Quayside', "titel", 'unknown key "titel"', '"title"'),
    ("schema = 1\n", 'schema = 1\n§colour = "red"\n', "colour", 'unknown key "colour"', "Known: cautions, checks"),
    ("[decision]\n", "[decision]\n§risk = 1\n", "decision.risk", 'unknown key "risk"', "max_false_accept"),
    ("at_most = 8", "§max = 8", "checks[1].limits[1].max", 'unknown key "max"', '"at_most"'),
    ('title = "Radio module"\n', "", "parts.radio-module.title", '"title" is missing', "technician"),
    ("[joints.antenna-right]\n", '[joints.§"Antenna right"]\n', 'joints."Antenna right"', "hyphens", '"antenna-right"'),
    # values
    ("schema = 1", "schema = §2", "schema", "2 does not fit; it takes 1", ""),
    ("revision = 4", 'revision = §"4"', "revision", "takes a whole number", "without quotes"),
    ("revision = 4", "revision = §0", "revision", "0 is below 1", ""),
    ("revision = 4", "revision = §4.5", "revision", "whole number", ""),
    ('state = "approved"', 'state = §"aproved"', "state", "none of trial, approved", '"approved"'),
    ('model = "marrowby-quayside"', 'model = §"Marrowby Quayside"', "model", "hyphens", '"marrowby-quayside"'),
    ('title = "Rear cover"', "title = §7", "parts.rear-cover.title", "takes text in quotes", ""),
    ('title = "Rear cover"', 'title = §"  "', "parts.rear-cover.title", "is empty", ""),
    ('title = "Rear cover"', "title = §2027-01-01", "parts.rear-cover.title", "date", "quotes"),
    ('title = "Rear cover"', 'title = §"a\\u202eb"', "parts.rear-cover.title", "hidden character U+202E", ""),
    ("second_person = true", 'second_person = §"yes"', "checks[5].second_person", "true or false", "without quotes"),
    ('timeout = "40 s"', 'timeout = §"40"', "checks[1].timeout", "a duration is a number and a unit", ""),
    ("max_false_accept = 0.025", "max_false_accept = §0.7", "decision.max_false_accept", "not below 0.5", ""),
    ("at_most = 8", 'at_most = §"8"', "checks[1].limits[1].at_most", "takes a number", "without quotes"),
    ("at_most = 8", "at_most = §nan", "checks[1].limits[1].at_most", "finite number", ""),
    ("equals = 2", "equals = §[2]", "checks[2].limits[0].equals", "takes true or false or a number or text", ""),
    ("range = [0, 10]", "range = §[10, 0]", "checks[2].range", "smaller to the larger", ""),
    ('faults = ["open-circuit"]', 'faults = ["open-circuit", §3]', "joints.antenna-left.faults[1]", "text", ""),
    # probes and settings
    ('probe = "bench.meter"\nsettings = { port = "ttyS0" }', 'probe = §"bench.metre"', "checks[0].probe",
     'there is no probe "bench.metre"', '"bench.meter"'),
    ('settings = { port = "ttyS0" }', 'settings = { §prot = "ttyS0" }', "checks[0].settings.prot",
     'takes no setting "prot"', '"port"'),
    ('settings = { port = "ttyS0" }', "§settings = { }", "checks[0].settings.port", '"port" is missing', ""),
    ("seconds = 10", 'seconds = §"10"', "checks[1].settings.seconds", "takes a number", "without quotes"),
    ("seconds = 10", "seconds = §inf", "checks[1].settings.seconds", "no finite number", ""),
    ("{ port = \"ttyS1\", seconds = 10", '§{ port = "ttyS1", seconds = -1', "checks[1].settings",
     "seconds is above 0", ""),
    ('mode = "slow"', 'mode = §"slwo"', "checks[1].settings.mode", "none of fast, slow", '"slow"'),
    ('settings = { port = "ttyS9" }', "settings = { port = §9 }", "serial.firmware.settings.port", "text", ""),
    ('reading = "model", settings', 'reading = §"modle", settings', "serial.firmware.reading",
     'gives no reading "modle"', '"model"'),
    ('reading = "model", settings', 'reading = §"voltage", settings', "serial.firmware.reading", "is a text", ""),
    ("pattern = 'QS-", "pattern = §'(QS-", "serial.pattern", "never closed", ""),
    # readings
    ('reading = "lamp"', 'reading = §"lmap"', "checks[0].limits[0].reading", 'gives no reading "lmap"', '"lamp"'),
    ('reading = "chain_0", at', 'reading = §"chian_0", at', "checks[1].limits[0].reading", "chian_0", '"chain_*"'),
    ('reading = "difference"', 'reading = §"diference"', "checks[1].limits[1].reading", "diference", '"difference"'),
    ('reading = "choice"', 'reading = §"chocie"', "checks[3].limits[0].reading", "chocie", '"choice"'),
    ('reading = "temperature", half', 'reading = §"temp", half', "checks[1].uncertainty[0].reading", "temp",
     '"temperature"'),
    ('reading = "temperature", half_width = 1, unit = "K"', 'reading = §"model", half_width = 1',
     "checks[1].uncertainty[0].reading", "a text, which has no uncertainty", "away"),
    # kinds
    ("is = true, source = \"port", '§at_most = 5, source = "port', "checks[0].limits[0].at_most",
     '"lamp" is a yes or no', "is = true"),
    ("matches = 'MR-\\d+'", "§at_least = 3", "checks[1].limits[4].at_least", '"model" is a text', "matches"),
    ("matches = 'MR-\\d+'", "equals = §3", "checks[1].limits[4].equals", '"model" is a text', "in quotes"),
    ("equals = 2", "§is = true", "checks[2].limits[0].is", '"count" is a number', "at_least"),
    ("equals = 2", 'equals = §"2"', "checks[2].limits[0].equals", '"count" is a number', "without quotes"),
    ("equals = 2", "equals = §true", "checks[2].limits[0].equals", '"count" is a number', "at_least"),
    ("equals = 2", "one_of = [2, §2.5]", "checks[2].limits[0].one_of[1]", "whole number", ""),
    ("matches = 'MR-\\d+'", "matches = §'MR-(\\d+'", "checks[1].limits[4].matches", "never closed", ""),
    # forms
    ("at_most = 8", "equals = 3, at_most = 8", "checks[1].limits[1]", "exactly one form", ""),
    ("at_most = 8, ", "", "checks[1].limits[1]", "exactly one form", ""),
    ("nominal = 5, tolerance = 1", "§nominal = 5", "checks[1].limits[2].nominal", "go together", ""),
    ("at_least = 10, at_most = 60", "§at_least = 70, at_most = 60", "checks[1].limits[3].at_least",
     "70 is above at_most 60", ""),
    ("half_width = 1", "half_width = 1, u = 1", "checks[1].uncertainty[0]", "either u or half_width", ""),
    # units
    ('unit = "dB", source = "judg', 'unit = §"V", source = "judg', "checks[1].limits[1].unit", "does not fit",
     '"dB"'),
    ('unit = "W"', 'unit = §"wat"', "checks[1].limits[2].unit", '"wat" is not a unit', ""),
    ('tolerance = 1, unit = "W"', "tolerance = 1", "checks[1].limits[2].unit", "the unit is missing", 'unit = "V.A"'),
    ('half_width = 1, unit = "K"', "half_width = 1", "checks[1].uncertainty[0].unit", "the unit is missing",
     'unit = "K"'),
    ('u = 0.5, unit = "dB"', 'u = 0.5, unit = §"V"', "checks[1].uncertainty[1].unit", "does not fit", '"dB"'),
    ("equals = 2", 'equals = 2, unit = §"V"', "checks[2].limits[0].unit", "plain numbers", ""),
    ("is = true, source = \"port", 'is = true, §unit = "V", source = "port', "checks[0].limits[0].unit",
     "has no unit", "away"),
    ('unit = "A"', 'unit = §"amps"', "checks[4].unit", "is not a unit", '"A"'),
    # compute
    ("abs(chain_0 - chain_1)", "abs(chain_0 -", "checks[1].compute.difference", "expected", ""),
    ('power = "voltage * current"', 'power = §"voltage * curent"', "checks[1].compute.power",
     'no reading "curent"', '"current"'),
    ('power = "voltage * current"', 'power = §"voltage + current"', "checks[1].compute.power", "voltage", ""),
    ('power = "voltage * current"', 'power = §"voltage * model"', "checks[1].compute.power", "a text", ""),
    ('power = "voltage * current"', 'power = §"2 * third", third = "voltage * current"', "checks[1].compute.power",
     "further down", "Move it up"),
    ('compute = { power = ', 'compute = { §voltage = "2 * current", power = ', "checks[1].compute.voltage",
     "already", "another name"),
    # order of checks
    ('id = "signal"', 'id = §"radio-present"', "checks[1].id", "is taken by checks[0]", ""),
    ('after = ["radio-present"]', 'after = [§"radio-presnt"]', "checks[1].after[0]", "no check", '"radio-present"'),
    ('after = ["radio-present"]', 'after = [§"signal"]', "checks[1].after[0]", "after itself", ""),
    ('after = ["radio-present"]', 'after = ["radio-present", §"second-look"]', "checks[1].after[1]",
     "made later, at stage finished", "closed"),
    ('after = ["radio-present"]', 'after = ["radio-present", §"radio-present"]', "checks[1].after[1]", "twice", ""),
    ('id = "radio-present"', 'id = "radio-present"\nafter = [§"signal"]', "checks[0].after[0]",
     "wait for each other: radio-present → signal → radio-present", ""),
    ('after = ["radio-present"]', 'once_done = [§"radio-presnt"]', "checks[1].once_done[0]", "no check",
     '"radio-present"'),
    ('after = ["radio-present"]', 'once_done = [§"second-look"]', "checks[1].once_done[0]",
     "made later, at stage finished", "closed"),
    ('id = "radio-present"', 'id = "radio-present"\nonce_done = [§"signal"]', "checks[0].once_done[0]",
     "wait for each other: radio-present → signal → radio-present", ""),
    # joints
    ('covers = ["antenna-left", "ant', 'covers = [§"antena-left", "antenna-left", "ant', "checks[1].covers[0]",
     "no joint", '"antenna-left"'),
    ('joints = ["antenna-left", ', 'joints = ["antenna-left", §"antena-left", ', "parts.radio-module.joints[1]",
     "no joint", '"antenna-left"'),
    ('reached_through = ["rear-cover"]', 'reached_through = [§"rear-covr"]', "parts.radio-module.reached_through[0]",
     "no part", '"rear-cover"'),
    ('fit = "again-if-undamaged"', 'reached_through = [§"radio-module"]', "parts.rear-cover.reached_through[0]",
     "reached through each other: rear-cover → radio-module → rear-cover", ""),
    # sources
    (', source = "port table" }]\n\n[[checks]]\nid = "signal"', ' }]\n\n[[checks]]\nid = "signal"',
     "checks[0].limits[0].source", "does not say where it comes from", "source"),
    # prompts
    ('prompt = "confirm"', 'prompt = §"confrim"', "checks[5].prompt", "none of confirm", '"confirm"'),
    ('prompt = "count"\n', 'prompt = "count"\n§probe = "bench.plain"\n', "checks[2].probe", "either a probe or", ""),
    ('say = "Is the seal whole?"\n', "", "checks[5].say", "needs say", ""),
    ("second_person = true", "§options = [\"a\", \"b\"]", "checks[5].options", "belong to a choice", ""),
    ("second_person = true", '§duration = "5 s"', "checks[5].duration", "belongs to a timed", ""),
    ('settings = { port = "ttyS0" }', 'settings = { port = "ttyS0" }\n§say = "Look!"', "checks[0].say",
     "belongs to a prompt", ""),
    ("second_person = true", 'picture = §"seal.svg"', "checks[5].picture", "no file", "folder"),
    ("second_person = true", 'picture = §"../seal.svg"', "checks[5].picture", "SVG file beside", ""),
    ('options = ["whole", "nicked", "flattened"]', "", "checks[3].options", "a choice needs options", ""),
    ('equals = "whole"', 'equals = §"hole"', "checks[3].limits[0].equals", "none of the options", '"whole"'),
    ('equals = "whole"', 'one_of = ["whole", §"hole"]', "checks[3].limits[0].one_of[1]", "none of the options",
     '"whole"'),
    ('equals = "whole"', "matches = §'x.*'", "checks[3].limits[0].matches", "none of the options matches", ""),
    ('id = "spacers-fitted"', 'id = §"label"', "checks[2].id", "answers files", "another id"),
    # what no reading could meet
    ("half_width = 1,", "half_width = 40,", "checks[1].limits[3].at_least", "no value could ever pass", "instrument"),
    ('matches = \'MR-\\d+\', source = "parts list" },',
     'matches = \'MR-\\d+\', source = "parts list" },\n { reading = §"temperature", at_least = 90, unit = "°C", '
     'source = "x" },', "checks[1].limits[5].reading", "no value of", ""),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "path", "what", "hint"), MISTAKES, ids=[f"{n}-{m[2]}" for n, m in enumerate(MISTAKES)]
)
def test_mistake_is_told_alone_at_its_place(
    lint: Lint, good: str, old: str, new: str, path: str, what: str, hint: str
) -> None:
    assert good.count(old) >= 1, "the good suite has changed"
    bad = good.replace(old, new, 1)
    errors = [p for p in lint(bad.replace("§", "")) if p.severity == "error"]
    assert [(p.path, p.what) for p in errors] == [(path, errors[0].what)]
    assert what in errors[0].what
    assert hint in errors[0].to_do
    assert errors[0].line > 0
    if "§" in bad:
        before = bad[: bad.index("§")]
        assert (errors[0].line, errors[0].column) == (before.count("\n") + 1, len(before.rpartition("\n")[2]) + 1)


WARNINGS: list[tuple[str, str, str, str]] = [
    ("[[checks]]\nid = \"radio", '[joints.§rear-gasket]\ntitle = "Gasket"\n\n[[checks]]\nid = "radio',
     "joints.rear-gasket", "no part lists this joint"),
    ('joints = ["antenna-left", "antenna-right"]\n\n',
     'joints = ["antenna-left", "antenna-right", "gap"]\n\n[joints.§gap]\ntitle = "Gap"\n\n', "joints.gap",
     "no check covers this joint"),
    ("range = [0, 3]\nlimits = [{ reading = \"number\", at_most = 360",
     'range = [0, 3]\nlimits = [{ reading = "number", at_most = §3600', "checks[4].limits[0].at_most",
     "every answer in the range 0 to 3 passes"),
    ("equals = 2", "equals = §12", "checks[2].limits[0].equals", "no answer in the range 0 to 10 can pass"),
    ('id = "gasket"', 'id = "gasket"\n§if_absent = "not-fitted"', "checks[3].if_absent", "belongs to a probe"),
    ('equals = "whole"', 'one_of = §["whole", "nicked", "flattened"]', "checks[3].limits[0].one_of",
     "every option passes"),
    ('id = "radio-present"', 'id = "radio-present"\nstage = "arrival"\n§covers = ["antenna-left"]', "checks[0].covers",
     "made before the repair"),
    ('limits = [{ reading = "lamp", is = true, source = "port table" }]', '§covers = ["antenna-left"]',
     "checks[0].covers", "has no limits"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "path", "what"), WARNINGS, ids=[w[2] for w in WARNINGS])
def test_what_is_most_likely_not_meant_is_a_warning(
    load: Load, good: str, old: str, new: str, path: str, what: str
) -> None:
    assert good.count(old) == 1, "the good suite has changed"
    bad = good.replace(old, new)
    (warning,) = load(bad.replace("§", "")).warnings
    assert (warning.severity, warning.path) == ("warning", path)
    assert what in warning.what
    before = bad[: bad.index("§")]
    assert (warning.line, warning.column) == (before.count("\n") + 1, len(before.rpartition("\n")[2]) + 1)


def test_missing_source_is_a_warning_while_a_suite_is_on_trial(load: Load, good: str) -> None:
    trial = good.replace('state = "approved"', 'state = "trial"').replace(', source = "parts list"', "")
    (warning,) = load(trial).warnings
    assert warning.path == "checks[1].limits[4].source"


@pytest.mark.parametrize("state", ["trial", "approved"])
def test_suite_without_checks_is_refused(lint: Lint, state: str) -> None:
    head = f'schema = 1\nmodel = "m"\ntitle = "t"\nrevision = 1\nstate = "{state}"\n'
    (problem,) = lint(head)
    assert problem.severity == "error"
    assert "no checks" in problem.what


def test_suite_without_a_judged_check_is_refused_once_approved(lint: Lint) -> None:
    text = (
        'schema = 1\nmodel = "m"\ntitle = "t"\nrevision = 1\nstate = "trial"\n'
        '[[checks]]\nid = "a"\ntitle = "A"\nprompt = "note"\nsay = "?"\n'
    )
    (warning,) = lint(text)
    (error,) = lint(text.replace("trial", "approved"))
    assert "no check has limits" in warning.what
    assert (warning.severity, error.severity) == ("warning", "error")
    assert (warning.line, warning.column) == (error.line, error.column) == (6, 3)


def test_picture_beside_the_suite_is_found(lint: Lint, good: str, suite_folder: Path) -> None:
    (suite_folder / "spacers.svg").write_text("<svg/>")
    try:
        assert lint(good.replace("range = [0, 10]", 'picture = "spacers.svg"')) == []
        (problem,) = lint(good.replace("range = [0, 10]", 'picture = "spacer.svg"'))
        assert "spacers.svg" in problem.to_do
    finally:
        (suite_folder / "spacers.svg").unlink()


INDEPENDENT = [n for n, m in enumerate(MISTAKES) if m[2] in {
    "titel", "decision.risk", "parts.radio-module.title", "checks[5].second_person", "checks[1].timeout",
    "joints.antenna-left.faults[1]", "checks[1].settings.mode", "checks[0].limits[0].reading", "checks[1].id",
    "checks[2].limits[0].is", "checks[1].uncertainty[1].unit", "checks[4].unit", "checks[3].limits[0].equals",
    "checks[5].prompt", "parts.radio-module.reached_through[0]", "serial.firmware.reading", "revision",
}]  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(chosen=st.sets(st.sampled_from(INDEPENDENT), min_size=1))
def test_all_mistakes_are_told_at_once(lint: Lint, good: str, chosen: set[int]) -> None:
    """As many independent mistakes, as many problems, and each the one that it gives alone."""
    bad = good
    paths = set()
    for number in chosen:
        old, new, path, _, _ = MISTAKES[number]
        if path in paths or old not in bad:
            continue
        bad = bad.replace(old, new.replace("§", ""), 1)
        paths.add(path)
    assert {p.path for p in lint(bad)} == paths
    assert len(lint(bad)) == len(paths)


def test_a_misspelt_key_does_not_hide_what_is_wrong_with_its_value(lint: Lint, good: str) -> None:
    problems = lint(good.replace("at_most = 8", 'at_mots = "eight"'))
    assert sorted(p.what for p in problems) == ['"eight" does not fit; it takes a number', 'unknown key "at_mots"']
    assert {p.path for p in problems} == {"checks[1].limits[1].at_mots"}


def test_entries_left_out_of_a_list_do_not_shift_the_others(lint: Lint, good: str) -> None:
    """The third limit's problem is told at the third, although the first two did not survive."""
    bad = good.replace("limits = [\n", "limits = [\n  7,\n  8,\n").replace('unit = "W"', 'unit = "V"')
    paths = [p.path for p in lint(bad) if "does not fit" in p.what]
    assert paths == ["checks[1].limits[0]", "checks[1].limits[1]", "checks[1].limits[4].unit"]


def test_what_is_computed_from_something_wrong_is_not_told_too(lint: Lint, good: str) -> None:
    bad = good.replace('power = "voltage * current"', 'third = "voltage * curent", power = "third * current"')
    assert [p.path for p in lint(bad)] == ["checks[1].compute.third"]


def test_sentence_of_a_problem(lint: Lint, good: str) -> None:
    (problem,) = lint(good.replace('unit = "W"', 'unit = "V"'))
    assert problem.sentence("quayside.toml") == (
        'quayside.toml:53:59: error: checks[1].limits[2].unit: "V" does not fit: the reading "power" is in VA. '
        'Give a unit that converts to "V.A".'
    )


def test_texts_from_the_file_are_harmless_on_a_terminal(lint: Lint, good: str) -> None:
    bad = (
        good.replace("[decision]", '"\\u001b[31m\\u202e" = 1\n[decision]')
        .replace('reading = "lamp"', 'reading = "\\u001b]0;x\\u0007"')
        .replace('probe = "bench.meter"\nsettings = { port = "ttyS0" }', 'probe = "\\u009b31m"')
    )
    problems = lint(bad)
    assert len(problems) >= 3
    assert all(p.sentence("s.toml").isprintable() for p in problems)


def test_a_large_number_of_mistakes_is_told_in_bounded_length(lint: Lint) -> None:
    """Many thousand mistakes, of several kinds: refused, and no more than a thousand told."""
    head = 'schema = 1\nmodel = "m"\ntitle = "t"\nrevision = 1\n'
    limit = '{ reading = "nothing", at_most = 1, unit = "wrong" },'
    many = "".join(
        f'[[checks]]\nid = "c{n}"\ntitle = "t"\nprobe = "bench.meter"\nsettings = {{ port = "x" }}\n'
        f"covers = [{', '.join(repr(f'j{n}-{k}') for k in range(20))}]\nlimits = [{limit * 20}]\n"
        for n in range(150)
    )
    unknown = "".join(f"[a{n}]\n" for n in range(20_000))
    for text in (head + many, head + unknown, head + "checks = [" + "1, " * 60_000 + "]"):
        problems = lint(text)
        assert 0 < len(problems) <= 1002
        assert any(p.severity == "error" for p in problems)
        assert [p.what for p in problems if "not looked at" in p.what or "are not shown" in p.what], (
            "told that it is so"
        )


def test_good_suite_loads_without_the_heavy_libraries(tmp_path: Path, good: str) -> None:
    """tree-sitter is for problems only; nothing here needs pint, scipy or numpy."""
    (tmp_path / "suite.toml").write_text(good)
    code = (
        "import sys\n"
        f"sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "from pathlib import Path\n"
        "from conftest import TwoProbes\n"
        "from verifier.declare.lint import load_suite\n"
        f"load_suite(Path({str(tmp_path / 'suite.toml')!r}), TwoProbes())\n"
        "print([m for m in ('tree_sitter', 'tree_sitter_toml', 'pint', 'scipy', 'numpy', 'rich', 'tomlkit')"
        " if m in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


GOOD_PIECES = st.sampled_from(
    [
        "=",
        "[",
        "]",
        "{",
        "}",
        '"',
        ",",
        "\n",
        "1",
        "true",
        "-",
        ".",
        "checks",
        "limits",
        "reading",
        "[[checks]]\n",
        "after = []\n",
        'unit = "V"',
        "nan",
        "[1]",
        "{ }",
        '""',
        '"\\u0000"',
        "1979-05-27",
        "99999999999999999999",
    ]
)


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_mutated_suites_give_a_suite_or_problems(load: Load, good: str, data: st.DataObject) -> None:
    """Never a traceback: pieces of a good suite cut out, doubled, replaced."""
    text = good
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        end = min(len(text), start + data.draw(st.integers(0, 40)))
        text = text[:start] + data.draw(GOOD_PIECES | st.just(text[start:end] * 2)) + text[end:]
    _loads_or_tells(load, text)


def _value_places(text: str) -> list[tuple[int, int]]:
    """Where the values of one-line keys stand in the good suite."""
    places, offset = [], 0
    for line in text.splitlines(keepends=True):
        key, equals, value = line.partition(" = ")
        if equals and value.strip() not in ("[", "{") and not line.startswith(" "):
            places.append((offset + len(key) + 3, offset + len(line) - 1))
        offset += len(line)
    return places


TOML_VALUES = st.recursive(
    st.sampled_from(["0", "-1", "2.5", "inf", "true", '"x"', '"lamp"', '"°C"', "[]", "{}", "07:32:00", "'a+'"]),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda xs: f"[{', '.join(xs)}]"),
        st.dictionaries(
            st.sampled_from(["reading", "at_most", "equals", "unit", "source", "u", "probe", "port"]),
            inner,
            max_size=4,
        ).map(lambda pairs: "{ " + ", ".join(f"{k} = {v}" for k, v in pairs.items()) + " }"),
    ),
    max_leaves=8,
)


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_any_value_at_any_key_gives_a_suite_or_problems(load: Load, good: str, data: st.DataObject) -> None:
    text = good
    for start, end in sorted(data.draw(st.sets(st.sampled_from(_value_places(good)), max_size=4)), reverse=True):
        text = text[:start] + data.draw(TOML_VALUES) + text[end:]
    _loads_or_tells(load, text)


def _loads_or_tells(load: Load, text: str) -> None:
    lines = text.count("\n") + 1
    try:
        loaded = load(text)
    except InputProblems as error:
        assert any(p.severity == "error" for p in error.problems)
        for problem in error.problems:
            assert 0 <= problem.line <= lines
            assert problem.sentence("s.toml").isprintable()
            assert "pydantic" not in problem.what + problem.to_do
    else:
        # What lint lets through is valid by the model's own rules too.
        again = Suite.model_validate(loaded.suite.model_dump(by_alias=True))
        assert again == loaded.suite


def test_unreadable_file_is_an_input_error(tmp_path: Path) -> None:
    from verifier.errors import InputError

    class Nothing:
        def names(self) -> list[str]:
            return []

        def declaration(self, name: str) -> None:
            return None

    with pytest.raises(InputError, match="no such file"):
        load_suite(tmp_path / "none.toml", Nothing())
