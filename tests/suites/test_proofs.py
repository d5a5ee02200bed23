"""The tables that ship beside the model suites: made of just these files, long enough, and within what they state.

Made anew with `verifier suite prove MODEL --out suites/MODEL/proof.json`.
"""

import json

import pytest

from verifier.declare.lint import load_suite
from verifier.gather.catalogue import load_catalogue
from verifier.gather.simulated import unit_file
from verifier.prove import digest_of, subject_of
from verifier.shipped import find_suite, shipped_beside_suites
from verifier.trends.detection import Tally, false_alarms

MODELS = sorted(shipped_beside_suites("unit.toml"))
PROBES = load_catalogue()


@pytest.fixture(params=MODELS)
def shipped(request):
    """The table of one model, and what it is to be a table of."""
    model = request.param
    path = find_suite(model).with_name("proof.json")
    table = json.loads(path.read_text("utf-8"))
    subject = subject_of(load_suite(find_suite(model), PROBES), unit_file("simulated", model))
    return table, subject


def test_it_is_of_the_suite_the_unit_and_the_faults_that_ship(shipped):
    table, subject = shipped
    model = subject.loaded.suite.model
    assert table["of"] == dict(subject.digests), (
        f"stale: verifier suite prove {model} --out suites/{model}/proof.json"
    )


def test_a_thousand_sound_units_and_a_hundred_with_each_fault(shipped):
    table, subject = shipped
    assert table["healthy"]["runs"] >= 1000
    tried = {(fault["fault"], fault["severity"]): fault["runs"] for fault in table["faults"]}
    wanted = {(name, fault.usual) for name, fault in subject.faults.faults.items()}
    assert wanted <= tried.keys()
    assert all(tried[one] >= 100 for one in wanted)


def test_no_check_fails_sound_units_more_often_than_the_suite_states(shipped):
    table, subject = shipped
    healthy = Tally.from_json(table["healthy"])
    stated = subject.loaded.suite.decision.reject_risk
    assert table["stated_false_fails"] == stated
    over = {check: share.words for check, share in false_alarms(healthy) if share.value > stated}
    assert not over
    assert healthy.share(healthy.caught).value <= stated, "the whole unit, all its checks together"


def test_the_digest_is_that_of_its_counts(shipped):
    table, _ = shipped
    assert digest_of({"healthy": table["healthy"], "faults": table["faults"]}) == table["digest"]
