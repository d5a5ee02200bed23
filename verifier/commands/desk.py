"""The technician's side of a run at a terminal: who is there, shall we go on, what comes before sealing."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

from verifier.commands.mending import look_at, part_to_open, way_in
from verifier.commands.progress import printable, summary, verdict_word
from verifier.errors import InputError
from verifier.gather.acts import Wish, refuse_bad
from verifier.gather.prompts.question import question_of
from verifier.gather.prompts.terminal import Terminal, TerminalAsker, folded
from verifier.gather.session import ReviewAnswer
from verifier.gather.state import RunState
from verifier.readings import Finding, Outcome, Person, Stage, Verdict
from verifier.show.numbers import value_text
from verifier.show.words import MOST_ALIKE, capital, headline, sentence

SPARED = "not needed, or not fitted"
ACTS_HELP = """\
again CHECK          take a check again
correct CHECK VALUE  correct an answer; the first one stays visible
reopen PART          the unit was opened again: test anew what that disturbs
waive JOINT          accept a joint that no check covers
answers              list the answers so far, with the names of their checks
later                leave the run open; `verifier resume` comes back here"""
SEAL_HELP = "seal                 sign it as it stands; nothing can be changed after that"
GO_ON_HELP = """\
Enter                go on with the next stage; about what is covered then,
                     answers can be corrected from memory only"""

_OPTION = re.compile(r"--(?=(?:again|correct|reopen|waive|why)\b)")


class Desk:
    """Questions about the run itself."""

    def __init__(self, terminal: Terminal, asker: TerminalAsker) -> None:
        self._terminal, self._asker = terminal, asker

    async def person(self) -> Person:
        with self._terminal.screen.quiet():
            return await self._asker.person()

    async def between(self, state: RunState, stage: Stage) -> ReviewAnswer:
        """How to go on before a later stage: hours may pass, and what can be seen now may soon be covered."""
        with self._terminal.screen.quiet():
            self._say(f"\nNext stage: {stage.words}.")
            wanting = self._wanting(state)
            if wanting:
                self._say("  Before that, look at:")
                self._say("\n".join(wanting))
                self._tell_how_to_mend(state)
            acts = "Enter to go on; again, correct, reopen or later (? explains)"
            return await self._answer(state, acts, go_on="", explained=GO_ON_HELP)

    async def review(self, state: RunState, outcome: Outcome) -> ReviewAnswer:
        with self._terminal.screen.quiet():
            self._say("\nReview before sealing")
            for line in self._wanting(state):
                self._say(line)
            for why, number in _told_together(state).items():
                self._say(told("not-run", f"{number} {'check' if number == 1 else 'checks'}: {why}"))
            for joint in outcome.joints:
                if joint.disturbed and joint.coverage == "not-covered":
                    self._say(told("not covered", f"{joint.joint}: {joint.title}, disturbed by this repair"))
            self._tell_how_to_mend(state)
            self._say(folded(headline(outcome)))
            acts = "correct" if state.quarantined else "again, correct, reopen, waive"
            return await self._answer(state, f"seal, {acts} or later (? explains)", "seal", SEAL_HELP)

    def _wanting(self, state: RunState) -> list[str]:
        """What has not passed so far, with where to look; but for what is told together."""
        lines, together = [], _told_together(state)
        for check in state.plan.suite.checks:
            attempt = state.counting(check.id)
            finding = attempt.finding if attempt else None
            if finding is None or finding.verdict in (None, Verdict.PASS) or _why_not_run(finding) in together:
                continue
            lines.append(told(verdict_word(finding), f"{check.id}: {summary(finding)}"))
            if finding.verdict is Verdict.FAIL and (look := look_at(state.plan, check)):
                lines.append(told("", capital(f"{look}.")))
        return lines

    def _tell_how_to_mend(self, state: RunState) -> None:
        """What comes out, and what to type afterwards, for the first fail of a joint."""
        if state.quarantined is not None:
            return
        for check in state.plan.suite.checks:
            attempt = state.counting(check.id)
            failed = attempt is not None and attempt.finding and attempt.finding.verdict is Verdict.FAIL
            part = part_to_open(state.plan.suite, check) if failed else None
            if part is not None:
                way = way_in(state.plan.suite, part)
                self._say(
                    folded(
                        f"To mend “{check.title}” now, take out in this order: {way}. Put together again, type "
                        f"reopen {part}: what that disturbs is then tested again, in the right order. Where only "
                        f"plug or set-up was wrong: again {check.id}."
                    )
                )
                return

    async def _answer(self, state: RunState, acts: str, go_on: str, explained: str) -> ReviewAnswer:
        while True:
            line = await self._line(acts)
            words = line.split(maxsplit=2)
            verb, rest = (words[0].lower(), words[1:]) if words else ("", [])
            if verb == go_on and not rest:
                return ReviewAnswer("go-on")
            if verb in ("later", ":pause") and not rest:
                return ReviewAnswer("later")
            if verb == "answers" and not rest:
                self._list_answers(state)
            elif verb in ("again", "correct", "reopen", "waive") and rest:
                wish = await self._wish(state, verb, rest)
                if wish is not None:
                    return ReviewAnswer("act", wish)
            else:
                self._say("\n".join(f"  {told}" for told in f"{explained}\n{ACTS_HELP}".splitlines()))

    def _list_answers(self, state: RunState) -> None:
        for check in state.plan.suite.checks:
            attempt = state.counting(check.id)
            for answer in attempt.answers if attempt and check.prompt else ():
                self._say(folded(f"{check.id}: {value_text(answer.value, answer.unit)}", "  ", "    "))

    async def _wish(self, state: RunState, verb: str, rest: list[str]) -> Wish | None:
        """None where it makes no sense, which was said, or was thought better of."""
        value = rest[1] if len(rest) > 1 else None
        if verb == "correct" and value is None:
            if rest[0] in (c.id for c in state.plan.suite.checks if c.prompt):
                self._say(folded(question_of(state.plan.suite.check(rest[0])).shown))
            value = await self._line("The right answer")
        wish = Wish(kind=verb, subject=rest[0], why="-", value=value)  # type: ignore[arg-type]
        try:
            refuse_bad(state, [wish])
        except InputError as error:
            self._say(folded(_OPTION.sub("", f"{sentence(capital(error.what))} {error.to_do}")))
            return None
        why = await self._line("Why (Enter alone: leave it as it is)")
        return replace(wish, why=why) if why else None

    async def _line(self, words: str) -> str:
        await self._terminal.drop_typed()
        self._terminal.screen.write(f"  {words}: ", end="")
        return await self._terminal.line()

    def _say(self, text: str) -> None:
        self._terminal.screen.write("\n".join(printable(line) for line in text.split("\n")))


def told(word: str, text: str) -> str:
    """A line of the list of findings: the verdict, and a text that hangs beside it."""
    return folded(text, f"  {word:<12} ", " " * 15)


def _why_not_run(finding: Finding) -> str:
    """Why it was not run, if that is all there is to tell of it; else nothing."""
    if finding.not_needed or finding.not_fitted:
        return SPARED
    return finding.reason if finding.verdict is Verdict.NOT_RUN and not finding.to_do else ""


def _told_together(state: RunState) -> dict[str, int]:
    """Why several were not run, and how many: one line each says as much as dozens."""
    findings = [attempt.finding for attempt in state.counting_attempts().values() if attempt.finding]
    reasons = Counter(why for finding in findings if (why := _why_not_run(finding)))
    return {why: number for why, number in reasons.items() if why == SPARED or number > MOST_ALIKE}
