"""Prompts: what may be typed, and a real terminal (a pty pair) to type it into."""

from __future__ import annotations

import os
import pty
import threading
import time

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.declare.suite import PromptKind
from verifier.errors import InputError, NotPossible
from verifier.gather.prompts.prepared import NobodyAsker, PreparedAsker
from verifier.gather.prompts.question import Given, Question, read_answer, reading_of
from verifier.gather.prompts.terminal import PauseWanted, PlainScreen, Terminal, TerminalAsker, folded
from verifier.readings import Person
from verifier.steps import Cue

T07 = Person(name="T07", known="option")


def question(kind: str, **more: object) -> Question:
    return Question(check="q", kind=PromptKind(kind), title="A question", say="What do you see?", **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("asked", "typed", "value", "step"),
    [
        (question("confirm"), "Y", True, None),
        (question("confirm"), "no", False, None),
        (question("choice", options=("dark", "lit")), "2", "lit", None),
        (question("choice", options=("dark", "lit")), "LIT", "lit", None),
        (question("number", unit="V"), "4.93", 4.93, 0.01),
        (question("number", unit="V"), "4,90 V", 4.9, 0.01),
        (question("number", unit="A"), "−12", -12.0, 1.0),
        (question("number", unit="Hz"), "3.20e3", 3200.0, 10.0),
        (question("count", unit="1"), "2", 2, None),
        (question("text"), "  sharp  ", "sharp", None),
        (question("scan"), "QS-2004174", "QS-2004174", None),
        (question("note"), "", "", None),
    ],
)
def test_typed_answers(asked: Question, typed: str, value: object, step: float | None) -> None:
    got, got_step = read_answer(asked, typed)
    assert got == value and type(got) is type(value)
    assert got_step == (pytest.approx(step) if step else None)


@pytest.mark.parametrize(
    ("asked", "typed", "words"),
    [
        (question("confirm"), "maybe", "Type yes or no"),
        (question("choice", options=("dark", "lit")), "3", "1 to 2"),
        (question("number", unit="V"), "five", "number in V"),
        (question("number", unit="V"), "nan", "number in V"),
        (question("number", unit="V"), "1e999", "number"),
        (question("number", unit="V", range=(0.0, 6.0)), "49.3", "0 to 6 in V"),
        (question("count", unit="1"), "-1", "whole number"),
        (question("count", unit="1"), "1.5", "whole number"),
        (question("text"), "   ", "empty"),
        (question("scan"), "a\x1bb", "Scan"),
        (question("scan"), "QS-2004174QS-2004174", "same code twice"),
        (question("text"), "x" * 2001, "longer"),
        (question("text"), "sharp\x1b[A", "arrow keys"),
        (question("note"), "a\x00b", "no character"),
        (question("note"), b"caf\xe9".decode("utf-8", "replace"), "no character"),
    ],
)
def test_what_cannot_be_meant_is_asked_again_in_plain_words(asked: Question, typed: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read_answer(asked, typed)


@given(typed=st.text(max_size=60), kind=st.sampled_from([k for k in PromptKind if k != "choice"]))
def test_any_text_gives_a_value_or_a_sentence(typed: str, kind: PromptKind) -> None:
    asked = question(kind.value, unit="V" if kind == "number" else "")
    try:
        value, step = read_answer(asked, typed)
    except ValueError as error:
        assert str(error).endswith(".")
        return
    reading = reading_of(asked, Given(value=value, by=T07, step=step))
    assert reading.name == kind.value
    assert reading.exact == (step is None)


@given(value=st.decimals(min_value=-10_000, max_value=10_000, allow_nan=False, places=3))
def test_the_last_digit_typed_is_the_resolution(value: object) -> None:
    got, step = read_answer(question("number", unit="V"), str(value))
    assert got == float(str(value))
    assert step == pytest.approx(0.001)


class Prepared:
    def __init__(self, *values: object, unit: str = "", by: str | None = "T11") -> None:
        self.values, self.unit, self.by = values, unit, by


def prepared(answer: Prepared, asked: Question, technician: Person | None = T07) -> Given:
    return anyio.run(PreparedAsker({"q": answer}, technician).ask, asked)  # type: ignore[dict-item]


def test_prepared_answers_say_who_and_how_that_is_known() -> None:
    given = prepared(Prepared(4.9), question("number", unit="V"))
    assert (given.value, given.by) == (4.9, Person(name="T11", known="answers-file"))
    assert prepared(Prepared(True, by=None), question("confirm")).by == T07
    with pytest.raises(InputError, match="does not say whose"):
        prepared(Prepared(True, by=None), question("confirm"), None)


def test_prepared_answers_are_converted_and_checked() -> None:
    assert prepared(Prepared(4900.0, unit="mV"), question("number", unit="V")).value == pytest.approx(4.9)
    with pytest.raises(InputError, match="does not fit"):
        prepared(Prepared(49.0), question("number", unit="V", range=(0.0, 6.0)))
    with pytest.raises(InputError, match="does not fit"):
        prepared(Prepared(1), question("confirm"))


def test_one_answer_a_repeat() -> None:
    values = Prepared(1.0, 2.0)
    asked = [question("number", unit="V", take=n, takes=3) for n in range(3)]
    assert [prepared(values, q).value for q in asked[:2]] == [1.0, 2.0]
    with pytest.raises(NotPossible, match="only 2 of 3"):
        prepared(values, asked[2])


def test_nobody_there_means_not_run() -> None:
    with pytest.raises(NotPossible, match="no terminal and no prepared answer"):
        anyio.run(NobodyAsker().ask, question("confirm"))
    with pytest.raises(NotPossible, match="second person"):
        prepared(Prepared(True), question("confirm", second_person=True))
    with pytest.raises(NotPossible, match="second person"):
        anyio.run(NobodyAsker().ask, question("confirm", second_person=True))


class Typist:
    """The person at the other end of a pty: waits for words on the screen, then types."""

    def __init__(self) -> None:
        self.end, self.terminal_fd = pty.openpty()
        self.lines: list[str] = []

    def write(self, text: str, *, end: str = "\n") -> None:
        self.lines.append(text + end)

    def quiet(self) -> object:
        return PlainScreen().quiet()

    async def type_when(self, words: str, text: str) -> None:
        seen = 0
        while not any(words in line for line in self.lines[seen:]):
            await anyio.sleep(0.005)
        self.lines.append("-")
        os.write(self.end, text.encode())

    def run(
        self, asked: Question, *typed: tuple[str, str], technician: Person | None = T07, backend: str = "asyncio"
    ) -> Given:
        async def main() -> Given:
            asker = TerminalAsker(Terminal(self.terminal_fd, self), technician)  # type: ignore[arg-type]
            async with anyio.create_task_group() as group:

                async def type_all() -> None:
                    for words, text in typed:
                        await self.type_when(words, text)
                        before = len(self.lines)
                        while len(self.lines) == before:
                            await anyio.sleep(0.005)
                        del self.lines[:before]

                group.start_soon(type_all)
                try:
                    given = await asker.ask(asked)
                finally:
                    group.cancel_scope.cancel()
            return given

        try:
            return anyio.run(main, backend=backend)
        except BaseExceptionGroup as group:
            raise group.exceptions[0] from None


@pytest.mark.parametrize("backend", ["asyncio", "trio"])
def test_a_wrong_answer_at_the_terminal_is_asked_again(backend: str) -> None:
    given = Typist().run(question("count", unit="1"), ("how many", "two\n"), ("how many", "2\n"), backend=backend)
    assert given.value == 2
    assert given.by == T07


@pytest.mark.parametrize("again, value", [("no\n", False), ("yes\n", True)])
def test_an_answer_with_grave_consequences_is_given_twice(again: str, value: bool) -> None:
    asked = question("confirm", grave=lambda given: "" if given.value else "That ends all.")
    person = Typist()
    given = person.run(asked, ("yes or no", "no\n"), ("That ends all. If it is so", ""), ("yes or no", again))
    assert given.value is value


def test_who_is_there_is_asked_when_it_is_not_known() -> None:
    given = Typist().run(
        question("confirm"), ("Who is at the bench", "T04\n"), ("yes or no", "yes\n"), technician=None
    )
    assert given.by == Person(name="T04", known="typed")


def test_a_name_that_is_none_is_asked_for_again_in_words() -> None:
    given = Typist().run(
        question("confirm"),
        ("Who is at the bench", "\x1b[A\n"),
        ("up to 100 characters", ""),
        ("Who is at the bench", "T04\n"),
        ("yes or no", "yes\n"),
        technician=None,
    )
    assert given.by.name == "T04"


def test_a_second_person_is_another_person() -> None:
    asked = question("confirm", second_person=True)
    given = Typist().run(asked, ("another person", "t07\n"), ("another person", "T15\n"), ("yes or no", "y\n"))
    assert given.by == Person(name="T15", known="typed")


def test_what_was_typed_before_the_question_does_not_answer_it() -> None:
    typist = Typist()
    os.write(typist.end, b"yes\n")
    time.sleep(0.05)
    given = typist.run(question("confirm"), ("yes or no", "no\n"))
    assert given.value is False


def test_what_is_still_being_pasted_answers_no_question() -> None:
    typist = Typist()
    text = [b"yes\n" * 64] * 256
    threading.Thread(target=lambda: [os.write(typist.end, piece) for piece in text], daemon=True).start()
    given = typist.run(question("confirm"), ("yes or no", "no\n"))
    assert given.value is False


def test_a_terminal_that_is_closed_pauses_the_run() -> None:
    typist = Typist()

    async def main() -> None:
        asker = TerminalAsker(Terminal(typist.terminal_fd, typist), T07)  # type: ignore[arg-type]
        async with anyio.create_task_group() as group:
            group.start_soon(asker.ask, question("confirm"))
            while not any("yes or no" in line for line in typist.lines):
                await anyio.sleep(0.005)
            os.close(typist.end)

    with pytest.raises(BaseExceptionGroup) as raised:
        anyio.run(main)
    assert raised.value.subgroup(PauseWanted)


def test_a_technician_who_cannot_answer_says_why() -> None:
    with pytest.raises(NotPossible, match="no torch at hand"):
        Typist().run(question("confirm"), ("yes or no", ":cannot no torch at hand\n"))


@pytest.mark.parametrize("asked_for", ["?\n", ":help\n", ":back\n"])
def test_asking_for_help_is_no_answer(asked_for: str) -> None:
    typist = Typist()
    given = typist.run(question("note"), ("text, or", asked_for), ("text, or", "lamp was dim\n"))
    assert given.value == "lamp was dim"
    asked = question("timed", unit="s", duration=60.0)
    given = Typist().run(asked, ("Press Enter", asked_for), ("Press Enter", "\n"), ("s left", "\n"))
    assert isinstance(given.value, float) and given.value < 5


def test_a_long_question_breaks_between_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    assert folded("Pull the plug of the load out of the socket marked 4.") == (
        "  Pull the plug of the load\n  out of the socket marked 4."
    )


@pytest.mark.parametrize("typed", [":pause\n", "\x04"], ids=["pause", "end of input"])
def test_pausing_at_a_question(typed: str) -> None:
    with pytest.raises(PauseWanted):
        Typist().run(question("confirm"), ("yes or no", typed))


def test_a_timed_action_counts_down_and_gives_the_time_it_took() -> None:
    given = Typist().run(question("timed", unit="s", duration=0.3), ("Press Enter", "\n"))
    assert given.value == pytest.approx(0.3, abs=0.11)


def test_a_timed_action_that_ends_early_says_so() -> None:
    given = Typist().run(question("timed", unit="s", duration=60.0), ("Press Enter", "\n"), ("s left", "\n"))
    assert isinstance(given.value, float) and given.value < 5


def cue_at(
    typist: Typist, cue: Cue, *typed: tuple[str, str], technician: Person | None = T07
) -> tuple[Person, str]:
    """As `Typist.run`, for a cue; who was there, and all that was shown."""
    shown: list[str] = []

    async def main() -> Person:
        asker = TerminalAsker(Terminal(typist.terminal_fd, typist), technician)  # type: ignore[arg-type]
        async with anyio.create_task_group() as group:

            async def type_all() -> None:
                for words, text in typed:
                    await typist.type_when(words, text)
                    before = len(typist.lines)
                    while len(typist.lines) == before:
                        await anyio.sleep(0.005)
                    shown.extend(typist.lines[:before])
                    del typist.lines[:before]

            group.start_soon(type_all)
            try:
                with anyio.fail_after(20):
                    by = await asker.cue("Power button", cue)
            finally:
                group.cancel_scope.cancel()
        return by

    try:
        by = anyio.run(main)
    except BaseExceptionGroup as group:
        raise group.exceptions[0] from None
    return by, "".join(shown + typist.lines)


def test_a_cue_is_shown_and_asks_for_nothing() -> None:
    by, shown = cue_at(Typist(), Cue(say="Press now (3 of 10)"))
    assert by == T07 and shown == "\n> Power button\n  Press now (3 of 10)\n"


def test_a_cue_that_waits_goes_on_at_enter_alone() -> None:
    waits = Cue(say="Put the plug in.", wait=True)
    by, shown = cue_at(Typist(), waits, ("Enter to go on", ":help\n"), ("Enter to go on", "\n"))
    assert by == T07 and ":cannot REASON" in shown


def test_who_acts_is_asked_once() -> None:
    by, _ = cue_at(Typist(), Cue(say="Press"), ("Who is at the bench", "T04\n"), technician=None)
    assert by.name == "T04"


def test_a_technician_who_cannot_act_says_why() -> None:
    with pytest.raises(NotPossible, match="no stick here"):
        cue_at(Typist(), Cue(say="Plug in.", wait=True), ("Enter to go on", ":cannot no stick here\n"))


@pytest.mark.parametrize("asker", [NobodyAsker(), PreparedAsker({}, T07)], ids=["nobody", "prepared answers"])
def test_actions_need_somebody_at_a_terminal(asker: NobodyAsker | PreparedAsker) -> None:
    with pytest.raises(NotPossible, match="needs a technician at a terminal"):
        anyio.run(asker.cue, "Power button", Cue(say="Press"))
