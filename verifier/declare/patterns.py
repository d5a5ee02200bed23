r"""Regular expressions from suites, matched in bounded time.

A suite is input from outside, and Python's `re` may try more ways than there are seconds: (a+)+ against thirty
letters is enough. This matcher follows all ways at once (K. Thompson, Regular expression search algorithm,
CACM 11, 1968), so its time is bounded by length of pattern times length of text. It takes the usual whole-text
subset: letters, . \d \w \s \D \W \S, classes [...], groups ( ) and (?: ), |, * + ? {m} {m,n} {m,}, and ^ $ at
the ends. Back references and look-around are refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

LONGEST_PATTERN = 500
LONGEST_TEXT = 1000
"""Characters of a text that is held against a pattern; a longer one is refused, not cut."""
MOST_STATES = 2000
"""Places in an unfolded pattern: {m,n} counts as often as it repeats."""
DEEPEST = 20

_COUNT = re.compile(r"\{(\d{1,4})(?:(,)(\d{0,4}))?\}")
_CLASS = re.compile(r"\[\^?\]?(?:\\.|[^\]\\])*\]", re.DOTALL)
_DIGITS = re.compile(r"\\d(?:\{(\d{1,3})\})?")
_SIMPLE_PIECE = re.compile(r"((?:\\d(?:\{\d{1,3}\})?+)++)|([A-Za-z0-9 _/-]++)")
_SIMPLE = re.compile(rf"(?:{_SIMPLE_PIECE.pattern})++")
_ESCAPES = frozenset("dDwWsS")
_PLAIN_ESCAPES = {"n": "\n", "t": "\t", "r": "\r"}


@dataclass(frozen=True, slots=True)
class _One:
    """One character; `test` is a class of Python's `re`, which takes constant time for one character."""

    test: re.Pattern[str]


@dataclass(frozen=True, slots=True)
class _Sequence:
    parts: tuple[_Part, ...]


@dataclass(frozen=True, slots=True)
class _Choice:
    parts: tuple[_Part, ...]


@dataclass(frozen=True, slots=True)
class _Repeat:
    part: _Part
    least: int
    most: int | None


_Part = _One | _Sequence | _Choice | _Repeat


class Pattern:
    """A compiled pattern."""

    def __init__(self, text: str) -> None:
        """Raises ValueError, with the character from 1, for what is no pattern or not of the subset."""
        self.text = text
        # A state is (test, next) for a character, or (None, (next, next)) for a fork; 0 is the end.
        self._tests: list[re.Pattern[str] | None] = [None]
        self._next: list[tuple[int, ...]] = [()]
        self._start = self._build(_Parser(text).whole(), 0)

    def fullmatch(self, text: str) -> bool:
        """Whether the whole text matches; ValueError for a text of more than `LONGEST_TEXT` characters."""
        if len(text) > LONGEST_TEXT:
            raise ValueError(f"a text of {len(text)} characters is too long for a pattern: at most {LONGEST_TEXT}")
        here = self._reached({self._start})
        for character in text:
            ahead: set[int] = set()
            for state in here:
                test = self._tests[state]
                if test is not None and test.fullmatch(character):
                    ahead.update(self._next[state])
            here = self._reached(ahead)
            if not here:
                return False
        return 0 in here

    def _reached(self, states: set[int]) -> set[int]:
        """States with all that can be reached from them without a character."""
        seen, waiting = set(states), list(states)
        while waiting:
            state = waiting.pop()
            if self._tests[state] is None:
                for other in self._next[state]:
                    if other not in seen:
                        seen.add(other)
                        waiting.append(other)
        return seen

    def _state(self, test: re.Pattern[str] | None, following: tuple[int, ...]) -> int:
        if len(self._tests) >= MOST_STATES:
            raise ValueError(f"the pattern unfolds to more than {MOST_STATES} places; repeat less")
        self._tests.append(test)
        self._next.append(following)
        return len(self._tests) - 1

    def _build(self, part: _Part, then: int) -> int:
        """The first state of `part`, with `then` after it."""
        if isinstance(part, _One):
            return self._state(part.test, (then,))
        if isinstance(part, _Sequence):
            for inner in reversed(part.parts):
                then = self._build(inner, then)
            return then
        if isinstance(part, _Choice):
            return self._state(None, tuple(self._build(inner, then) for inner in part.parts))
        if part.most is None:
            loop = self._state(None, ())
            self._next[loop] = (self._build(part.part, loop), then)
            then = loop
        else:
            end = then
            for _ in range(part.most - part.least):
                then = self._state(None, (self._build(part.part, then), end))
        for _ in range(part.least):
            before, then = then, self._build(part.part, then)
            if then == before:
                break  # nothing, however often, is nothing: (){9999} must cost no time
        return then


@lru_cache(maxsize=256)
def compiled(text: str) -> Pattern:
    """The pattern of a suite; ValueError, with the character from 1, for what is refused."""
    return Pattern(text)


def in_words(text: str) -> str:
    r"""A simple pattern as people say it: QS-\d{7} is "QS-, then 7 digits". Any other as it is written."""
    if not _SIMPLE.fullmatch(text):
        return text
    said = []
    for digits, letters in _SIMPLE_PIECE.findall(text):
        number = sum(int(times or 1) for times in _DIGITS.findall(digits))
        said.append(letters or f"{number} {'digit' if number == 1 else 'digits'}")
    return ", then ".join(said)


class _Parser:
    def __init__(self, text: str) -> None:
        if len(text) > LONGEST_PATTERN:
            raise ValueError(f"a pattern has at most {LONGEST_PATTERN} characters, not {len(text)}")
        self.text, self.at = text, 0

    def wrong(self, what: str) -> ValueError:
        return ValueError(f'{what} (character {self.at + 1} of "{self.text}")')

    def ahead(self, mark: str) -> bool:
        return self.text.startswith(mark, self.at)

    def whole(self) -> _Part:
        part = self.choice(0)
        if self.at < len(self.text):
            raise self.wrong('")" closes no bracket')
        return part

    def choice(self, depth: int) -> _Part:
        if depth > DEEPEST:
            raise self.wrong(f"more than {DEEPEST} brackets stand within one another")
        ways = [_Sequence(tuple(self.sequence(depth)))]
        while self.ahead("|"):
            self.at += 1
            ways.append(_Sequence(tuple(self.sequence(depth))))
        return ways[0] if len(ways) == 1 else _Choice(tuple(ways))

    def sequence(self, depth: int) -> Iterator[_Part]:
        while self.at < len(self.text) and self.text[self.at] not in "|)":
            if depth == 0 and self.ahead("^"):
                if self.at and self.text[self.at - 1] != "|":
                    raise self.wrong('"^" stands at the beginning only: the whole text is matched anyway')
                self.at += 1
            elif depth == 0 and self.ahead("$"):
                if self.at + 1 < len(self.text) and self.text[self.at + 1] != "|":
                    raise self.wrong('"$" stands at the end only: the whole text is matched anyway')
                self.at += 1
            else:
                yield self.repeated(self.single(depth))

    def repeated(self, part: _Part) -> _Part:
        count = _COUNT.match(self.text, self.at)
        if count:
            least = int(count[1])
            most = least if count[2] is None else int(count[3]) if count[3] else None
            if most is not None and most < least:
                raise self.wrong("a repeat counts from the smaller to the larger number")
            self.at = count.end()
        elif self.at < len(self.text) and self.text[self.at] in "*+?":
            mark = self.text[self.at]
            least, most = (1 if mark == "+" else 0), (1 if mark == "?" else None)
            self.at += 1
        else:
            return part
        if self.ahead("?"):
            self.at += 1  # lazy or greedy is one and the same for a whole text
        if self.at < len(self.text) and (self.text[self.at] in "*+?" or _COUNT.match(self.text, self.at)):
            raise self.wrong("a repeat follows a repeat; put the first in round brackets")
        return _Repeat(part, least, most)

    def single(self, depth: int) -> _Part:
        mark = self.text[self.at]
        if mark == "(":
            return self.group(depth)
        if mark == "[":
            found = _CLASS.match(self.text, self.at)
            if found is None:
                raise self.wrong('"[" is never closed')
            return self.tested(found[0])
        if mark == "\\":
            letter = self.text[self.at + 1 : self.at + 2]
            if letter in _ESCAPES and letter:
                return self.tested(self.text[self.at : self.at + 2])
            if letter in _PLAIN_ESCAPES:
                self.at += 2
                return _One(re.compile(re.escape(_PLAIN_ESCAPES[letter])))
            if not letter or letter.isalnum():
                raise self.wrong(f'"\\{letter}" is not understood')
            self.at += 2
            return _One(re.compile(re.escape(letter)))
        if mark in "*+?":
            raise self.wrong(f'"{mark}" repeats nothing')
        if mark in "^$":
            raise self.wrong(f'"{mark}" inside brackets is not understood')
        self.at += 1
        return _One(re.compile("." if mark == "." else re.escape(mark)))

    def group(self, depth: int) -> _Part:
        opened = self.at
        if self.ahead("(?:"):
            self.at += 3
        elif self.ahead("(?"):
            raise self.wrong('only plain groups "( )" and "(?: )" are understood')
        else:
            self.at += 1
        inner = self.choice(depth + 1)
        if not self.ahead(")"):
            self.at = opened
            raise self.wrong('"(" is never closed')
        self.at += 1
        return inner

    def tested(self, source: str) -> _One:
        import warnings

        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                test = re.compile(source)
        except (re.error, Warning) as error:
            raise self.wrong(f'"{source}" is not understood: {error}') from None
        self.at += len(source)
        return _One(test)
