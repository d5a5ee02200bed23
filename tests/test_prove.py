"""Proofs by simulated units: the same seed gives the same table, whoever makes it and in whatever pieces."""

import dataclasses

import pytest

from verifier.declare.lint import load_suite
from verifier.errors import InputError
from verifier.gather.catalogue import load_catalogue
from verifier.gather.simulated import unit_file
from verifier.prove import Extent, Prover, digest_of, pieces, seed_of, subject_of, try_all
from verifier.shipped import find_suite

PROBES = load_catalogue()
EXTENT = Extent(healthy=13, each=1, seed=5)


@pytest.fixture(scope="module")
def subject():
    return subject_of(load_suite(find_suite("marrowby-orlop"), PROBES), unit_file("simulated", "marrowby-orlop"))


@pytest.fixture(scope="module")
def proof(subject):
    return try_all(subject, PROBES, EXTENT)


def test_every_fault_of_the_catalogue_is_tried_and_every_run_counted(subject, proof):
    assert proof.healthy.runs == 13
    assert [(f.name, f.severity) for f in proof.faults] == [(n, f.usual) for n, f in subject.faults.faults.items()]
    assert {f.tally.runs for f in proof.faults} == {1}


def test_a_sound_logger_is_released_and_a_stuck_relay_found_at_its_joint(proof):
    assert proof.healthy.escaped == proof.healthy.runs, "sound units are released"
    stuck = next(f for f in proof.faults if f.name == "relay-1-stuck")
    assert stuck.tally.caught == stuck.tally.placed == 1
    assert stuck.joint == "relay-block"


def test_two_processes_make_the_same_table(subject, proof):
    again = try_all(subject, PROBES, EXTENT, jobs=2)
    assert again.to_json() == proof.to_json()


def test_a_proof_that_was_interrupted_goes_on_and_makes_nothing_twice(subject, proof):
    made, late = {}, []

    def stop(piece, tally):
        made[piece.key] = tally
        if len(made) == 4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        try_all(subject, PROBES, EXTENT, done=stop)
    again = try_all(subject, PROBES, EXTENT, kept=made, done=lambda piece, tally: late.append(piece.key))
    assert not set(late) & set(made)
    assert len(late) + len(made) == len(list(pieces(subject, EXTENT)))
    assert again.to_json() == proof.to_json()


def test_other_severities_are_tried_only_when_asked_for(subject):
    usual = {(p.fault, p.severity) for p in pieces(subject, EXTENT)}
    every = {(p.fault, p.severity) for p in pieces(subject, dataclasses.replace(EXTENT, all_severities=True))}
    assert usual < every
    assert len(every) == 1 + sum(len(fault.severities) for fault in subject.faults.faults.values())


def test_units_differ_from_one_another_and_a_unit_only_by_its_seed(subject):
    assert len({seed_of(1, fault, "x", n) for fault in ("", "a", "b") for n in range(100)}) == 300
    piece = next(iter(pieces(subject, EXTENT)))
    first = Prover(subject, PROBES, 5).make(piece)
    assert first == Prover(subject, PROBES, 5).make(piece)


def test_the_digest_is_over_the_counts_whatever_order_they_stand_in(proof):
    data = proof.to_json()
    counts = {"faults": data["faults"], "healthy": data["healthy"]}
    assert digest_of(counts) == data["digest"]
    assert data["what"] == "model result, not evidence"
    counts["healthy"] = data["healthy"] | {"runs": 14}
    assert digest_of(counts) != data["digest"]


def test_a_suite_without_faults_to_try_is_told_so(subject, tmp_path):
    unit = tmp_path / "unit.toml"
    unit.write_bytes(unit_file("simulated", "marrowby-orlop").read_bytes())
    (tmp_path / "faults.toml").write_text('schema = 1\nmodel = "marrowby-orlop"\n[faults]\n')
    with pytest.raises(InputError, match="no faults to try") as error:
        subject_of(subject.loaded, unit)
    assert "faults.toml" in error.value.to_do
