"""Every single-bit change to a small sealed record and its report, and other changes of every byte.

A sample by default; all of them with VERIFIER_LONG=1, which prints how many were tried (-s shows it).
"""

import os
import random

import pytest

from verifier.seal.keys import SigningKey
from verifier.seal.page import check_page, seal_page
from verifier.seal.trust import TrustList
from verifier.seal.verify import Status, check_sealed

EVERYTHING = bool(os.environ.get("VERIFIER_LONG"))
SAMPLE = 2500


@pytest.fixture(scope="module")
def victim(bench):
    run = bench.runs[1]
    return run.sealed.raw, run.page, bench.trust


def bit_flips(data):
    for place in range(len(data)):
        for bit in range(8):
            changed = bytearray(data)
            changed[place] ^= 1 << bit
            yield bytes(changed)


def byte_changes(data):
    """Each byte removed, doubled, followed by another, or exchanged with the next."""
    for place in range(len(data)):
        before, byte, after = data[:place], data[place : place + 1], data[place + 1 :]
        yield before + after
        yield before + byte + byte + after
        yield before + byte + b"A" + after
        yield before + b"\n" + byte + after
        yield before + after[:1] + byte + after[1:]
        yield before + byte.swapcase() + after


def chosen(changes, original):
    candidates = [c for c in changes if c != original]
    if EVERYTHING or len(candidates) <= SAMPLE:
        return candidates
    return random.Random(20261125).sample(candidates, SAMPLE)


@pytest.mark.parametrize("changes", [bit_flips, byte_changes])
def test_no_change_to_a_sealed_record_passes(victim, changes):
    raw, _, trust = victim
    tried = chosen(changes(raw), raw)
    passed = [c for c in tried if check_sealed(c, trust).status is Status.UNALTERED]
    print(f"{changes.__name__}: {len(tried)} changes to a record of {len(raw)} bytes tried, {len(passed)} passed")
    assert not passed


@pytest.mark.parametrize("changes", [bit_flips, byte_changes])
def test_no_change_to_a_report_passes(victim, changes):
    _, page, trust = victim
    tried = chosen(changes(page), page)
    passed = [c for c in tried if check_page(c, trust).page.status is Status.UNALTERED]
    print(f"{changes.__name__}: {len(tried)} changes to a page of {len(page)} bytes tried, {len(passed)} passed")
    assert not passed


def test_the_unchanged_ones_pass(victim):
    raw, page, trust = victim
    assert check_sealed(raw, trust).status is Status.UNALTERED
    assert check_page(page, trust).page.status is Status.UNALTERED


def test_this_test_would_notice_a_page_whose_front_is_not_covered(bench, sample, monkeypatch):
    """The same search on a page sealed over an empty front finds what passes: the search itself works."""
    from verifier.seal import page as pages

    raw = bench.runs[1].sealed.raw
    key: SigningKey = bench.key
    monkeypatch.setattr(pages, "sha256", lambda data: __import__("hashlib").sha256(data[-100:]))
    page = seal_page(sample.front(raw), raw, key, "x")
    tried = random.Random(1).sample(list(bit_flips(page[:400])), 200)
    trust = TrustList.of([key])
    assert any(check_page(t + page[400:], trust).page.status is Status.UNALTERED for t in tried)
