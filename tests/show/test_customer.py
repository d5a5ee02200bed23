from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest

from verifier.readings import Disposition, Outcome
from verifier.seal import Standing
from verifier.show.customer import MOST_LISTED, groups, render_customer, unproved


def customer(sample: Any, record: Any, standing: Standing | None = None) -> str:
    return render_customer(
        record, {}, b"{}", fingerprint=sample.fingerprint, digest=sample.digest, standing=standing
    ).decode()


def words_of(html: str) -> str:
    body = re.sub(r"<(style|title)>.*?</\1>|<svg.*?</svg>", "", html, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split()).replace(" ,", ",").replace(" .", ".")


@pytest.mark.parametrize(
    ("disposition", "said"),
    [
        (Disposition.RELEASE, "Passed The unit passed every test that this repair requires."),
        (Disposition.REWORK, "Not passed At least one required test did not pass."),
        (Disposition.HOLD, "Not decided yet"),
    ],
)
def test_the_result_stands_first_in_plain_words(disposition: Disposition, said: str, sample: Any) -> None:
    record, _ = sample.everything(outcome=Outcome(disposition=disposition, reason="u below 0.46 K"))
    assert words_of(customer(sample, record)).startswith(said)


def test_what_was_done_and_what_was_tested(sample: Any) -> None:
    said = words_of(customer(sample, sample.everything()[0]))
    assert "You told us: Port 2 drops out when the printer starts; runs hot." in said
    assert "Replaced: Radio module, Main board." in said
    assert "Did not pass Port 2 gives SuperSpeed Could not be decided Settled rise at 10 W" in said
    assert "because our equipment failed Clock against the reference" in said
    assert "not proved by a test: Lamp guide, Cell lead and Link between boards." in said
    assert "no calibration certificate and no safety test" in said
    assert "verifier audit FILE --trust KEYS" in said


def test_no_name_no_inner_identifier_and_no_jargon(sample: Any) -> None:
    record, disclosed = sample.everything()
    html = customer(sample, record)
    for name in {d.value for d in disclosed.values()}:
        assert name not in html
    said = words_of(html)
    for inner in (
        "usb-2-speed",
        "thermal-rise",
        "k = ",
        "bench-error",
        "/sys/",
        "RM00418233",
        "inconclusive",
        "r4",
    ):
        assert inner not in said


def test_not_fitted_and_not_judged_are_not_the_customers_matter(sample: Any) -> None:
    titles = [title for group in groups(sample.everything()[0].checks) for title in group.titles]
    assert "Second radio module" not in titles
    assert "Temperature while idle" not in titles
    assert len(titles) == 11


def test_a_long_list_ends_with_how_many_more_and_failures_come_first(sample: Any) -> None:
    record, _ = sample.many(130)
    found = groups(record.checks)
    assert sum(len(group.titles) for group in found) == MOST_LISTED
    assert found[0].heading == "Did not pass"
    assert found[0].more == 0
    assert found[-1].heading == "Passed"
    assert sum(len(group.titles) + group.more for group in found) == 110


def test_joints_that_nothing_proved_are_named_only_where_the_repair_disturbed_them(sample: Any) -> None:
    assert unproved(sample.everything()[0]) == ("Lamp guide", "Cell lead", "Link between boards")


def test_a_simulation_says_so(sample: Any) -> None:
    record, _ = sample.everything(role="simulated")
    assert "Simulated. No real unit was tested." in words_of(customer(sample, record))
