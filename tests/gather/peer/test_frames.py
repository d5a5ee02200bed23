"""Arithmetic of frames against the published tables."""

import math

import pytest

from verifier.errors import NotPossible
from verifier.gather.peer.frames import LEAST_PAYLOAD, frame_rate, goodput_ceiling, udp_payload
from verifier.gather.peer.load import HEADER


@pytest.mark.parametrize(
    ("frame", "rates"),
    [
        (64, (14_880, 148_809, 1_488_095)),
        (128, (8_445, 84_459, 844_594)),
        (512, (2_349, 23_496, 234_962)),
        (1518, (812, 8_127, 81_274)),
    ],
)
def test_most_frames_a_second(frame: int, rates: tuple[int, ...]) -> None:
    """RFC 5180, appendix A.1 (the tables for 10, 100 and 1000 Mbit/s); RFC 2544, 9.1 for the sizes."""
    assert tuple(math.floor(frame_rate(line * 1e6, frame)) for line in (10, 100, 1000)) == rates


def test_most_payload_of_tcp() -> None:
    """1448/1538 of the line with timestamps at MTU 1500: widely published as 941.48 Mbit/s of 1000."""
    assert goodput_ceiling(1e9) / 1e6 == pytest.approx(941.482, abs=5e-4)
    assert goodput_ceiling(100e6) / 1e6 == pytest.approx(94.148, abs=5e-4)


def test_full_frames_times_their_payload_are_the_rfc_s_figure() -> None:
    """RFC 6349, 3.3.1 (from memory): 8127 frames of 1460 octets are 94.9 Mbit/s."""
    assert math.floor(frame_rate(100e6, 1518)) * 1460 * 8 / 1e6 == pytest.approx(94.9, abs=0.05)


def test_payload_of_a_frame() -> None:
    """64 less header 14, check sequence 4, IP 20 and UDP 8 leaves 18: just the number, time and token of ours."""
    assert udp_payload(64, 4) == LEAST_PAYLOAD == HEADER.size == 18
    assert udp_payload(1518, 4) == 1472 and udp_payload(1518, 6) == 1452


def test_the_shortest_frames_have_no_room_behind_longer_headers() -> None:
    with pytest.raises(NotPossible, match="at least 84 octets"):
        udp_payload(64, 6)
