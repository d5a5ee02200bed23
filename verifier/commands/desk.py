"""The technician's side of a run at a terminal: who is there, shall we go on, what comes before sealing."""

from __future__ import annotations

from verifier.commands.progress import printable, summary, verdict_word
from verifier.errors import InputError
from verifier.gather.acts import Wish, refuse_bad
from verifier.gather.engine import UNIT_QUARANTINED
from verifier.gather.prompts.terminal import Terminal, TerminalAsker
from verifier.gather.session import ReviewAnswer
from verifier.gather.state import RunState
from verifier.readings import Outcome, Person, Stage, Verdict
from verifier.show.words import headline

REVIEW_HELP = """\
  seal                       sign it as it stands; nothing can be changed after that
  again CHECK                take a check again
  correct CHECK VALUE        correct an answer; the first one stays visible
  reopen PART                the unit was opened again: what that disturbs is voided
  waive JOINT                accept a joint that no check covers
  later                      leave the run open; `verifier resume` comes back here"""


class Desk:
    """Questions about the run itself."""

    def __init__(self, terminal: Terminal, asker: TerminalAsker) -> None:
        self._terminal, self._asker = terminal, asker

    async def person(self) -> Person:
        with self._terminal.screen.quiet():
            return await self._asker.person()

    async def between(self, stage: Stage) -> bool:
        """Whether to go on with a later stage now: between stages hours may pass."""
        with self._terminal.screen.quiet():
            self._say(f"\nNext stage: {stage.words}.")
            return await self._line("Enter to go on, or later to stop here") != "later"

    async def review(self, state: RunState, outcome: Outcome) -> ReviewAnswer:
        with self._terminal.screen.quiet():
            self._say("\nReview before sealing")
            left = spared = 0
            for check in state.plan.suite.checks:
                attempt = state.counting(check.id)
                finding = attempt.finding if attempt else None
                if finding and finding.reason == UNIT_QUARANTINED:
                    left += 1
                elif finding and (finding.not_needed or finding.not_fitted):
                    spared += 1
                elif finding and finding.verdict not in (None, Verdict.PASS):
                    self._say(f"  {verdict_word(finding):<12} {check.id}: {summary(finding)}")
            for number, why in ((spared, "not needed, or not fitted"), (left, UNIT_QUARANTINED)):
                if number:
                    self._say(f"  not-run      {number} {'check' if number == 1 else 'checks'}: {why}")
            for joint in outcome.joints:
                if joint.disturbed and joint.coverage == "not-covered":
                    self._say(f"  not covered  {joint.joint}: {joint.title}, disturbed by this repair")
            self._say(f"  {headline(outcome)}")
            while True:
                acts = "correct" if state.quarantined else "again, correct, reopen, waive"
                line = await self._line(f"seal, {acts} or later (? explains)")
                words = line.split(maxsplit=2)
                verb, rest = (words[0], words[1:]) if words else ("", [])
                if verb in ("seal", "later") and not rest:
                    return ReviewAnswer("seal" if verb == "seal" else "later")
                if verb in ("again", "correct", "reopen", "waive") and rest:
                    wish = await self._wish(state, verb, rest)
                    if wish is not None:
                        return ReviewAnswer("act", wish)
                    continue
                self._say(REVIEW_HELP)

    async def _wish(self, state: RunState, verb: str, rest: list[str]) -> Wish | None:
        why = await self._line("Why")
        wish = Wish(kind=verb, subject=rest[0], why=why, value=rest[1] if len(rest) > 1 else None)  # type: ignore[arg-type]
        try:
            refuse_bad(state, [wish])
        except InputError as error:
            self._say(f"  {error}")
            return None
        return wish

    async def _line(self, words: str) -> str:
        await self._terminal.drop_typed()
        self._terminal.screen.write(f"  {words}: ", end="")
        return await self._terminal.line()

    def _say(self, text: str) -> None:
        self._terminal.screen.write("\n".join(printable(line) for line in text.split("\n")))
