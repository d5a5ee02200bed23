"""Data from a file into a model, and what does not fit into plain sentences, all at once.

pydantic stops looking at the rules between keys as soon as one key is wrong. So that an author sees all
mistakes in one go, what is wrong is told, then mended as a reader would guess (a misspelt key renamed, a
wrong value left out), and the mended data goes through again. `Salvage.model` is what could be made of it;
`Salvage.doubtful` are the paths that were mended, about which nothing further should be said.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import date, datetime, time
from functools import cache
from typing import Any, Generic, TypeVar

from pydantic import TypeAdapter, ValidationError

from verifier.declare.complaints import SHAPE_ONLY
from verifier.declare.flaws import MOST_SHOWN, TOO_MUCH, Flaw, KeyPath
from verifier.declare.sentences import WANTED, called_words, expected_words, made_identifier, sentence
from verifier.declare.spelling import hint, nearest, shown

T = TypeVar("T")

_ROUNDS = 12
_MOST_HINTS = 200
_STANDS_IN: dict[str, Any] = {"revision": 1, "schema": 1, "times": 2}


@dataclass(slots=True)
class Salvage(Generic[T]):
    """What could be made of a file, and what was wrong with it."""

    model: T | None
    flaws: list[Flaw]
    doubtful: set[KeyPath] = field(default_factory=set)
    removed: dict[KeyPath, list[int]] = field(default_factory=dict)
    renamed: dict[KeyPath, str] = field(default_factory=dict)

    def origin(self, path: KeyPath) -> KeyPath:
        """Where a path of the mended data stands in the file."""
        here: KeyPath = ()
        for part in path:
            step: str | int = part
            if isinstance(part, int):
                for gone in self.removed.get(here, []):
                    step = int(step) + (gone <= int(step))
            else:
                step = self.renamed.get((*here, part), part)
            here = (*here, step)
        return here

    def is_doubtful(self, path: KeyPath) -> bool:
        """Whether something at, above or below this path of the file was left out or filled in."""
        return any(path[: len(d)] == d[: len(path)] for d in self.doubtful)

    def is_told(self, path: KeyPath) -> bool:
        """Whether something at or above this path of the file was left out or filled in."""
        return any(path[:end] in self.doubtful for end in range(1, len(path) + 1))


def salvage(
    adapter: TypeAdapter[T], data: Mapping[str, Any], *, dates: frozenset[str] = frozenset()
) -> Salvage[T]:
    """Validate strictly, telling everything that is wrong. `dates` names keys that may hold a TOML date."""
    found: Salvage[T] = Salvage(model=None, flaws=[])
    mended = _plain(deepcopy(dict(data)), (), found, dates)
    worker = _Mender(adapter, mended, found)
    for _ in range(_ROUNDS):
        try:
            found.model = adapter.validate_json(
                json.dumps(worker.data), strict=True, context=SHAPE_ONLY, by_alias=True, by_name=False
            )
        except ValidationError as error:
            if not worker.mend(error):
                break
        else:
            break
    return found


def _plain(data: Any, path: KeyPath, found: Salvage[Any], dates: frozenset[str]) -> Any:
    """The data as JSON can hold it; what only TOML has is told here."""
    if isinstance(data, dict):
        return {key: _plain(value, (*path, key), found, dates) for key, value in data.items()}
    if isinstance(data, list):
        return [_plain(value, (*path, number), found, dates) for number, value in enumerate(data)]
    if isinstance(data, datetime | date | time):
        if path[-1] not in dates:
            _unfit(found, path, f"{data} is a date or time, which is not used here", "Write text in quotes.")
        return data.isoformat()
    if isinstance(data, int) and not isinstance(data, bool) and abs(data) > 2**53:
        _unfit(found, path, "the number is too large", "Numbers have at most 15 digits.")
        return 1
    if isinstance(data, str) and (hidden := hidden_characters(data)):
        _unfit(found, path, f"the text holds the hidden character {hidden}", "Take it out, or type the text anew.")
        return "".join(c for c in data if not _is_hidden(c))
    return data


def _unfit(found: Salvage[Any], path: KeyPath, what: str, to_do: str) -> None:
    found.flaws.append(Flaw(path=path, what=what, to_do=to_do))
    found.doubtful.add(path)


def hidden_characters(text: str) -> str:
    """The first character of a text that a reader could not see but would be misled by, as U+202E; or ""."""
    return next((f"U+{ord(c):04X}" for c in text if _is_hidden(c)), "")


def _is_hidden(character: str) -> bool:
    # Control characters move a terminal's cursor; direction overrides (Unicode TR 9, 2) reorder what is read.
    return (ord(character) < 0x20 and character not in "\n\t") or character in _HIDDEN


_HIDDEN = frozenset(
    map(chr, [*range(0x7F, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A), 0xFEFF, 0x2028, 0x2029])
)


@dataclass(slots=True)
class _Mender:
    adapter: TypeAdapter[Any]
    data: Any
    found: Salvage[Any]
    hints: int = 0
    guessed: set[KeyPath] = field(default_factory=set)

    def mend(self, error: ValidationError) -> bool:
        """Tell and mend what is wrong; False when nothing could be mended."""
        errors = error.errors(include_url=False)
        if len(errors) > MOST_SHOWN:
            # Mending so much would take longer than it helps anybody.
            for path, some in self._grouped(errors[: MOST_SHOWN - 1]).items():
                self._tell(path, some)
            self.found.flaws.append(TOO_MUCH)
            return False
        unknown = [e for e in errors if e["type"] == "extra_forbidden"]
        renamed = [e for e in unknown if self._rename(tuple(e["loc"]))]
        if renamed:
            return True
        grouped = self._grouped(errors)
        # From the back, so that leaving out an entry of a list does not shift those still to come.
        mended = [self._mend_one(path, grouped[path]) for path in sorted(grouped, key=_sortable, reverse=True)]
        return any(mended)

    def _grouped(self, errors: list[Any]) -> dict[KeyPath, list[Any]]:
        grouped: dict[KeyPath, list[Any]] = {}
        for e in errors:
            grouped.setdefault(self._existing(tuple(e["loc"]), e["type"]), []).append(e)
        return grouped

    def _existing(self, loc: KeyPath, kind: str) -> KeyPath:
        """The part of an error's location that stands in the data: pydantic adds the branches of a union."""
        here: Any = self.data
        path: KeyPath = ()
        for part in loc:
            try:
                here = here[part]
            except (KeyError, IndexError, TypeError):
                break
            path = (*path, part)
        if kind == "missing" and len(loc) > len(path):
            return (*path, loc[len(path)])
        return path

    def _rename(self, path: KeyPath) -> bool:
        container, key = self._at(path[:-1]), str(path[-1])
        if not isinstance(container, dict) or key not in container:
            return False
        if self.hints >= _MOST_HINTS:
            return False
        near = self._nearest(key, set(self._known(path[:-1])) - set(container), cutoff=0.75)
        if near is None:
            return False
        origin = self.found.origin(path)
        to_do = f"Did you mean {shown(near)}?"
        self.found.flaws.append(Flaw(path=origin, what=f"unknown key {shown(key)}", to_do=to_do, at_key=True))
        self._move(path, near)
        return True

    def _move(self, path: KeyPath, name: str) -> None:
        """Give a key the name that was meant, keeping the order of the table."""
        container = self._at(path[:-1])
        origin = self.found.origin(path)
        self.found.renamed[(*origin[:-1], name)] = str(origin[-1])
        pairs = [(name if key == path[-1] else key, value) for key, value in container.items()]
        container.clear()
        container.update(pairs)

    def _tell(self, path: KeyPath, errors: list[Any]) -> bool:
        """Tell what is wrong at a path; False when that was told before."""
        origin, kind = self.found.origin(path), errors[0]["type"]
        # What a table's own rules say of it is worth nothing where something in it was put in here.
        if self.found.is_told(origin) or any(put_in[: len(path)] == path for put_in in self.guessed):
            return False
        at_key = True
        if kind == "missing":
            what, to_do, at_key = f"{shown(path[-1])} is missing", self._describe(path), False
        elif _is_name(errors):
            what, to_do = self._sentence(errors, str(path[-1]))
            what = f"the name {what}"
        elif kind == "extra_forbidden":
            what, to_do = f"unknown key {shown(path[-1])}", self._hint(str(path[-1]), self._known(path[:-1]))
        else:
            (what, to_do), at_key = self._sentence(errors, self._at(path)), False
        self.found.flaws.append(Flaw(path=origin, what=what, to_do=to_do, at_key=at_key))
        return True

    def _mend_one(self, path: KeyPath, errors: list[Any]) -> bool:
        fresh = self._tell(path, errors)
        if errors[0]["type"] == "missing":
            return self._fill(path)
        return self._replace(path, errors, guess=fresh)

    def _fill(self, path: KeyPath) -> bool:
        """Put something in for a missing key."""
        container, key = self._at(path[:-1]), str(path[-1])
        if not isinstance(container, dict) or path in self.guessed:
            return False
        self.guessed.add(path)
        self.found.doubtful.add(self.found.origin(path))
        container[key] = _STANDS_IN.get(key, f"unnamed{len(self.guessed)}")
        return True

    def _replace(self, path: KeyPath, errors: list[Any], *, guess: bool) -> bool:
        """Put in what was most likely meant, or leave the value out."""
        if not path:
            return False
        container, origin = self._at(path[:-1]), self.found.origin(path)
        if guess and _is_name(errors):
            made = made_identifier(str(path[-1]), errors[0].get("ctx", {}).get("pattern", ""))
            if made and made not in container:
                self._move(path, made)
                self.guessed.add((*path[:-1], made))
                return True
        better = self._guess(container[path[-1]], errors) if guess and not _is_name(errors) else None
        if better is not None:
            self.guessed.add(path)
            container[path[-1]] = better
            return True
        self.found.doubtful.add(origin)
        if isinstance(container, list):
            del container[int(path[-1])]
            above = origin[:-1]
            self.found.removed[above] = sorted([*self.found.removed.get(above, []), int(origin[-1])])
        else:
            del container[path[-1]]
        return True

    def _guess(self, value: Any, errors: list[Any]) -> Any:
        kind = errors[0]["type"]
        if kind in ("enum", "literal_error") and isinstance(value, str):
            return nearest(value, expected_words(errors[0]))
        if kind in ("float_type", "int_type") and isinstance(value, str):
            try:
                number = float(value)
            except ValueError:
                return None
            if not math.isfinite(number):
                return None
            return int(number) if number.is_integer() else number
        if kind == "bool_type" and isinstance(value, str):
            return {"yes": True, "no": False, "true": True, "false": False}.get(value.lower())
        if kind in ("tuple_type", "list_type") and isinstance(value, str | dict):
            return [value]
        return None

    def _at(self, path: KeyPath) -> Any:
        here = self.data
        for part in path:
            here = here[part]
        return here

    def _known(self, path: KeyPath) -> list[str]:
        return sorted(_node(self.adapter, path).get("properties", {}))

    def _describe(self, path: KeyPath) -> str:
        text = _node(self.adapter, path).get("description", "")
        return f"Add it. {text}" if text else "Add it."

    def _nearest(self, word: str, known: set[str], *, cutoff: float) -> str | None:
        self.hints += 1
        return nearest(word, known, cutoff=cutoff) if self.hints <= _MOST_HINTS else None

    def _hint(self, word: str, known: list[str]) -> str:
        self.hints += 1
        return hint(word, known) if self.hints <= _MOST_HINTS else ""

    def _sentence(self, errors: list[Any], value: Any) -> tuple[str, str]:
        kinds = list(dict.fromkeys(e["type"] for e in errors))
        if len(kinds) > 1:
            wanted = list(dict.fromkeys(WANTED[k] for k in kinds if k in WANTED))
            if "a number" in wanted and "a whole number" in wanted:
                wanted.remove("a whole number")
            if wanted:
                return f"{called_words(value)} does not fit; it takes {' or '.join(wanted)}", ""
        return sentence(errors[0], value)


def _is_name(errors: list[Any]) -> bool:
    """Whether the errors are about the name of an entry rather than about what stands in it."""
    return bool(errors[0]["loc"][-1:] == ("[key]",))


def _sortable(path: KeyPath) -> tuple[tuple[int, int, str], ...]:
    return tuple((0, part, "") if isinstance(part, int) else (1, 0, part) for part in path)


@cache
def _schema(adapter: TypeAdapter[Any]) -> dict[str, Any]:
    return adapter.json_schema(by_alias=True)


def _node(adapter: TypeAdapter[Any], path: KeyPath) -> dict[str, Any]:
    """What the JSON Schema says of a path; an empty dict where it says nothing."""
    whole = _schema(adapter)
    here: dict[str, Any] = whole
    for part in path:
        here = _step(whole, here, part)
    return next(_branches(whole, here), {}) | {k: v for k, v in here.items() if k == "description"}


def _step(whole: dict[str, Any], here: dict[str, Any], part: str | int) -> dict[str, Any]:
    for branch in _branches(whole, here):
        if isinstance(part, int) and "items" in branch:
            return _as_dict(branch["items"])
        if isinstance(part, str) and part in branch.get("properties", {}):
            return _as_dict(branch["properties"][part])
        if isinstance(part, str) and isinstance(branch.get("additionalProperties"), dict):
            return _as_dict(branch["additionalProperties"])
        if isinstance(part, str) and branch.get("patternProperties"):
            return _as_dict(next(iter(branch["patternProperties"].values())))
    return {}


def _branches(whole: dict[str, Any], here: dict[str, Any]) -> Iterator[dict[str, Any]]:
    if "$ref" in here:
        here = whole.get("$defs", {}).get(here["$ref"].rpartition("/")[2], {})
    if "anyOf" in here:
        for branch in here["anyOf"]:
            yield from _branches(whole, branch)
    else:
        yield here


def _as_dict(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


_ADAPTERS: dict[Any, TypeAdapter[Any]] = {}


def adapter_of(model: type[T]) -> TypeAdapter[T]:
    """One adapter a type: making one is the slow part."""
    if model not in _ADAPTERS:
        _ADAPTERS[model] = TypeAdapter(model)
    return _ADAPTERS[model]
