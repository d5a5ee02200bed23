"""A recorded tree as a host: files of another machine, kept in a folder.

The folder holds `sys`, `proc`, `etc` and so on as they were; `errors.json`, read errors by path
(`{"/sys/class/net/eth1/speed": "EINVAL"}`), since a tree cannot express them; and `commands/*.json`,
what commands printed (`{"argv": ["uname", "-m"], "exit": 0, "stdout": "x86_64\\n"}`); and `radio.json`, what
a radio said (`recorded_radio`). What was not recorded is absent.
"""

from __future__ import annotations

import errno
import json
import os
import posixpath
from typing import Any

from verifier.errors import Absent, InputError, NotPossible
from verifier.gather.hosts.recorded_radio import RecordedRadio
from verifier.gather.hosts.tree import Tree
from verifier.services import Clocks, CommandResult

FILE_LIMIT = 1 << 20
COMMANDS_LIMIT = 1000


class RecordedFiles:
    def __init__(self, tree: Tree, errors: dict[str, int]) -> None:
        self._tree, self._errors = tree, errors

    async def read(self, path: str, limit: int = 65_536) -> bytes:
        self._recorded_error(path)
        return self._tree.read(path, limit)

    async def names(self, path: str) -> list[str]:
        self._recorded_error(path)
        return self._tree.names(path)

    async def real_path(self, path: str) -> str:
        return self._tree.real_path(path)

    async def exists(self, path: str) -> bool:
        number = self._error_of(path)
        if number is not None:
            # A file whose reading failed was there all the same.
            return number not in (errno.ENOENT, errno.ENOTDIR)
        try:
            self._tree.real_path(path)
        except OSError:
            return False
        return True

    def _error_of(self, path: str) -> int | None:
        if not self._errors:
            return None
        return self._errors.get(posixpath.normpath(path)) or self._errors.get(canonical(self._tree, path))

    def _recorded_error(self, path: str) -> None:
        number = self._error_of(path)
        if number is not None:
            raise OSError(number, os.strerror(number), path)


def canonical(tree: Tree, path: str) -> str:
    """`path` with the links of its folder followed, whether or not the file itself is in the tree."""
    folder, name = posixpath.split(posixpath.normpath(path))
    try:
        return posixpath.join(tree.real_path(folder), name)
    except OSError:
        return posixpath.join(folder, name)


class RecordedCommands:
    def __init__(self, results: dict[tuple[str, ...], CommandResult]) -> None:
        self._results = results

    async def run(self, *argv: str, timeout: float = 10.0) -> CommandResult:
        try:
            return self._results[argv]
        except KeyError:
            raise Absent(f"the recording holds no result of the command {' '.join(argv)[:200]}") from None


class RecordedHost:
    def __init__(self, folder: str, clocks: Clocks) -> None:
        self.address = f"recorded:{folder}"
        self.clocks = clocks
        try:
            tree = Tree(folder)
        except OSError as error:
            raise InputError(
                f"the recorded tree cannot be opened: {error.strerror}",
                where=folder,
                to_do="Give the folder that holds the recorded sys and proc: --at recorded:DIR.",
            ) from None
        self.files = RecordedFiles(tree, _errors(tree, folder))
        self.commands = RecordedCommands(_commands(tree, folder))
        self._radio = _radio(tree, folder)
        self.services = frozenset({"files", "commands", *(["radio"] if self._radio else [])})

    @property
    def radio(self) -> RecordedRadio:
        if self._radio is None:
            raise NotPossible("this recording holds nothing of a radio")
        return self._radio


def _radio(tree: Tree, folder: str) -> RecordedRadio | None:
    told = _json(tree, folder, "radio.json")
    try:
        return None if told is None else RecordedRadio(told)
    except ValueError as error:
        raise _wrong(folder, "radio.json", str(error)) from None


def _json(tree: Tree, folder: str, name: str) -> Any:
    try:
        return json.loads(tree.read(f"/{name}", FILE_LIMIT))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError) as error:
        raise _wrong(folder, name, f"cannot be read as JSON: {error}") from None


def _wrong(folder: str, name: str, what: str) -> InputError:
    return InputError(f"this file of the recording {what}", where=posixpath.join(folder, name))


def _errors(tree: Tree, folder: str) -> dict[str, int]:
    found = _json(tree, folder, "errors.json")
    if found is None:
        return {}
    if not isinstance(found, dict):
        raise _wrong(folder, "errors.json", 'is not an object of paths to errors such as "EINVAL"')
    numbers: dict[str, int] = {}
    for path, name in found.items():
        number = getattr(errno, name, None) if isinstance(name, str) and name.startswith("E") else None
        if not isinstance(number, int):
            raise _wrong(folder, "errors.json", f'gives {name!r} for {path}, which is no error such as "EINVAL"')
        numbers[posixpath.normpath(path)] = numbers[canonical(tree, path)] = number
    return numbers


def _commands(tree: Tree, folder: str) -> dict[tuple[str, ...], CommandResult]:
    try:
        names = [name for name in tree.names("/commands") if name.endswith(".json")]
    except OSError:
        return {}
    if len(names) > COMMANDS_LIMIT:
        raise _wrong(folder, "commands", f"holds more than {COMMANDS_LIMIT} results")
    results = (_command(folder, f"commands/{name}", _json(tree, folder, f"commands/{name}")) for name in names)
    return {result.argv: result for result in results}


def _command(folder: str, name: str, found: Any) -> CommandResult:
    match found:
        case {"argv": [str(), *_] as argv, "exit": int(code), "stdout": str(stdout)} if all(
            isinstance(word, str) for word in argv
        ):
            return CommandResult(argv=tuple(argv), exit=code, stdout=stdout)
    raise _wrong(folder, name, 'does not hold "argv" (texts), "exit" (a number) and "stdout" (a text)')
