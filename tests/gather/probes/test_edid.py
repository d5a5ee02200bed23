"""EDID of real displays, held against Debian's edid-decode."""

import json
import re
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.gather.probes.edid import BLOCK, HEADER, decode

FOLDER = Path(__file__).parents[2] / "reference/edid"
EXPECTED = json.loads((FOLDER / "expected.json").read_text())
DISPLAYS = sorted(EXPECTED)


def raw(display: str) -> bytes:
    return (FOLDER / f"{display}.bin").read_bytes()


@pytest.mark.parametrize("display", DISPLAYS)
def test_a_real_display_says_what_edid_decode_says(display: str) -> None:
    """tests/reference/edid/expected.json, summarised from `edid-decode --check` of Debian 12."""
    expected, edid = EXPECTED[display], decode(raw(display))
    timing = expected["dtd1"]
    assert (edid.maker, edid.product, edid.serial) == (
        expected["vendor"],
        expected["product"],
        expected["serial32"],
    )
    assert (edid.name or None, edid.year, edid.version) == (
        expected.get("name"),
        expected["year"],
        expected["version"],
    )
    assert edid.extensions == expected["ext_count"] and edid.preferred is not None
    assert (edid.preferred.width, edid.preferred.height) == (timing["h_active"], timing["v_active"])
    assert edid.preferred.refresh == pytest.approx(timing["refresh_hz"], abs=0.0006)
    assert edid.preferred.interlaced == timing["interlaced"]


@pytest.mark.parametrize("display", DISPLAYS)
def test_every_real_display_is_valid_though_most_break_finer_rules(display: str) -> None:
    """edid-decode --check refuses nearly all of them (exit code 254): that is no judgement of a port."""
    assert decode(raw(display)).fault == ""


@pytest.mark.parametrize("display", DISPLAYS)
def test_edid_decode_itself_agrees(display: str) -> None:
    """The program as Debian ships it, now: maker, product code and first detailed timing."""
    told = subprocess.run(
        ["edid-decode", str(FOLDER / f"{display}.bin")],
        capture_output=True,
        text=True,
        errors="replace",
        timeout=30,
    ).stdout
    edid = decode(raw(display))
    assert edid.preferred is not None
    assert re.search(r"Manufacturer: (\S+)", told)[1] == edid.maker  # type: ignore[index]
    assert int(re.search(r"Model: (\d+)", told)[1]) == edid.product  # type: ignore[index]
    width, height, refresh = re.search(r"DTD 1: +(\d+)x(\d+) +([\d.]+) Hz", told).groups()  # type: ignore[union-attr]
    assert (edid.preferred.width, edid.preferred.height) == (int(width), int(height))
    assert edid.preferred.refresh == pytest.approx(float(refresh), abs=1e-6)


def test_an_edid_that_was_re_encoded_as_text_is_not_valid() -> None:
    """A real recording: bytes beyond ASCII became EF BF BD, 344 bytes in all."""
    data = (FOLDER.parent / "hardware/composite/sys/class/drm/card1/card1-DP-5/edid").read_bytes()
    assert len(data) == 344
    assert decode(data).fault == "the EDID does not begin with its fixed header"


@given(st.sampled_from(DISPLAYS), st.data())
def test_any_flipped_bit_is_noticed(display: str, data: st.DataObject) -> None:
    """One changed bit changes the sum over its block (E-EDID, 3.11) or the header (3.3)."""
    whole = bytearray(raw(display))
    bit = data.draw(st.integers(0, 8 * len(whole) - 1))
    whole[bit // 8] ^= 1 << bit % 8
    assert not decode(bytes(whole)).valid


@given(st.sampled_from(DISPLAYS), st.data())
def test_any_shorter_edid_is_noticed(display: str, data: st.DataObject) -> None:
    whole = raw(display)
    assert not decode(whole[: data.draw(st.integers(0, len(whole) - 1))]).valid


def test_the_announced_number_of_extensions_counts() -> None:
    two_blocks = bytearray(raw("display-03"))
    two_blocks[126] += 1
    two_blocks[127] = -sum(two_blocks[:127]) % 256
    assert "announces 2 extensions and has 1" in decode(bytes(two_blocks)).fault


def test_an_hdmi_display_may_announce_more_extensions_in_the_first_one() -> None:
    """Linux drivers/gpu/drm/drm_edid.c, edid_hfeeodb_extension_block_count; bytes from memory, composed."""
    base = raw("display-03")[:BLOCK]
    override = bytes([0x02, 3, 7, 0, 0xE2, 0x78, 2]) + bytes(BLOCK - 8)
    override += bytes([-sum(override) % 256])
    last = bytes(BLOCK)
    assert base[126] == 1
    assert decode(base + override + last).fault == ""
    assert "has 3" in decode(base + override + last + last).fault


def test_a_base_block_without_timing_or_name_leaves_them_out() -> None:
    edid = decode(HEADER + bytes(BLOCK - 9) + bytes([-sum(HEADER) % 256]))
    assert edid.valid and edid.preferred is None and (edid.name, edid.maker, edid.serial) == ("", "", None)


@given(st.binary(max_size=3 * BLOCK) | st.binary(max_size=2 * BLOCK).map(lambda rest: HEADER + rest))
def test_whatever_comes_is_read_without_complaint(data: bytes) -> None:
    edid = decode(data)
    assert edid.name.isprintable() and len(edid.name) <= 13 and len(edid.maker) in (0, 3)
    assert edid.preferred is None or 0 < edid.preferred.refresh < 1e9
