"""Pseudo-random sequences against published ones, and what is found in damaged copies of them."""

import hashlib
import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.gather.probes.prbs import Comparator, Generator, characters, excluded, sequence

VECTORS = json.loads((Path(__file__).parents[2] / "reference/serial/prbs.json").read_text())


def bits_of(order: int) -> str:
    period = (1 << order) - 1
    return f"{sequence(order, period):0{period}b}"[::-1]


@pytest.mark.parametrize("order", [9, 15])
def test_sequences_are_those_of_the_recommendation(order: int) -> None:
    """ITU-T O.150; tests/reference/serial."""
    vector, bits = VECTORS[f"prbs{order}"], bits_of(order)
    assert bits.startswith(vector["first_64"]) and bits.count("1") == vector["ones"] == 2 ** (order - 1)
    assert hashlib.sha256(bits.encode()).hexdigest() == vector["sha256_of_bit_string"]
    assert "1" * order in bits and "1" * (order + 1) not in bits


def test_the_long_sequence_by_its_definition() -> None:
    """x^23 + x^18 + 1: each bit is the sum of those 23 and 18 before it (ITU-T O.150, 5.6); 2^22 ones a period."""
    bits = sequence(23, (1 << 23) - 1)
    size = (1 << 23) - 1
    mask = (1 << (size - 23)) - 1
    assert (bits >> 23) == ((bits ^ (bits >> 5)) & mask)
    assert bits.bit_count() == 1 << 22


@pytest.mark.parametrize(("order", "inverted"), [(9, False), (15, True), (23, True)])
def test_characters_carry_the_first_bit_lowest(order: int, inverted: bool) -> None:
    """O.150 inverts PRBS-15 and -23 (from memory). A serial line sends the lowest bit of a character first."""
    first = characters(order)[0]
    # A register of ones: eight or more ones come first.
    assert first == (0x00 if inverted else 0xFF)
    assert len(characters(order)) == (1 << order) - 1


def compared(order: int, data: bytes, chunk: int = 333) -> Comparator:
    comparator = Comparator(order)
    for at in range(0, len(data), chunk):
        comparator.take(data[at : at + chunk])
    comparator.finish()
    return comparator


@pytest.mark.parametrize("order", [9, 15, 23])
def test_single_wrong_bits_are_counted_one_by_one(order: int) -> None:
    data = bytearray(Generator(order).at(0, 100_000))
    for at in range(500, 99_000, 997):
        data[at] ^= 1 << (at % 8)
    found = compared(order, bytes(data))
    assert found.tally.errors == len(range(500, 99_000, 997))
    assert (found.tally.bits, found.tally.slips, found.position) == (800_000, 0, 100_000)


@given(
    st.sampled_from([15, 23]),
    st.integers(300, 3000),
    st.integers(1, 1500),
    st.integers(1, 700),
)
def test_a_gap_is_one_slip_of_its_length(order: int, at: int, gap: int, chunk: int) -> None:
    data = Generator(order).at(0, 8000)
    found = compared(order, data[:at] + data[at + gap :], chunk)
    assert (found.tally.slips, found.tally.lost, found.tally.added) == (1, gap, 0)
    # Characters around the break may fit by chance and stand for errors; never many.
    assert found.tally.errors <= 16 and found.in_step and found.position == 8000


@given(st.integers(300, 3000), st.binary(min_size=1, max_size=300), st.integers(1, 700))
def test_characters_too_many_are_one_slip(at: int, extra: bytes, chunk: int) -> None:
    data = Generator(15).at(0, 8000)
    found = compared(15, data[:at] + extra + data[at:], chunk)
    # Those that happen to fit at either end cannot be told from the real ones.
    assert found.in_step and found.position == 8000
    assert found.tally.slips <= 1 and found.tally.added - found.tally.lost in (0, len(extra))
    assert found.tally.slips == 1 or found.tally.errors > 0 or found.tally.added == 0


def test_garbled_characters_in_place_are_wrong_bits_and_no_slip() -> None:
    data = bytearray(Generator(15).at(0, 5000))
    data[1000:1100] = bytes(0xFF ^ c for c in data[1000:1100])
    found = compared(15, bytes(data))
    assert (found.tally.errors, found.tally.slips, found.tally.resyncs) == (800, 0, 1)
    assert found.tally.bits == 40_000


def test_what_never_fits_is_never_in_step() -> None:
    found = compared(15, b"A" * 5000)
    assert not found.in_step and found.tally.bits <= 16 * 8


@given(st.binary(max_size=3000), st.integers(1, 500))
def test_any_rubbish_ends(rubbish: bytes, chunk: int) -> None:
    found = compared(9, rubbish, chunk)
    assert 0 <= found.tally.errors <= found.tally.bits <= 8 * (len(rubbish) + 1)


def test_the_rate_that_no_error_excludes() -> None:
    """The "3/BER rule": 2.996/n at 95 % confidence, exactly −ln 0.05 / n (Poisson, no event)."""
    assert excluded(1, 0) == pytest.approx(2.996, abs=5e-4)
    assert excluded(10**9, 0) == pytest.approx(-math.log(0.05) / 1e9)


@pytest.mark.parametrize(("errors", "bound"), [(1, 4.744), (2, 6.296), (5, 10.513), (10, 16.962)])
def test_the_rate_that_some_errors_exclude(errors: int, bound: float) -> None:
    """Upper 95 % limits of a Poisson mean: Garwood, Biometrika 28 (1936), table; one-sided (from memory)."""
    assert excluded(1, errors) == pytest.approx(bound, abs=5e-4)
