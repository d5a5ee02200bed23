"""The arithmetic of `compute`: names, numbers, + - * / and min, max, abs. Nothing else is ever run.

    expression = term { ("+" | "-") term }
    term       = factor { ("*" | "/") factor }
    factor     = "-" factor | number | name | "(" expression ")"
               | ("min" | "max") "(" expression { "," expression } ")" | "abs" "(" expression ")"

Units are checked as the expression is worked out. Scales with a zero of their own (°C, dBm) follow the
algebra of points and differences: a difference of two readings in °C is in K, their mean is in °C again, and
their sum or product is refused.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from typing import Literal

from verifier.declare import units as ucum

LONGEST = 500
"""Characters of an expression; longer ones are refused."""
DEEPEST = 30
"""Brackets and signs within one another; deeper ones are refused."""

_TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+(?:\.\d+)?(?:[eE][+-]?\d{1,3})?)|(?P<name>[A-Za-z_]\w*)|(?P<mark>[-+*/(),]))", re.ASCII
)
_FUNCTIONS = ("min", "max", "abs")
_Operation = Literal["number", "name", "+", "-", "*", "/", "negative", "min", "max", "abs"]


@dataclass(frozen=True, slots=True)
class _Node:
    operation: _Operation
    at: int
    """Place in the text, from 1."""
    parts: tuple[_Node, ...] = ()
    name: str = ""
    number: float = 0.0


@dataclass(frozen=True, slots=True)
class Linear:
    """A value with its sensitivities: all that the law of propagation needs (JCGM 100, 5.1.3)."""

    value: float
    unit: str
    """UCUM text of the result."""
    sensitivities: Mapping[str, float] = field(default_factory=dict)
    """Partial derivative by each name, in `unit` per unit of that name."""


@dataclass(frozen=True, slots=True)
class _Quantity:
    value: float
    unit: ucum.Unit
    by: dict[str, float]
    weight: Fraction | None = None
    """How many zeros of its scale are in it: 1 for a temperature in °C or a level in dBm; None where there
    is none: differences, and all scales that begin at zero. (a + b)/2 passes through 2 and ends at 1 again."""
    constant: bool = False
    name: str = ""


@dataclass(frozen=True, slots=True)
class Expression:
    """A parsed expression."""

    text: str
    root: _Node
    names: tuple[str, ...]
    """Readings that it uses, in order of appearance, each once."""

    def evaluate(self, values: Mapping[str, float], units: Mapping[str, str] | None = None) -> float:
        """The value, in the unit that `unit` gives for the same `units`.

        Without `units` all are taken as plain numbers. Raises ValueError, with the place in the text, for
        a missing name, a division by zero, units that do not fit and a result that is no finite number.
        """
        return self.linear(values, units or dict.fromkeys(self.names, "1")).value

    def unit(self, units: Mapping[str, str]) -> str:
        """UCUM text of the result; ValueError, with the place in the text, where units do not fit together."""
        # Any values do, since they decide nothing about units; a division by zero is not a matter of units.
        return self._linear({}, units, {}, dry=True).unit

    def linear(
        self, values: Mapping[str, float], units: Mapping[str, str], u: Mapping[str, float] | None = None
    ) -> Linear:
        """The value with its partial derivatives, exact by the rules of differentiation.

        `min` and `max` have the derivatives of the operand they choose; between equal ones, of the operand
        with the larger standard uncertainty by `u`. `abs` at zero has that of its operand. Raises as `evaluate`.
        """
        result = self._linear(values, units, u or {}, dry=False)
        if not all(math.isfinite(x) for x in (result.value, *result.sensitivities.values())):
            raise ValueError(f'"{self.text}" gives no finite number')
        return result

    def _linear(
        self, values: Mapping[str, float], units: Mapping[str, str], u: Mapping[str, float], *, dry: bool
    ) -> Linear:
        try:
            return _finished(self, _work_out(self.root, values, units, u, dry=dry))
        except OverflowError:
            raise ValueError(f'"{self.text}" gives no finite number') from None


@lru_cache(maxsize=512)
def parse(text: str) -> Expression:
    """An expression taken apart; ValueError says what is wrong and at which character, from 1."""
    if len(text) > LONGEST:
        raise ValueError(f"an expression has at most {LONGEST} characters, not {len(text)}")
    parser = _Parser(text)
    root = parser.sum(0)
    if parser.kind:
        raise parser.wrong(f'"{parser.word}" was not expected')
    names: dict[str, None] = {}
    waiting = [root]
    while waiting:
        node = waiting.pop()
        if node.operation == "name":
            names[node.name] = None
        waiting.extend(reversed(node.parts))
    return Expression(text, root, tuple(names))


class _Parser:
    """Recursive descent over one token of look-ahead."""

    def __init__(self, text: str) -> None:
        self.text, self.end = text, 0
        self.step()

    def step(self) -> None:
        match = _TOKEN.match(self.text, self.end)
        if match is None:
            self.kind, self.word = "", ""
            rest = self.text[self.end :]
            self.at = self.end + len(rest) - len(rest.lstrip()) + 1
            if rest.strip():
                allowed = "names, numbers, + - * / and min, max, abs with round brackets"
                raise self.wrong(f'"{rest.strip()[0]}" is not understood: only {allowed}')
            return
        self.kind, self.word = str(match.lastgroup), match[match.lastgroup or 0]
        self.at, self.end = match.start(match.lastgroup or 0) + 1, match.end()

    def wrong(self, what: str) -> ValueError:
        return ValueError(f'{what}, at character {self.at} of "{self.text}"')

    def take(self, mark: str) -> None:
        if self.word != mark:
            raise self.wrong(f'"{mark}" was expected' + (f' before "{self.word}"' if self.word else ""))
        self.step()

    def sum(self, depth: int) -> _Node:
        left = self.product(depth)
        while self.word in ("+", "-"):
            operation: _Operation = "+" if self.word == "+" else "-"
            at = self.at
            self.step()
            left = _Node(operation, at, (left, self.product(depth)))
        return left

    def product(self, depth: int) -> _Node:
        left = self.factor(depth)
        while self.word in ("*", "/"):
            operation: _Operation = "*" if self.word == "*" else "/"
            at = self.at
            self.step()
            left = _Node(operation, at, (left, self.factor(depth)))
        return left

    def factor(self, depth: int) -> _Node:
        if depth > DEEPEST:
            raise self.wrong(f"more than {DEEPEST} brackets or signs stand within one another")
        kind, word, at = self.kind, self.word, self.at
        if not kind:
            raise self.wrong("a name, a number or a bracket was expected")
        self.step()
        if word == "-":
            return _Node("negative", at, (self.factor(depth + 1),))
        if word == "(":
            inner = self.sum(depth + 1)
            self.take(")")
            return inner
        if kind == "number":
            if not math.isfinite(float(word)):
                raise self.wrong(f"{word} is too large a number")
            return _Node("number", at, number=float(word))
        if kind == "mark":
            self.at = at
            raise self.wrong(f'a name, a number or a bracket was expected, not "{word}"')
        if self.word != "(":
            if word in _FUNCTIONS:
                raise self.wrong(f'"{word}" is a function and needs brackets')
            return _Node("name", at, name=word)
        if word not in _FUNCTIONS:
            self.at = at
            raise self.wrong(f'"{word}" is no function: there are min, max and abs')
        self.step()
        parts = [self.sum(depth + 1)]
        while self.word == "," and word != "abs":
            self.step()
            parts.append(self.sum(depth + 1))
        self.take(")")
        return _Node("min" if word == "min" else "max" if word == "max" else "abs", at, tuple(parts))


def _finished(expression: Expression, q: _Quantity) -> Linear:
    if q.weight not in (None, 1):
        raise ValueError(
            f'"{expression.text}" adds up values in {_unit_words(q)}, which has no natural zero: '
            "take their difference or their mean"
        )
    return Linear(q.value, q.unit.text, q.by)


def _work_out(
    node: _Node, values: Mapping[str, float], units: Mapping[str, str], u: Mapping[str, float], *, dry: bool
) -> _Quantity:
    """One node, from the leaves up. Long chains lean to the left and are walked, not recursed into."""
    chain = []
    while node.operation in ("+", "-", "*", "/"):
        chain.append(node)
        node = node.parts[0]
    left = _leaf_or_function(node, values, units, u, dry=dry)
    for node in reversed(chain):
        right = _work_out(node.parts[1], values, units, u, dry=dry)
        if node.operation == "*":
            left = _product(node, left, right)
        elif node.operation == "/":
            left = _quotient(node, left, right, dry=dry)
        else:
            left = _sum(node, left, right)
    return left


def _leaf_or_function(
    node: _Node, values: Mapping[str, float], units: Mapping[str, str], u: Mapping[str, float], *, dry: bool
) -> _Quantity:
    if node.operation == "number":
        return _Quantity(node.number, ucum.parse("1"), {}, constant=True)
    if node.operation == "name":
        if node.name not in units or not (dry or node.name in values):
            raise ValueError(f'there is no reading "{node.name}" (character {node.at})')
        unit = ucum.parse(units[node.name])
        # For the unit alone any value does.
        value = 1.0 if dry else float(values[node.name])
        return _Quantity(value, unit, {node.name: 1.0}, None if unit.from_zero else Fraction(1), name=node.name)
    first, *others = (_work_out(part, values, units, u, dry=dry) for part in node.parts)
    if node.operation == "negative":
        return _scaled(first, -1.0)
    if node.operation == "abs":
        _refuse_points(node, first)
        return _scaled(first, -1.0) if first.value < 0 else first
    for other in others:
        first = _chosen(node, *_alike(node, first, other), u)
    return first


def _unit_words(q: _Quantity) -> str:
    return ucum.shown(q.unit.text) or "plain numbers"


def _called(q: _Quantity) -> str:
    if q.constant:
        return f"{q.value:g} is a plain number"
    return f"{q.name or 'one side'} is in {_unit_words(q)}"


def _alike(node: _Node, a: _Quantity, b: _Quantity) -> tuple[_Quantity, _Quantity]:
    """Both in one unit: that of the point where only one is a point, else that of the first."""
    # A bare 0 is nothing in any unit, so that max(a - b, 0) can be written.
    if a.weight is None and b.constant and b.value == 0:
        return a, _Quantity(0.0, a.unit, {}, constant=True)
    if b.weight is None and a.constant and a.value == 0:
        return _Quantity(0.0, b.unit, {}, constant=True), b
    fits = a.unit.difference.dimensions == b.unit.difference.dimensions
    if a.weight is not None and b.weight is not None:
        fits = fits and (a.unit.zero, a.unit.level) == (b.unit.zero, b.unit.level)
    if node.operation in ("min", "max"):
        fits = fits and a.weight == b.weight
    if not fits:
        raise ValueError(
            f'"{node.operation}" needs both sides in units of one kind: {_called(a)}, {_called(b)} '
            f"(character {node.at})"
        )
    unit = b.unit if a.weight is None and b.weight is not None else a.unit
    return _in(unit, a), _in(unit, b)


def _in(unit: ucum.Unit, q: _Quantity) -> _Quantity:
    if unit == q.unit:
        return q
    # Points share their zero here, so that differences convert them too.
    source, target = q.unit.difference.text, unit.difference.text
    factor = ucum.convert_difference(1.0, source, target)
    by = {name: c * factor for name, c in q.by.items()}
    return _Quantity(ucum.convert_difference(q.value, source, target), unit, by, q.weight, q.constant, q.name)


def _weighed(value: float, unit: ucum.Unit, by: dict[str, float], weight: Fraction | None) -> _Quantity:
    """A quantity whose zeros may have cancelled: then it is a difference."""
    return _Quantity(value, unit, by, weight) if weight else _Quantity(value, unit.difference, by)


def _sum(node: _Node, left: _Quantity, right: _Quantity) -> _Quantity:
    a, b = _alike(node, left, right)
    sign = 1 if node.operation == "+" else -1
    value, by = a.value + sign * b.value, _added(a.by, b.by, float(sign))
    if a.constant and b.constant:
        return _Quantity(value, a.unit, by, constant=True)
    if a.weight is None and b.weight is None:
        return _Quantity(value, a.unit, by)
    return _weighed(value, a.unit, by, (a.weight or 0) + sign * (b.weight or Fraction(0)))


def _scaled(q: _Quantity, factor: float) -> _Quantity:
    by = {name: c * factor for name, c in q.by.items()}
    if q.weight is None:
        return _Quantity(q.value * factor, q.unit, by, constant=q.constant)
    # The nearest simple fraction: 0.1 a + 0.9 b is a mean, whatever binary makes of 0.1.
    exact = Fraction(factor)
    return _weighed(q.value * factor, q.unit, by, q.weight * (exact.limit_denominator(10**6) or exact))


def _added(a: dict[str, float], b: dict[str, float], factor: float) -> dict[str, float]:
    total = dict(a)
    for name, c in b.items():
        total[name] = total.get(name, 0.0) + factor * c
    return total


def _refuse_points(node: _Node, *parts: _Quantity) -> None:
    for part in parts:
        if part.weight is not None:
            raise ValueError(
                f'"{node.operation}" cannot take a value in {_unit_words(part)}, which has no natural zero: '
                f"take a difference first (character {node.at})"
            )


def _product(node: _Node, a: _Quantity, b: _Quantity) -> _Quantity:
    if a.constant != b.constant:
        number, quantity = (a, b) if a.constant else (b, a)
        return _scaled(quantity, number.value)
    _refuse_points(node, a, b)
    by = _added({name: c * b.value for name, c in a.by.items()}, b.by, a.value)
    return _Quantity(a.value * b.value, a.unit.times(b.unit), by, constant=a.constant and b.constant)


def _quotient(node: _Node, a: _Quantity, b: _Quantity, *, dry: bool) -> _Quantity:
    divisor = b.value
    if divisor == 0:
        if not dry or b.constant:
            raise ValueError(f"division by zero (character {node.at})")
        divisor = 1.0
    if b.constant and not a.constant:
        by = {name: c / divisor for name, c in a.by.items()}
        if a.weight is None:
            return _Quantity(a.value / divisor, a.unit, by)
        return _weighed(a.value / divisor, a.unit, by, a.weight / Fraction(divisor))
    _refuse_points(node, a, b)
    value = a.value / divisor
    by = _added({name: c / divisor for name, c in a.by.items()}, b.by, -value / divisor)
    return _Quantity(value, a.unit.times(b.unit, -1), by, constant=a.constant and b.constant)


def _chosen(node: _Node, a: _Quantity, b: _Quantity, u: Mapping[str, float]) -> _Quantity:
    if a.value == b.value:
        spread = [sum((c * u.get(name, 0.0)) ** 2 for name, c in q.by.items()) for q in (a, b)]
        chosen = b if spread[1] > spread[0] else a
    else:
        chosen = a if (a.value < b.value) == (node.operation == "min") else b
    # A constant beside a reading is no constant any more: which of them it is depends on the reading.
    return _Quantity(chosen.value, a.unit, chosen.by, a.weight, a.constant and b.constant)
