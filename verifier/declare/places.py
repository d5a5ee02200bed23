"""Where a key path stands in a TOML file: line and column. Loaded only when a problem is shown.

tomllib gives no places, so the text, which tomllib has accepted, is parsed a second time by tree-sitter.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field

import tree_sitter_toml
from tree_sitter import Language, Node, Parser

from verifier.declare.flaws import KeyPath

Place = tuple[int, int]


@dataclass(slots=True)
class Places:
    """Line and column, both from 1, of every key and value that stands in a text."""

    lines: list[bytes]
    keys: dict[KeyPath, Place] = field(default_factory=dict)
    """Row and byte in it, both from 0: turned into columns only where asked for."""
    values: dict[KeyPath, Place] = field(default_factory=dict)

    def of(self, path: KeyPath, *, value: bool = True) -> Place:
        """Where the value (or the key) of `path` stands, or the nearest thing around it that stands somewhere."""
        first, second = (self.values, self.keys) if value else (self.keys, self.values)
        for end in range(len(path), 0, -1):
            place = first.get(path[:end]) or second.get(path[:end])
            if place:
                row, byte = place
                return row + 1, len(self.lines[row][:byte].decode("utf-8", "replace")) + 1
            # Above the path itself, the key names the thing best.
            first, second = self.keys, self.values
        return (1, 1)


def places(text: str) -> Places:
    """Index a text. What the second parser cannot read is missing; `of` then gives what is around it."""
    data = text.encode("utf-8")
    return _Indexer(data.split(b"\n")).index(Parser(Language(tree_sitter_toml.language())).parse(data).root_node)


class _Indexer:
    def __init__(self, lines: list[bytes]) -> None:
        self.found = Places(lines)
        self.counts: dict[KeyPath, int] = {}

    def index(self, document: Node) -> Places:
        for node in document.named_children:
            if node.type == "pair":
                self._pair(node, ())
            elif node.type in ("table", "table_array_element"):
                self._table(node)
        return self.found

    def _table(self, node: Node) -> None:
        children = node.named_children
        if not children or children[0].type not in ("bare_key", "quoted_key", "dotted_key"):
            return
        parts = _parts(children[0])
        path: KeyPath = ()
        for number, part in enumerate(parts):
            path = (*path, _name(part))
            last = number == len(parts) - 1
            if last and node.type == "table_array_element":
                self.counts[path] = self.counts.get(path, -1) + 1
                self.found.keys.setdefault(path, self._place(part))
                path = (*path, self.counts[path])
            elif path in self.counts:
                path = (*path, self.counts[path])
            self.found.keys.setdefault(path, self._place(part))
        for child in children[1:]:
            if child.type == "pair":
                self._pair(child, path)

    def _pair(self, node: Node, above: KeyPath) -> None:
        # Depth was bounded before parsing, so that recursion over it is bounded too.
        children = [child for child in node.named_children if child.type != "comment"]
        if len(children) < 2:
            return
        path = above
        for part in _parts(children[0]):
            path = (*path, _name(part))
            self.found.keys.setdefault(path, self._place(part))
        self._value(children[1], path)

    def _value(self, node: Node, path: KeyPath) -> None:
        self.found.values.setdefault(path, self._place(node))
        if node.type == "array":
            entries = [child for child in node.named_children if child.type != "comment"]
            for number, entry in enumerate(entries):
                self._value(entry, (*path, number))
        elif node.type == "inline_table":
            for child in node.named_children:
                if child.type == "pair":
                    self._pair(child, path)

    def _place(self, node: Node) -> Place:
        return node.start_point.row, node.start_point.column


def _parts(key: Node) -> list[Node]:
    """The single keys of a dotted key, which the grammar nests to the left."""
    parts: list[Node] = []
    waiting = [key]
    while waiting:
        node = waiting.pop()
        if node.type == "dotted_key":
            waiting.extend(child for child in node.named_children)
        else:
            parts.append(node)
    return parts[::-1]


def _name(key: Node) -> str:
    text = (key.text or b"").decode("utf-8", "replace")
    if key.type != "quoted_key":
        return text
    if "\\" not in text:
        return text[1:-1]
    try:
        return next(iter(tomllib.loads(f"{text} = 0")))
    except tomllib.TOMLDecodeError:
        return text
