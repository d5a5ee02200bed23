"""The suite author's guide says what is true: its examples pass lint, and it names every key and no other."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from verifier.declare.lint import load_suite
from verifier.declare.schema import suite_schema
from verifier.declare.suite import PromptKind
from verifier.gather.catalogue import load_catalogue
from verifier.shipped import folder

GUIDE = (folder("suites") / "README.md").read_text("utf-8")
EXAMPLES = re.findall(r"^```toml\n(.*?)^```", GUIDE, flags=re.MULTILINE | re.DOTALL)
HEAD = 'schema = 1\nmodel = "marrowby-quayside"\ntitle = "Guide"\nrevision = 1\n\n'


@pytest.mark.parametrize("number", range(len(EXAMPLES)))
def test_example_has_nothing_to_mend(tmp_path: Path, number: int) -> None:
    example = EXAMPLES[number]
    path = tmp_path / "suite.toml"
    path.write_text(example if example.startswith("schema") else HEAD + example)
    loaded = load_suite(path, load_catalogue())
    assert [w for w in loaded.warnings if "no check has limits" not in w.what] == []


def test_every_key_is_named() -> None:
    named = set(re.findall(r"`([a-z_]+)`", GUIDE))
    schema = suite_schema()
    keys = {key for node in (schema, *schema["$defs"].values()) for key in node.get("properties", {})}
    # The three tables of a suite are headings of the guide; times and pool stand in the text on repeat.
    assert keys - named - {"parts", "joints", "checks", "decision", "serial"} == set()


def test_no_key_is_named_that_does_not_exist() -> None:
    schema = suite_schema()
    keys = {key for node in (schema, *schema["$defs"].values()) for key in node.get("properties", {})}
    in_tables = {
        word
        for row in re.findall(r"^\| (`[^|]*) \|", GUIDE, flags=re.MULTILINE)
        for word in re.findall(r"`([a-z_]+)`", row)
    }
    assert in_tables - keys == set()
    assert len(in_tables) > 45


def test_every_prompt_kind_has_its_example() -> None:
    for kind in PromptKind:
        assert f"**`{kind}`**" in GUIDE or f"and **`{kind}`**" in GUIDE
        assert any(f'prompt = "{kind}"' in example for example in EXAMPLES)


def test_sentence_of_lint_in_the_guide_is_what_lint_says(tmp_path: Path) -> None:
    from verifier.errors import InputProblems

    path = tmp_path / "quayside.toml"
    path.write_text(EXAMPLES[0].replace('unit = "Mbit/s"', 'unit = "V"'))
    with pytest.raises(InputProblems) as caught:
        load_suite(path, load_catalogue())
    assert caught.value.problems[0].sentence("quayside.toml") in GUIDE


def test_every_key_of_a_simulated_unit_is_named() -> None:
    from verifier.gather.simulated.parts import Part

    section = GUIDE.partition("## Simulated units and their faults")[2].partition("\n## ")[0]
    named = set(re.findall(r"`([a-z_]+)`", section))
    for part in Part.__subclasses__():
        if part.__module__ == Part.__module__:
            assert set(part.model_fields) - named == set(), part.__name__
