"""The page as text: what it says, in which order, and that nothing from outside gets out of its place."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from enum import StrEnum
from html.parser import HTMLParser
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from verifier.readings import Finding, SerialNumber, Verdict
from verifier.seal.page import embed
from verifier.seal.record import Record
from verifier.show import RENDERER, render_front

VOID = {"meta", "link", "path", "wbr"}
HOSTILE = (
    '</script><script>document.title="ran"</script>\u202egnp.exe <pre hidden id="page-seal"> &amp; \x00\ud800'
)


class Reader(HTMLParser):
    """Elements in order, the text, and whether every element is closed."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text: list[str] = []
        self.open: list[str] = []
        self.events: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.events += [name for name, _ in attrs if name.startswith("on")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, (tag, self.open)
        self.open.pop()

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] not in ("style", "pre"):
            self.text.append(data)


def words_of(html: str) -> str:
    return " ".join("".join(Reader(html).text).replace("\u202f", " ").split())


def test_the_front_carries_the_record_once_and_stays_open(sample: Any) -> None:
    record, disclosed = sample.everything()
    sealed = b'{"sealed":1}\n'
    front = render_front(record, disclosed, sealed, fingerprint=sample.fingerprint, digest=sample.digest)
    assert front.startswith(b"<!DOCTYPE html>\n")
    assert front.count(b'<pre hidden id="sealed-record">') == 1
    assert embed(sealed).encode() in front
    assert b'<pre hidden id="page-seal">' not in front
    assert b"\r" not in front
    assert Reader(front.decode()).open == ["html", "body"]


def test_the_same_record_gives_the_same_bytes(sample: Any, render: Callable[..., str]) -> None:
    assert render(*sample.everything()) == render(*sample.everything())


def test_sixty_checks_stay_under_400_kb(sample: Any) -> None:
    record, disclosed = sample.many(60)
    sealed = record.model_dump_json().encode()
    front = render_front(record, disclosed, sealed, fingerprint=sample.fingerprint, digest=sample.digest)
    assert len(front) < 400_000


def test_what_needs_somebody_comes_first(sample: Any, render: Callable[..., str]) -> None:
    html = render(*sample.everything())
    order = re.findall(r'<p class="verdict word">([^<]*)</p>', html)
    ranks = ["fail", "inconclusive", "bench-error", "not-run", "pass", "noted", "not fitted", "not needed"]
    assert order == sorted(order, key=ranks.index)
    assert set(order) == {*ranks} - {"not needed"}


def test_what_was_not_needed_says_so_once(sample: Any, render: Callable[..., str]) -> None:
    record, disclosed = sample.everything()
    spared = Finding(verdict=Verdict.NOT_RUN, reason="not needed: the unit starts", not_needed=True)
    html = render(record.model_copy(update={"checks": (sample.check("key", "Key", spared),)}), disclosed)
    assert html.count("The unit starts.") == 1 and html.casefold().count("not needed") == 1


def test_many_that_were_not_run_for_one_reason_take_a_line_each_behind_the_others(
    sample: Any, render: Callable[..., str]
) -> None:
    record, disclosed = sample.everything()
    dead = Finding(verdict=Verdict.NOT_RUN, reason="the unit does not start")
    apart = [
        Finding(verdict=Verdict.NOT_RUN, reason="no such port", to_do="Plug the adapter in."),
        dataclasses.replace(dead, to_do="Look at the fuse."),
    ]
    checks = [sample.check(f"c-{n}", f"Check {n}", f) for n, f in enumerate([*[dead] * 6, *apart])]
    html = render(record.model_copy(update={"checks": tuple(checks)}), disclosed)
    (group,) = re.findall(r'id="not-run">.*?</ul>', html, re.DOTALL)
    assert re.findall(r'<li class="finding( spared)? v-not-run">', group) == ["", "", *[" spared"] * 6]
    assert group.count("The unit does not start") == 7 and "Look at the fuse." in group
    few = render(record.model_copy(update={"checks": tuple(checks[:4])}), disclosed)
    assert '<li class="finding spared' not in few, "a handful is told at length"


@pytest.mark.parametrize(
    "said",
    [
        "Back to rework: port 2 lost SuperSpeed, and the thermal result is not settled.",
        "SerialQS-2004174",
        "trial suite, not approved",
        "7 of 11 checks pass",
        # the disturbed joint is nearer than the one that was left alone, though the suite names it second
        "Look at Link between boards (disturbed by this repair), then USB port 2.",
        "44.1 ± 1.9 K",
        "repeatability not evaluated",
        "How many edge spacers can you see along the main board?",
        "From memory: proves no joint.",
        "Set aside: 1, fail, T07, 10:20:00. Corrected: miscounted, one was behind the cable.",
        "Waived lamp-guide: no light meter here until Friday; looked at by eye in the dark. Q01",
        "Waived: accepted without proof Lamp guide see below",
        "Not covered Cell lead no check proves it",
        "2 not covered, 1 waived, 1 weakly covered and 3 covered; 1 more of this model not disturbed.",
        "a loop-back plug. 25 Nov 2026, 10:33:00 UTC, went on 25 Nov 2026, 10:41:30 UTC, 8 min 30 s later.",
        "the bench was restarted in between",
        "fitted RM-220-B, serial RM00418233, lot 2231; taken out RM-220-A",
        "removed 7, issued 2, fitted 7, discarded 2, left 0",
        "Repair order says none: the order names no serial number",
        "the chance that at least one is wrong is at most 22.5 %",
        "The heat block reaches 80 °C under load.",
        "This report is no calibration certificate and no safety test.",
        "verifier audit FILE --trust KEYS",
        "600 samples, one every 0.5 s",
        "/sys/class/dmi/id/bios_version",
        "specification (meter M-3, 1 year after adjustment)",
        "42 min 52 s",
        RENDERER,
    ],
)
def test_it_says(said: str, sample: Any, render: Callable[..., str]) -> None:
    assert said in words_of(render(*sample.everything()))


def test_fingerprint_and_digest_are_shown_and_the_digest_as_a_code(
    sample: Any, render: Callable[..., str]
) -> None:
    import segno

    html = render(*sample.everything())
    assert sample.fingerprint in html
    assert sample.digest in html
    expected = segno.make(f"sha256:{sample.digest}", error="m", micro=False).svg_inline(border=2)
    path = re.search(r' d="([^"]+)"', expected)
    assert path and path[1] in html


def test_a_person_that_is_not_disclosed_is_withheld(sample: Any, render: Callable[..., str]) -> None:
    record, disclosed = sample.everything()
    assert "T07" in words_of(render(record, disclosed))
    withheld = words_of(render(record, {}))
    assert not re.search(r"(?<![\w-])T07(?![\w-])", withheld)
    assert "Q01" not in withheld
    assert "name withheld" in withheld


def test_a_simulation_says_so_on_the_page_and_in_the_foot(sample: Any, render: Callable[..., str]) -> None:
    html = render(*sample.everything(role="simulated"))
    assert "Simulated. No real unit was tested." in words_of(html)
    assert re.search(r"@bottom-left \{ content: \"[^\"]*Simulated\"", html)
    assert "Simulated" not in words_of(render(*sample.everything()))


def test_a_self_seal_is_never_called_a_bench(sample: Any, render: Callable[..., str]) -> None:
    text = words_of(render(*sample.everything(role="self")))
    assert "Sealed by the unit itself, not by a bench" in text
    assert "Sealed at bench-2" not in text


def test_no_script_no_network_and_a_policy_that_forbids_both(sample: Any, render: Callable[..., str]) -> None:
    html = render(*sample.everything())
    assert (
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">"
    ) in html
    reader = Reader(html)
    assert not {"script", "iframe", "object", "img", "form", "base"} & set(reader.tags)
    assert not reader.events
    links = re.findall(r'(?:href|src|xlink:href)="([^"]*)"', html)
    assert all(link.startswith(("#", "data:,")) for link in links)
    assert "url(" not in html
    assert "@import" not in html


def test_a_check_that_was_never_finished_is_not_run(sample: Any, render: Callable[..., str]) -> None:
    record, disclosed = sample.everything()
    first = record.checks[0]
    begun = first.model_copy(update={"attempts": (first.attempts[0].model_copy(update={"finding": None}),)})
    aside = record.checks[1].model_copy(
        update={"attempts": (record.checks[1].attempts[0].model_copy(update={"set_aside": "reopened"}),)}
    )
    never = record.checks[2].model_copy(update={"attempts": ()})
    text = words_of(render(record.model_copy(update={"checks": (begun, aside, never)}), disclosed))
    assert "Begun and not finished." in text
    assert "Every attempt was set aside." in text
    assert "Not taken in this run." in text
    assert "0 of 3 checks pass" in text


def test_a_value_that_was_broken_off_is_shown_as_the_least_that_it_is(
    sample: Any, render: Callable[..., str]
) -> None:
    record, disclosed = sample.everything()
    made = sample.held("rise", 24.7, 0.6, "K", high=45, verdict=Verdict.FAIL, at_least=True)
    check = sample.check("heat", "Heat path", Finding(verdict=Verdict.FAIL, reason="x", held=(made,)))
    assert "at least 24.7" in words_of(render(record.model_copy(update={"checks": (check,)}), disclosed))


def test_a_pass_does_not_repeat_its_reading_as_a_reason(sample: Any, render: Callable[..., str]) -> None:
    record, disclosed = sample.everything()
    made = sample.held("volts", 4.93, 0.01, "V", low=4.75, reason="4.93 V, at least 4.75 V")
    check = sample.check("vbus", "Port 4", Finding(verdict=Verdict.PASS, reason=made.reason, held=(made,)))
    assert "4.93 V, at least" not in words_of(render(record.model_copy(update={"checks": (check,)}), disclosed))
    wrong = dataclasses.replace(made, verdict=Verdict.FAIL)
    check = sample.check("vbus", "Port 4", Finding(verdict=Verdict.FAIL, reason=made.reason, held=(wrong,)))
    text = words_of(render(record.model_copy(update={"checks": (check,)}), disclosed))
    assert text.count("4.93 V, at least 4.75 V.") == 1


def test_an_empty_run_makes_a_page(sample: Any, render: Callable[..., str]) -> None:
    record, _ = sample.everything(checks=(), acts=(), interruptions=(), technician=None, ledger=None)
    html = render(
        record.model_copy(update={"unit": record.unit.model_copy(update={"serial": None, "serials": ()})}), {}
    )
    assert "No check was taken." in words_of(html)


# ---- nothing breaks out ------------------------------------------------------------------------

_OURS = {"sha256", "wall", "boot", "boot_id", "role", "state", "began", "ended", "kind", "rule", "distribution",
         "coverage", "key", "head", "verdict", "stage", "basis", "shape"}  # fmt: skip
"""Fields that are no free text: the models admit only our own words there."""


def filled(thing: Any, text: str, name: str = "") -> Any:
    """The same record with `text` in every field that can hold free text."""
    if isinstance(thing, StrEnum) or name in _OURS:
        return thing
    if isinstance(thing, str):
        return text
    if isinstance(thing, BaseModel):
        return thing.model_copy(update={n: filled(getattr(thing, n), text, n) for n in type(thing).model_fields})
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        keep = "source" if isinstance(thing, SerialNumber) else ""
        changes = {
            f.name: filled(getattr(thing, f.name), text, f.name)
            for f in dataclasses.fields(thing)
            if f.name != keep
        }
        return dataclasses.replace(thing, **changes)
    if isinstance(thing, tuple):
        return tuple(filled(item, text) for item in thing)
    if isinstance(thing, dict):
        return {text if name == "facts" else k: filled(v, text) for k, v in thing.items()}
    return thing


def filled_record(record: Record, text: str) -> Record:
    full = filled(record, text)
    assert isinstance(full, Record)
    moments = {name: getattr(record, name) for name in ("times", "decision", "journal", "ledger")}
    return full.model_copy(update=moments)


@pytest.fixture(scope="session")
def skeleton(sample: Any, render: Callable[..., str]) -> list[str]:
    record, _ = sample.everything()
    return Reader(render(filled_record(record, "x"), {})).tags


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(text=HOSTILE)
@example(text="\"'><svg onload=x>{{7*7}}{% raw %}&#x202e;</style></bdi></title>")
@given(text=st.text(min_size=1, max_size=60).filter(lambda text: text.strip()))
def test_no_text_in_any_field_changes_the_page_around_it(
    text: str, sample: Any, render: Callable[..., str], skeleton: list[str]
) -> None:
    record, _ = sample.everything()
    html = render(filled_record(record, text), {})
    reader = Reader(html)
    assert reader.tags == skeleton
    assert not reader.events
    assert html.count('<pre hidden id="sealed-record">') == 1
    assert '<pre hidden id="page-seal">' not in html
    assert not re.search("[\u202a-\u202e\u2066-\u2069\u200b-\u200f]", html)


def test_numbers_of_any_size_make_a_page(sample: Any, render: Callable[..., str]) -> None:
    record, disclosed = sample.everything()
    checks = []
    for n, (value, u) in enumerate([(1e308, 1e300), (5e-324, 5e-324), (10**400, 1.0), (-0.0, 1e200), (3, 0.0)]):
        made = sample.held("x", 1.0, 1.0, "Ohm", low=0, high=2)
        wide = dataclasses.replace(made, value=value, u=u, interval=(-u, u), margin=-u, guard_band=u)
        checks.append(sample.check(f"x-{n}", "Extreme", Finding(verdict=Verdict.PASS, held=(wide,))))
    assert "Extreme" in render(record.model_copy(update={"checks": tuple(checks)}), disclosed)
