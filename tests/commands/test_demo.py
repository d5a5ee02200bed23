"""`verifier demo` as a newcomer types it: reports of sound and faulty units, in a folder of its own."""

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from verifier.commands.demo import SCENES
from verifier.commands.main import cli
from verifier.errors import InputError
from verifier.gather.simulated import catalogue_for, load_description, unit_file
from verifier.shipped import shipped_beside_suites


def told(*arguments):
    result = CliRunner().invoke(cli, [*map(str, arguments)], standalone_mode=False, catch_exceptions=False)
    return result.output


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    station = tmp_path_factory.mktemp("demo") / "station"
    return station, told("demo", "--station", station)


def test_every_model_has_a_sound_and_a_faulty_unit():
    models = shipped_beside_suites("unit.toml")
    assert models
    for model in models:
        assert {bool(scene.faults) for scene in SCENES if scene.model == model} == {True, False}, model


def test_the_faults_are_in_the_catalogues():
    for scene in SCENES:
        file = unit_file("simulated", scene.model)
        unit = load_description(file)
        assert unit.model == scene.model
        assert set(scene.faults) <= set(catalogue_for(file, unit).faults)


def test_sound_units_are_released_and_faulty_ones_are_not(made):
    _, text = made
    paragraphs = text.split("\n\n")[1 : len(SCENES) + 1]
    for scene, paragraph in zip(SCENES, paragraphs, strict=True):
        assert paragraph.startswith(f"{scene.ticket}  {scene.model}")
        assert ("Released:" in paragraph) is not bool(scene.faults), paragraph


def test_every_report_is_where_it_says_and_is_marked_as_simulated(made):
    station, text = made
    reports = [Path(found) for found in re.findall(r"^  (/.*\.html)$", text, flags=re.MULTILINE)]
    assert len(reports) == len(SCENES)
    for report in reports:
        assert report.is_file() and report.is_relative_to(station)
        assert report.name == "report.simulated.html"
        assert "No real unit was tested" in report.read_text("utf-8")
    audited = json.loads(told("audit", station / "runs", "--station", station, "--json"))
    assert {line["status"] for line in audited["files"]} == {"unaltered"}
    assert f"Audit: {2 * len(SCENES)} of {2 * len(SCENES)} records and reports unaltered" in text


def test_what_it_says_to_try_next_can_be_typed(made):
    station, text = made
    commands = re.findall(r"^  verifier (.*?)(?:   .*)?$", text, flags=re.MULTILINE)
    assert len(commands) == 5
    for command in commands:
        name, *rest = command.split()
        group = cli.get_command(None, name)
        while rest and hasattr(group, "commands") and rest[0] in group.commands:
            group = group.commands[rest.pop(0)]
        assert group is not None
        group.make_context(name, rest)
    assert "marrowby-orlop" in told("trends", "--simulated", "--station", station)


def test_a_folder_with_something_in_it_is_left_alone(tmp_path):
    (tmp_path / "mine").write_text("mine")
    with pytest.raises(InputError, match="there is something already"):
        told("demo", "--station", tmp_path)
