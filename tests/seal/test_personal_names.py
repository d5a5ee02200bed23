"""A reading that names a network stands in the record as a salted digest, and nowhere else."""

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import BenchFault
from verifier.gather.workers.expected import Expected
from verifier.readings import Attempt, Moment, ProbeDeclaration, Reading, ReadingDeclaration, Stage
from verifier.seal.build import _check
from verifier.seal.personal import PersonalFields, personal_digest

AT = Moment(wall="2026-11-25T10:00:00Z", boot="1.0", boot_id="b")
NAME = ReadingDeclaration(name="network", kind="text", what="Its name.", personal=True)
PLAIN = ReadingDeclaration(name="level", kind="number", unit="dBm", what="Its level.")
DECLARATION = ProbeDeclaration(name="x.y", title="t", what="w", settings=object, readings=(NAME, PLAIN))


class Check:
    id, title, stage, required, probe, prompt, settings, covers = (
        "wifi", "Radio", Stage.CLOSED, True, "wifi.signal", None, {}, (),
    )  # fmt: skip


def recorded(name: str) -> tuple[str, PersonalFields]:
    takes = tuple(
        (
            Reading(name="level", value=-50, unit="dBm"),
            Expected(DECLARATION).accept(Reading(name="network", value=name, origin="nl80211")),
        )
        for _ in range(2)
    )
    personals = PersonalFields()
    attempt = Attempt(check="wifi", stage=Stage.CLOSED, began=AT, takes=takes)
    check = _check(Check, [attempt], personals)  # type: ignore[arg-type]
    return check.model_dump_json(), personals


def test_a_name_is_only_a_digest_in_the_record_and_the_rest_stays() -> None:
    text, personals = recorded("Harbour Café 7")
    assert "Harbour" not in text and "Caf" not in text
    (attempt,) = json.loads(text)["attempts"]
    assert [[r["name"] for r in take] for take in attempt["takes"]] == [["level"], ["level"]]
    assert [(n["take"], n["reading"]) for n in attempt["names"]] == [(1, "network"), (2, "network")]
    ((digest, behind),) = personals.disclosed.items()
    assert {n["value"]["sha256"] for n in attempt["names"]} == {digest}
    assert behind.value == "Harbour Café 7"
    assert digest == personal_digest(bytes.fromhex(behind.salt), behind.value)


@given(st.text(min_size=9, max_size=200).filter(lambda t: re.search(r"[^\w\s:,.-]", t) and t not in '{}[]"'))
def test_no_name_at_all_is_left_in_the_text(name: str) -> None:
    try:
        text, _ = recorded(name)
    except BenchFault:
        return  # a text that cannot be written is refused before it comes so far
    assert json.dumps(name, ensure_ascii=False)[1:-1] not in text


@pytest.mark.parametrize("marked", [True, False])
def test_the_declaration_decides_whatever_the_probe_says(marked: bool) -> None:
    expected = Expected(DECLARATION)
    assert expected.accept(Reading(name="network", value="n", personal=marked)).personal is True
    assert expected.accept(Reading(name="level", value=1, unit="dBm", personal=marked)).personal is False
