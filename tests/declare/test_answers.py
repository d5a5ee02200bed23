"""Prepared answers: held against their prompts before the run begins."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from verifier.declare.answers import PreparedAnswer, PreparedAnswers, load_answers
from verifier.declare.lint import LoadedSuite
from verifier.declare.suite import Suite
from verifier.errors import InputProblems

MORE = """
[[checks]]
id = "hold"
title = "Long press"
prompt = "timed"
say = "Hold it."
duration = "10 s"
limits = [{ reading = "timed", at_most = 10, unit = "s", source = "guide" }]

[[checks]]
id = "code"
title = "Code"
prompt = "scan"
say = "Scan it."
limits = [{ reading = "scan", matches = 'MR-.*', source = "list" }]

[[checks]]
id = "thrice"
title = "Gap"
prompt = "number"
say = "Gap?"
unit = "mm"
range = [0, 5]
repeat = { times = 3, pool = "mean" }
limits = [{ reading = "number", at_most = 2, unit = "mm", source = "drawing" }]

[[checks]]
id = "lamp"
title = "Lamp"
prompt = "confirm"
say = "Lit?"
limits = [{ reading = "confirm", is = true, source = "judgement, A02" }]
"""


@pytest.fixture
def suite(load: Callable[[str], LoadedSuite], good: str) -> Suite:
    return load(good + MORE).suite


@pytest.fixture
def answers(tmp_path: Path, suite: Suite) -> Callable[[str], PreparedAnswers]:
    def read(text: str) -> PreparedAnswers:
        path = tmp_path / "answers.toml"
        path.write_text(text)
        return load_answers(path, suite)

    return read


def test_answers_of_every_kind(answers: Callable[[str], PreparedAnswers]) -> None:
    given_ = answers(
        'label = "QS-2004174"\n'
        '[spacers-fitted]\nvalue = 2\nby = "T04"\n'
        '[gasket]\nvalue = "Whole"\n'
        '[idle-current]\nvalue = 308\nunit = "mA"\n'
        "[thrice]\nvalue = [1, 1.5, 2]\n"
        "[hold]\nvalue = 4.2\n"
        "[lamp]\nvalue = true\n"
        '[code]\nvalue = "MR-2104"\n'
    )
    assert given_.label == "QS-2004174"
    assert given_["spacers-fitted"] == PreparedAnswer(values=(2,), by="T04")
    assert given_["idle-current"] == PreparedAnswer(values=(308,), unit="mA")
    assert given_["thrice"].values == (1, 1.5, 2)
    assert given_["lamp"].values == (True,)
    assert set(given_) == {"spacers-fitted", "gasket", "idle-current", "thrice", "hold", "lamp", "code"}


@pytest.mark.parametrize(
    ("text", "path", "what", "hint"),
    [
        ("[spacer-fitted]\nvalue = 2", "spacer-fitted", "no check", '"spacers-fitted"'),
        ("[lable]\nvalue = 2", "lable", "no check", '"label"'),
        ("[signal]\nvalue = 2", "signal", "read by the probe bench.meter", "away"),
        ("[second-look]\nvalue = true", "second-look", "needs another person at the keyboard", "away"),
        ("[spacers-fitted]\nvalue = 11", "spacers-fitted.value", "outside the range 0 to 10", ""),
        ("[spacers-fitted]\nvalue = 2.5", "spacers-fitted.value", "2.5 is no count", "whole"),
        ("[spacers-fitted]\nvalue = true", "spacers-fitted.value", "no number", ""),
        ('[spacers-fitted]\nvalue = "2"', "spacers-fitted.value", "no number", "without quotes"),
        ("[spacers-fitted]\nvalue = [2, 2]", "spacers-fitted.value", "there are 2 values", "single one"),
        ("[thrice]\nvalue = [1, 9, 1]", "thrice.value[1]", "outside the range 0 to 5 mm", ""),
        ("[thrice]\nvalue = [1, 1]", "thrice.value", "there are 2 values, and the prompt is asked 3 times", ""),
        ("[idle-current]\nvalue = 4000\nunit = \"mA\"", "idle-current.value", "outside the range 0 to 3 A", ""),
        ('[idle-current]\nvalue = 1\nunit = "V"', "idle-current.unit", "asks for A", ""),
        ('[idle-current]\nvalue = 1\nunit = "amps"', "idle-current.unit", "not a unit", '"A"'),
        ("[idle-current]\nvalue = nan", "idle-current.value", "does not fit", ""),
        ("[idle-current]\nvalu = 1", "idle-current.valu", "unknown key", '"value"'),
        ("[idle-current]\n", "idle-current.value", "is missing", ""),
        ('[gasket]\nvalue = "hole"', "gasket.value", "none of the options", '"whole"'),
        ("[gasket]\nvalue = 1", "gasket.value", "none of the options", ""),
        ('[gasket]\nvalue = "whole"\nunit = "V"', "gasket.unit", "has no unit", "away"),
        ('[lamp]\nvalue = "yes"', "lamp.value", "no yes or no", "true or false"),
        ("[hold]\nvalue = -1", "hold.value", "no length of time", ""),
        ('[code]\nvalue = " "', "code.value", "empty", ""),
        ('[code]\nvalue = "a\\nb"', "code.value", "one line", ""),
        ("lamp = true", "lamp", "takes a table", ""),
        ("label = 7", "label", "no line of text", 'label = "QS-2004174"'),
        ("[label]\nvalue = 7", "label", "no line of text", ""),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_told_alone(
    answers: Callable[[str], PreparedAnswers], text: str, path: str, what: str, hint: str
) -> None:
    with pytest.raises(InputProblems) as caught:
        answers(text)
    (problem,) = caught.value.problems
    assert problem.path == path
    assert what in problem.what
    assert hint in problem.to_do
    assert problem.line > 0


def test_label_where_the_suite_scans_none(tmp_path: Path, suite: Suite) -> None:
    unlabelled = suite.model_copy(update={"serial": suite.serial.model_copy(update={"label": False})})
    (tmp_path / "a.toml").write_text('label = "QS-2004174"')
    with pytest.raises(InputProblems, match="scans no label"):
        load_answers(tmp_path / "a.toml", unlabelled)


VALUES = st.sampled_from(
    ["1", "-1", "2.5", "true", '"whole"', '""', "[]", "[1, 2, 3]", '["a"]', "{}", "nan", "07:00:00"]
)
TABLES = st.tuples(
    st.sampled_from(["spacers-fitted", "gasket", "idle-current", "thrice", "hold", "lamp", "code", "signal", "x"]),
    st.lists(st.tuples(st.sampled_from(["value", "unit", "by", "z"]), VALUES), max_size=3),
)


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(tables=st.lists(TABLES, max_size=4))
def test_any_answers_are_taken_or_told(
    answers: Callable[[str], PreparedAnswers], tables: list[tuple[str, list[tuple[str, str]]]]
) -> None:
    text = "".join(f"[{name}]\n" + "".join(f"{k} = {v}\n" for k, v in keys) for name, keys in tables)
    try:
        taken = answers(text)
    except InputProblems as error:
        assert error.problems
    else:
        assert all(answer.values for answer in taken.values())


def test_a_file_full_of_mistakes_is_refused_in_words_and_told_to_hold_more(
    answers: Callable[[str], PreparedAnswers],
) -> None:
    with pytest.raises(InputProblems) as caught:
        answers("".join(f"[check-{n}]\nvalue = 1\n" for n in range(2000)))
    assert "so much is wrong that the rest was not looked at" in {p.what for p in caught.value.problems}
