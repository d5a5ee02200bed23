"""README.md, DEVELOPERS.md and suites/README.md say what is there, and all that is there is said in them.

Keys of suites, prompt kinds and the examples of the suite author's guide: tests/declare/test_suite_guide.py.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from textwrap import dedent

import anyio
import click
import pytest

from verifier import errors
from verifier.commands.main import cli
from verifier.declare.suite import Limit
from verifier.flow import Ended
from verifier.gather.catalogue import load_catalogue
from verifier.gather.hosts.opening import FORMS
from verifier.gather.workers import WorkerPool
from verifier.readings import Disposition, Outcome
from verifier.shipped import shipped_suites

ROOT = Path(__file__).parents[1]
README, DEVELOPERS, GUIDE = "README.md", "DEVELOPERS.md", "suites/README.md"
DOCS = {name: (ROOT / name).read_text("utf-8") for name in (README, DEVELOPERS, GUIDE)}
SOURCE = "\n".join(p.read_text("utf-8") for p in sorted((ROOT / "verifier").rglob("*.py")))


def spans(text: str) -> list[str]:
    """What stands in back ticks or in an indented or fenced block, a line of a block each."""
    blocks = re.findall(r"^```.*?$(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)
    plain = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    lines = [line for block in blocks for line in block.splitlines()]
    lines += re.findall(r"^    (.+)$", plain, flags=re.MULTILINE)
    inline = re.findall(r"`([^`\n]+(?:\n[^`\n]+)?)`", re.sub(r"^    .+$", "", plain, flags=re.MULTILINE))
    return [*lines, *(" ".join(span.split()) for span in inline)]


def commands(
    group: click.Group = cli, before: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Every command by its words."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        yield (*before, name), command
        if isinstance(command, click.Group):
            yield from commands(command, (*before, name))


COMMANDS = dict(commands())


def options(command: click.Command) -> set[str]:
    """Its long options, but for the one that every command has."""
    given = (opt for param in command.params if isinstance(param, click.Option) for opt in param.opts)
    return {opt for opt in given if opt.startswith("--")} - {"--help"}


def told_commands(text: str) -> Iterator[tuple[tuple[str, ...], str]]:
    """The words of each command that a text names, and the whole line. `verifier suite lint`, `show`: both."""
    for row in text.splitlines():
        group: tuple[str, ...] = ()
        for span in spans(row) if row.startswith("|") else []:
            if span.startswith("verifier "):
                group = words_of(span)
                yield group, span
            elif len(group) >= 2 and re.fullmatch("[a-z][a-z-]*", span):
                yield (*group[:-1], span), span
    for span in spans("\n".join(row for row in text.splitlines() if not row.startswith("|"))):
        for line in re.findall(r"(?:^|/|\s)(verifier [a-z].*)", span):
            yield words_of(line), line


def words_of(line: str) -> tuple[str, ...]:
    """`verifier keys trust FILE` is the command keys trust."""
    words: tuple[str, ...] = ()
    for word in line.split()[1:]:
        if words and not (isinstance(COMMANDS.get(words), click.Group) and re.fullmatch("[a-z][a-z-]*", word)):
            break
        words = (*words, word)
    return words


@pytest.mark.parametrize("doc", DOCS)
def test_every_command_that_is_named_exists_and_has_the_options_named_with_it(doc: str) -> None:
    for command, line in told_commands(DOCS[doc]):
        assert command in COMMANDS, f"{doc} names `verifier {' '.join(command)}`, which does not exist"
        named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", line))
        unknown = named - options(COMMANDS[command]) - {"--help"}
        assert not unknown, f"{doc}: `{line}`: {' '.join(command)} has no {', '.join(sorted(unknown))}"


def test_every_command_is_named_in_the_readme() -> None:
    named = {command for command, _ in told_commands(DOCS[README])}
    missing = {
        " ".join(words)
        for words, command in COMMANDS.items()
        if words not in named and not isinstance(command, click.Group)
    }
    assert not missing, f"{README}, table under “What it does”, does not name: {', '.join(sorted(missing))}"


def test_every_option_is_named_in_the_readme() -> None:
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", "\n".join(spans(DOCS[README]))))
    for words, command in COMMANDS.items():
        missing = options(command) - named
        assert not missing, f"{README} does not name {', '.join(sorted(missing))} of verifier {' '.join(words)}"


def test_every_option_that_is_named_exists() -> None:
    there = {option for command in COMMANDS.values() for option in options(command)} | {"--help"}
    for doc, text in DOCS.items():
        for span in spans(text):
            if re.search(r"\b(pytest|pip|ruff|git|apt-get|python3?)\b", span) and "verifier " not in span:
                continue  # somebody else's options
            unknown = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", span)) - there
            assert not unknown, f"{doc}: `{span}`: no command has {', '.join(sorted(unknown))}"


def test_exit_codes_are_those_that_the_readme_names() -> None:
    (sentence,) = re.findall(r"Exit codes of `run` and `resume`: ([^.]*)\.", DOCS[README])
    named = {int(code) for code in re.findall(r"\b\d\b", sentence)}
    held = Outcome(disposition=Disposition.HOLD, reason="")
    released = Outcome(disposition=Disposition.RELEASE, reason="")
    there = {Ended(outcome=outcome).exit_code for outcome in (None, held, released)}
    kinds = [errors.VerifierError, *(k for k in vars(errors).values() if isinstance(k, type))]
    there |= {kind.exit_code for kind in kinds if issubclass(kind, errors.VerifierError)}
    assert named == there
    for command in ("run", "resume"):
        assert sentence in " ".join((COMMANDS[command,].help or "").split()), (
            f"verifier {command} --help says others"
        )


def test_every_probe_is_named_and_every_probe_that_is_named_exists() -> None:
    catalogue = load_catalogue()
    ours = {name for name in catalogue.names() if catalogue.package(name) == "verifier"}
    named = {span for text in DOCS.values() for span in spans(text)}
    missing = {name for name in ours if name not in named}
    assert not missing, f"neither {' nor '.join(DOCS)} names the probes: {', '.join(sorted(missing))}"
    subjects = {name.partition(".")[0] for name in ours if "." in name}
    for doc, text in DOCS.items():
        quoted = re.findall(r'probe = "([^"]+)"', text)
        alike = [span for span in spans(text) if re.fullmatch(rf"(?:{'|'.join(subjects)})\.[a-z_]+", span)]
        unknown = {name for name in [*quoted, *alike] if not name.endswith(".py")} - ours
        assert not unknown, f"{doc} names probes that do not exist: {', '.join(sorted(unknown))}"


def test_every_limit_form_has_its_row_in_the_guide() -> None:
    table = DOCS[GUIDE].partition("## Limits")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| (`[^|]*) \|", table, flags=re.MULTILINE)
    named = {word for row in rows for word in re.findall(r"`([a-z_]+)`", row)}
    keys = {field.alias or name for name, field in Limit.model_fields.items()}
    forms = keys - {"reading", "unit", "source"}
    assert forms - named == set(), f"{GUIDE}, “Limits”, has no row for these"
    assert named - keys == set(), f"{GUIDE}, “Limits”, names forms that do not exist"


def test_every_place_to_read_from_is_named() -> None:
    shown = (*spans(DOCS[README]), *spans(DOCS[GUIDE]), *spans(DOCS[DEVELOPERS]))
    for form in FORMS:
        assert any(re.search(rf"(?:^|--at ){re.escape(form)}$", span) for span in shown), (
            f"no text names --at {form}"
        )


def test_every_file_that_is_named_exists() -> None:
    """In DEVELOPERS.md a path is the repository's, the package's, or, in the table of rooms, the room's."""
    for doc, text in DOCS.items():
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (ROOT / doc).parent.joinpath(target).exists(), f"{doc} links to {target}"
        headings = re.findall(r"^#+ (.*)$", text, flags=re.MULTILINE)
        anchors = {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}
        for anchor in re.findall(r"\]\(#([^)]+)\)", text):
            assert anchor in anchors, f"{doc} links to #{anchor}, which is no heading of it"
    for row in DOCS[DEVELOPERS].splitlines():
        room = "."
        for span in re.findall(r"`([^`]+)`", row):
            if not re.fullmatch(r"[\w./-]+(\.(py|md|toml|sh)|/)", span) or span.startswith("/"):
                continue
            places = [ROOT / span, ROOT / "verifier" / span, ROOT / "verifier" / room / span]
            if row.startswith("| `") and span.endswith("/") and room == ".":
                room = span
            assert any(place.exists() for place in places), f"{DEVELOPERS} names {span}, which does not exist"


def test_every_name_of_code_that_developers_read_exists() -> None:
    text = re.sub(r"^    .+$", "", DOCS[DEVELOPERS], flags=re.MULTILINE)
    for name in re.findall(r"`([A-Za-z_]\w*(?:\.\w+)*)`", text):
        last = name.rpartition(".")[2]
        if name.endswith((".py", ".toml", ".md")) or not re.search(r"[A-Z_]", name):
            continue
        elsewhere = last in os.environ or last.startswith(("CAP_", "VERIFIER_"))
        assert elsewhere or re.search(rf"\b{re.escape(last)}\b", SOURCE), (
            f"{DEVELOPERS} names {name}: no code does"
        )


def test_every_room_and_shared_module_is_in_the_table() -> None:
    table = DOCS[DEVELOPERS].partition("## The rooms")[2].partition("\n## ")[0] + "`flow.py`"
    for path in sorted((ROOT / "verifier").iterdir()):
        if path.name.startswith("_") or path.suffix not in ("", ".py"):
            continue
        name = path.name if path.suffix else f"{path.name}/"
        assert f"`{name}`" in table, f"{DEVELOPERS}, “The rooms”, has no row for {name}"


def test_every_variable_of_the_environment_is_told_and_exists() -> None:
    tests = "\n".join(p.read_text("utf-8") for p in sorted((ROOT / "tests").rglob("*.py")) if p != Path(__file__))
    scripts = (ROOT / "tests/run.sh").read_text() + (ROOT / ".ci/run").read_text()
    there = set(re.findall(r"\bVERIFIER_[A-Z_]+", SOURCE + tests + scripts))
    named = set(re.findall(r"\bVERIFIER_[A-Z_]+", "\n".join(DOCS.values())))
    assert there - named == set(), f"neither {' nor '.join(DOCS)} says what these are for"
    assert named - there == set(), "the texts name variables that nothing reads"


def test_every_dependency_is_told_with_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    table = DOCS[DEVELOPERS].partition("## Dependencies")[2]
    rows = {
        name for row in re.findall(r"^\| ([a-z][^|]*) \|", table, flags=re.MULTILINE) for name in row.split(", ")
    }
    needed = {re.split(r"[<>=\[]", dependency)[0] for dependency in project["dependencies"]}
    assert needed - rows == set(), f"{DEVELOPERS}, “Dependencies”, has no row for these"
    assert rows - needed - {"package"} == set(), f"{DEVELOPERS}, “Dependencies”, has rows for what is not needed"


def test_the_main_commands_of_the_readme_are_there() -> None:
    assert "bash tests/run.sh" in spans(DOCS[README])
    (main,) = [span for span in spans(DOCS[README]) if "venv" in span]
    assert re.search(r"\.venv/bin/verifier run ([\w-]+)$", main)[1] in shipped_suites()  # type: ignore[index]


def test_the_probe_of_the_guide_runs_in_a_worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    section = DOCS[DEVELOPERS].partition("## How to add a probe")[2].partition("\n## ")[0]
    blocks = re.findall(r"(?:^    .*\n|^\n(?=    |\n    |\n\n    ))+", section, flags=re.MULTILINE)
    module, entry = (re.sub(r"^    ", "", block, flags=re.MULTILINE) for block in blocks)
    ((group, entries),) = tomllib.loads(entry)["project"]["entry-points"].items()
    ((point, name),) = entries.items()
    info = tmp_path / "site" / "depot_probes-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: depot-probes\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[{group}]\n{point} = {name}\n")
    (tmp_path / "site" / f"{name}.py").write_text(module)
    (tmp_path / "tree" / "proc").mkdir(parents=True)
    (tmp_path / "tree" / "proc" / "loadavg").write_text("0.25 1.50 0.75 1/100 4711\n")
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    catalogue = load_catalogue()
    declaration = catalogue.declaration("depot.load")
    assert declaration is not None and catalogue.package("depot.load") == "depot-probes"

    async def take() -> list[object]:
        at = f"recorded:{tmp_path / 'tree'}"
        async with WorkerPool() as pool:
            taken = pool.take("depot.load", {"minutes": 5}, at, declaration=declaration, deadline=60.0)
            return [reading.value async for reading in taken]

    assert anyio.run(take) == [1.5]


def test_the_run_by_hand_of_the_developers_page_finds_the_fault(capsys: pytest.CaptureFixture[str]) -> None:
    section = DOCS[DEVELOPERS].partition("Every step can be called by hand.")[2].partition("Rules that keep")[0]
    block = dedent("\n".join(line for line in section.splitlines() if line.startswith("    ")))
    exec(block, {})  # noqa: S102 - of our own page
    reason, held = capsys.readouterr().out.splitlines()
    assert "Relay 2" in reason and "Verdict.FAIL" in held


def test_help_loads_no_command_no_model_and_no_plug_in() -> None:
    code = (
        "import sys\nsys.argv = ['verifier', '--help']\nfrom verifier.commands.main import main\n"
        "try:\n    main()\nfinally:\n    print('loaded', *sys.modules)"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    loaded = set(told.partition("loaded ")[2].split())
    assert "click" in loaded
    heavy = {"pydantic", "pluggy", "rich", "scipy", "jinja2", "cryptography", "anyio", "importlib.metadata"}
    assert not loaded & heavy
    assert not [
        name for name in loaded if name.startswith("verifier.commands.") and name != "verifier.commands.main"
    ]
