"""Reading a TOML file that anybody may have written: bounded, UTF-8, with the place of what is wrong.

1. Only a regular file is opened, never a pipe or a device that could hold the reader up.
2. At most 1 MiB.
3. UTF-8 without a byte-order mark.
4. Brackets and dotted keys no deeper than a suite needs, counted without recursion before parsing.
5. What the TOML parser itself refuses is told alone, since nothing after it can be trusted.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from verifier.declare.spelling import plain
from verifier.errors import InputError, InputProblems, Problem

MOST_BYTES = 1024 * 1024
DEEPEST = 16

_TOKEN = re.compile(
    r'''"""(?:\\[\s\S]?|[^\\])*?(?:"{3,5}|\Z)'''
    r"""|'''[\s\S]*?(?:'{3,5}|\Z)"""
    r"""|"(?:\\.|[^"\\\n])*"?"""
    r"""|'[^'\n]*'?"""
    r"""|\#[^\n]*"""
    r"""|(?P<open>[\[{])|(?P<close>[\]}])|(?P<dot>\.)|(?P<between>[\n=,])"""
)
_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_HINTS = {
    "Invalid value": 'Text stands in quotes, yes is true, numbers use a point: "lan", true, 4.5.',
    "Cannot overwrite a value": "The same key or table stands twice; keep one of them.",
    "Cannot declare": "The same table stands twice; keep one of them.",
    "Duplicate inline table key": "The same key stands twice between these braces; keep one of them.",
    "Cannot mutate immutable": "A table in braces cannot be added to further down; write it all in one place.",
    "Cannot redefine": "The same table stands twice; keep one of them.",
    "Unclosed array": "A closing ] is missing, or a comma between two entries.",
    "Unclosed inline table": "A closing } is missing, or a comma between two keys.",
    "Invalid initial character for a key part": "In braces, keys stand on one line, with single commas between.",
    "Expected '=' after a key": "A line is: key = value. Text around it starts with #.",
    "Illegal character": "Close the quotes on the same line.",
    "Unescaped": "Put text with a backslash, such as a pattern, between single quotes.",
    "Expected newline or end of document": "Only one key = value stands on a line.",
}
_IN_LINE = (
    (re.compile(r"=\s*[+-]?\d+,\d"), "A decimal number has a point, not a comma: 0.25."),
    (re.compile("[“”„‚‘’«»]"), "Use the straight quotes of the keyboard: \" or '."),
    (re.compile(r"(?i)=\s*(yes|no|true|false)\b"), "Yes and no are written true and false, in small letters."),
    (re.compile(r"^\s*[\w-]+\s*:"), "Between key and value stands =, no colon."),
    (re.compile(r"^\s*\[\[?checks\]"), "Every check begins with [[checks]], in double brackets."),
)
"""What a line that is no TOML shows of the usual slips; the first that fits is told."""


def read_toml(path: Path) -> tuple[dict[str, Any], str, str]:
    """The file's data, its text and the SHA-256 of its bytes in hex.

    Raises InputError where the file cannot be read at all, InputProblems with line and column where what
    stands in it is no TOML of reasonable size and depth.
    """
    data = _bytes(path)
    text = _text(path, data)
    _refuse_depth(path, text)
    return _parsed(path, text), text, hashlib.sha256(data).hexdigest()


def shown_path(path: Path) -> str:
    """A path that can always be printed, whatever bytes its name holds."""
    return plain(os.fsencode(path).decode("utf-8", "replace"), 4096)


def _bytes(path: Path) -> bytes:
    where = shown_path(path)
    try:
        # Without O_NONBLOCK, opening a pipe nobody writes to would wait for ever.
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    except FileNotFoundError:
        broken = path.is_symlink()
        raise InputError(
            "is a symbolic link to a file that is not there" if broken else "there is no such file",
            where=where,
            to_do="Give the path of a TOML file.",
        ) from None
    except (OSError, ValueError) as error:
        reason = (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
        raise InputError(f"cannot be read: {reason}", where=where, to_do="Give the path of a TOML file.") from None
    try:
        mode = os.fstat(handle).st_mode
        if not stat.S_ISREG(mode):
            what = "is a folder" if stat.S_ISDIR(mode) else "is a pipe or a device"
            raise InputError(f"{what}, not a file", where=where, to_do="Give the path of a TOML file.")
        with os.fdopen(handle, "rb", closefd=False) as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=where) from None
    finally:
        os.close(handle)
    if len(data) > MOST_BYTES:
        raise InputError(
            "is larger than 1 MiB, the most that is read", where=where, to_do="Is this the right file?"
        )
    return data


def _text(path: Path, data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _one(path, Problem(1, 1, "", "the file is UTF-16, not UTF-8", "Save it as UTF-8 in the editor."))
    if data.startswith(b"\xef\xbb\xbf"):
        what = "the file begins with a byte-order mark"
        raise _one(path, Problem(1, 1, "", what, "Save it as UTF-8 without one (without BOM)."))
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8")
        line, column = place_of(before, len(before))
        what = f"byte {error.start + 1} (0x{data[error.start]:02x}) is not UTF-8"
        raise _one(path, Problem(line, column, "", what, "Save the file as UTF-8 in the editor.")) from None


def _refuse_depth(path: Path, text: str) -> None:
    depth = dots = 0
    for token in _TOKEN.finditer(text):
        kind = token.lastgroup
        if kind == "open":
            depth, dots = depth + 1, 0
        elif kind == "close":
            depth, dots = max(0, depth - 1), 0
        elif kind == "between":
            dots = 0
        elif kind == "dot":
            dots += 1
        if depth > DEEPEST or dots >= DEEPEST:
            what = (
                f"brackets are nested more than {DEEPEST} deep"
                if depth > DEEPEST
                else (f"the key has more than {DEEPEST} parts")
            )
            line, column = place_of(text, token.start())
            raise _one(path, Problem(line, column, "", what, "No suite, order or answers file needs that."))


def _parsed(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        found = _PLACE.search(message)
        if found and found[1]:
            line, column = int(found[1]), int(found[2])
        else:
            end = text.rstrip("\n")
            line, column = place_of(end, len(end))
        what = message[: found.start()] if found else message
        to_do = _slip(text, line) or next((words for start, words in _HINTS.items() if what.startswith(start)), "")
        raise _one(path, Problem(line, column, "", f"not valid TOML: {plain(what)}", to_do)) from None
    except (ValueError, RecursionError, MemoryError) as error:
        # A number of many thousand digits raises a plain ValueError.
        raise _one(path, Problem(0, 0, "", f"not valid TOML: {plain(str(error), 120)}")) from None


def _slip(text: str, line: int) -> str:
    """What the line in error shows of the usual slips; empty where it shows none."""
    bare = re.sub(r"\"[^\"]*\"|'[^']*'", '""', text.split("\n")[line - 1][:1000])  # what stands in quotes is right
    return next((words for pattern, words in _IN_LINE if pattern.search(bare)), "")


def place_of(text: str, offset: int) -> tuple[int, int]:
    """Line and column of an offset, both from 1, the column in characters."""
    return text.count("\n", 0, offset) + 1, offset - (text.rfind("\n", 0, offset) + 1) + 1


def _one(path: Path, problem: Problem) -> InputProblems:
    return InputProblems(shown_path(path), [problem])
