from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest

from verifier.seal import Standing
from verifier.seal.amendment import Amendment, FieldChange, SealedAmendment, Successor
from verifier.seal.envelope import Envelope, Receipt
from verifier.seal.personal import PersonalFields
from verifier.seal.record import RecordedPerson, StationRecord
from verifier.show.report import render_front


def words_of(html: str) -> str:
    body = re.sub(r"<(style|title)>.*?</\1>", "", html, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", "", body)).split())


@pytest.fixture
def standing(sample: Any) -> Callable[..., Standing]:
    """How a record stands after amendments, as `amending` gives it."""

    def made(*amendments: dict[str, Any]) -> Standing:
        found = []
        for number, fields in enumerate(amendments):
            personals = PersonalFields()
            amendment = Amendment(
                run="20261125T101512Z-k3v9qd",
                amends=sample.digest,
                role="station",
                station=StationRecord(name="bench-2", key=sample.fingerprint),
                by=RecordedPerson(name=personals.add("Q01"), known="option"),
                at="2026-12-02T09:30:00Z",
                software={},
                **fields,
            )
            receipt = Receipt.model_construct(index=number, size=number + 1, path=(), head="")
            envelope = Envelope("ey", receipt, personals.disclosed)
            found.append(SealedAmendment(b"{}\n", envelope, amendment))
        return Standing(tuple(found))

    return made


VOID = {"kind": "void", "reason": "the wrong unit was on the bench"}
SUPERSEDE = {
    "kind": "supersede",
    "reason": "tested again with the board link seated",
    "successor": Successor(run="20261126T081500Z-abcdef", record="ef" * 32),
}
CORRECT = {
    "kind": "correct",
    "reason": "the label was misread",
    "fields": (
        FieldChange(field="serial", old="QS-2004174", new="QS-2004177"),
        FieldChange(field="radio-module.lot", old="2231", new="2232"),
        FieldChange(field="complaint", old="Port 2 drops out when the printer starts; runs hot.", new=None),
    ),
}


@pytest.fixture
def page(sample: Any, standing: Callable[..., Standing]) -> Callable[..., str]:
    def made(*amendments: dict[str, Any]) -> str:
        record, disclosed = sample.everything()
        return render_front(
            record,
            disclosed,
            b"{}",
            fingerprint=sample.fingerprint,
            digest=sample.digest,
            standing=standing(*amendments),
        ).decode()

    return made


@pytest.mark.parametrize(
    ("amendments", "first"),
    [
        ((VOID,), "Voided: the wrong unit was on the bench."),
        ((SUPERSEDE,), "Superseded by run 20261126T081500Z-abcdef: tested again with the board link seated."),
        ((SUPERSEDE, VOID), "Voided: the wrong unit was on the bench."),
        ((CORRECT,), "Back to rework: port 2 lost SuperSpeed, and the thermal result is not settled."),
    ],
)
def test_the_first_sentence_says_how_the_record_stands(
    amendments: tuple[dict[str, Any], ...], first: str, page: Callable[..., str]
) -> None:
    html = page(*amendments)
    assert words_of(html).startswith(first)
    assert unescape(re.findall(r"<title>(.*?)</title>", html)[0]).startswith(first)


def test_what_it_found_then_is_struck_out(page: Callable[..., str]) -> None:
    assert re.search(r"It no longer counts\. What it found then: <s><bdi>Back to rework", page(VOID))
    assert "It no longer counts" not in page(CORRECT)


def test_each_amendment_is_listed_with_what_who_when_and_why(page: Callable[..., str]) -> None:
    said = words_of(page(CORRECT, SUPERSEDE))
    assert (
        "Amended after sealing Corrected: serial QS-2004174 to QS-2004177; radio-module.lot 2231 to 2232;" in said
    )
    assert "The label was misread. Q01, 2 Dec 2026, 09:30:00 UTC." in said
    assert "Superseded by run 20261126T081500Z-abcdef. Tested again" in said


def test_corrected_values_stand_everywhere_and_the_old_ones_only_beside_them(page: Callable[..., str]) -> None:
    html = page(CORRECT)
    said = words_of(html)
    assert "SerialQS-2004177 corrected, was QS-2004174" in said
    assert "lot 2232" in said
    assert "Complaint:" not in said
    assert 'content: "QS-2004177' in html.replace("\\00002d ", "-")
    assert "CORRECTED" in html


def test_a_foot_of_every_printed_page_says_it_too(page: Callable[..., str]) -> None:
    assert "VOIDED" in page(VOID)


def test_hostile_texts_of_an_amendment_are_only_text(page: Callable[..., str]) -> None:
    html = page({"kind": "void", "reason": "</h1><script>x</script>\u202e"})
    assert "<script" not in html
    assert "⟨U+202E⟩" in html


def test_without_amendments_nothing_is_said_of_them(page: Callable[..., str]) -> None:
    assert "Amended after sealing" not in page()
    assert 'id="sealed-amendments"' not in page()
    assert 'id="sealed-amendments"' in page(VOID)


def test_who_amended_is_withheld_where_the_copy_withholds_names(
    sample: Any, standing: Callable[..., Standing]
) -> None:
    record, _ = sample.everything()
    html = render_front(
        record, {}, b"{}", fingerprint=sample.fingerprint, digest=sample.digest, standing=standing(VOID)
    ).decode()
    assert "Q01" not in html
    assert "name withheld" in html
