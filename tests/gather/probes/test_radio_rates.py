"""Channel and rate arithmetic against published tables. Linux figures: net/wireless/util.c as of 2021."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.gather.probes.radio_rates import channel, frequency, highest_rate, rate


@pytest.mark.parametrize(
    ("number", "band", "megahertz"),
    [
        (1, "2.4", 2412), (6, "2.4", 2437), (11, "2.4", 2462), (13, "2.4", 2472), (14, "2.4", 2484),
        (36, "5", 5180), (100, "5", 5500), (149, "5", 5745), (165, "5", 5825), (182, "5", 4910), (196, "5", 4980),
        (1, "6", 5955), (5, "6", 5975), (37, "6", 6135), (233, "6", 7115), (2, "6", 5935),
    ],
)  # fmt: skip
def test_channels_of_linux_ieee80211_channel_to_freq_khz(number, band, megahertz):  # type: ignore[no-untyped-def]
    """It cites IEEE 802.11, 17.3.8.3.2 and Annex J, and 802.11ax D6.1, 27.3.23.2."""
    assert frequency(number, band) == megahertz
    assert channel(megahertz) == number


@given(st.integers(1, 233), st.sampled_from(["2.4", "5", "6"]))
def test_channel_and_frequency_undo_each_other(number, band):  # type: ignore[no-untyped-def]
    try:
        megahertz = frequency(number, band)
    except ValueError:
        return
    # Channels of 5 GHz beyond 181, or where no radio works, share no centre with another band's.
    if megahertz < 5925 or band == "6":
        assert channel(megahertz) in (number, None)


@pytest.mark.parametrize("megahertz", [0, 2400, 2413, 2477, 5001, 5183, 5950, 5957, 7120, 60_480])
def test_what_is_no_centre_of_a_channel(megahertz: int) -> None:
    assert channel(megahertz) is None


@pytest.mark.parametrize(("number", "band"), [(0, "2.4"), (15, "2.4"), (0, "5"), (197, "5"), (234, "6")])
def test_channels_that_do_not_exist(number, band):  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match="has no channel"):
        frequency(number, band)


VHT = {
    # cfg80211_calculate_bitrate_vht, base[0] to base[3], in Mbit/s (MCS 9 at 20 MHz is marked there as not in the
    # standard, and rounded from measurements: left out).
    20: (6.5, 13, 19.5, 26, 39, 52, 58.5, 65, 78),
    40: (13.5, 27, 40.5, 54, 81, 108, 121.5, 135, 162, 180),
    80: (29.3, 58.5, 87.8, 117, 175.5, 234, 263.3, 292.5, 351, 390),
    160: (58.5, 117, 175.5, 234, 351, 468, 526.5, 585, 702, 780),
}


@pytest.mark.parametrize("width", VHT)
def test_vht_rates_of_linux(width: int) -> None:
    for mcs, megabits in enumerate(VHT[width]):
        assert rate("VHT", mcs, 1, width, 0.8) == pytest.approx(megabits, abs=0.051)
        # bitrate *= nss; with a short guard interval (bitrate / 9) * 10.
        assert rate("VHT", mcs, 3, width, 0.4) == pytest.approx(3 * megabits / 9 * 10, abs=0.18)


def test_ht_rates_of_linux_and_80211n() -> None:
    """cfg80211_calculate_bitrate_ht: 6.5 or 13.5 Mbit/s times 1 2 3 4 6 8 9 10; from memory: HT20 MCS 7 72.2."""
    for mcs, times in enumerate((1, 2, 3, 4, 6, 8, 9, 10)):
        for streams in (1, 2, 4):
            at = 8 * (streams - 1) + mcs
            assert rate("HT", at, streams, 20, 0.8) == pytest.approx(6.5 * times * streams)
            assert rate("HT", at, streams, 40, 0.4) == pytest.approx(13.5 * times * streams * 10 / 9)
    assert rate("HT", 7, 1, 20, 0.4) == pytest.approx(72.2, abs=0.03)


HE_8_STREAMS_MCS_11 = {
    # cfg80211_calculate_bitrate_he: rates_242, _484, _969 and _160M by guard 0.8, 1.6, 3.2 µs, there in 10 bit/s:
    # MCS 11 has the divisor 1, and the table is of 8 streams.
    20: (1147.11111, 1083.33333, 975.0),
    40: (2294.11111, 2166.66666, 1950.0),
    80: (4803.88888, 4537.0, 4083.33333),
    160: (9607.77777, 9074.0, 8166.66666),
}


@pytest.mark.parametrize("width", HE_8_STREAMS_MCS_11)
def test_he_rates_of_linux(width: int) -> None:
    for guard, megabits in zip((0.8, 1.6, 3.2), HE_8_STREAMS_MCS_11[width], strict=True):
        assert rate("HE", 11, 8, width, guard) == pytest.approx(megabits, rel=2e-4)


@pytest.mark.parametrize(
    ("mcs", "streams", "width", "megabits"),
    [(11, 1, 20, 143.4), (11, 1, 80, 600.5), (11, 2, 80, 1201.0), (11, 2, 160, 2401.9), (0, 1, 20, 8.6)],
)
def test_he_rates_from_the_formula_of_80211ax_27_5(mcs, streams, width, megabits):  # type: ignore[no-untyped-def]
    assert rate("HE", mcs, streams, width, 0.8) == pytest.approx(megabits, abs=0.1), "published ones are cut off"


def test_eht_rates() -> None:
    """From memory: 2882.4 Mbit/s is the highest of one stream at 320 MHz (IEEE 802.11be, MCS 13, 0.8 µs)."""
    assert highest_rate("EHT", 1, 320) == pytest.approx(2882.4, abs=0.06)


def test_the_highest_of_a_mode() -> None:
    assert highest_rate("HT", 2, 40) == pytest.approx(300)
    assert highest_rate("VHT", 2, 80) == pytest.approx(866.7, abs=0.05)
    assert highest_rate("VHT", 1, 20) == pytest.approx(86.7, abs=0.05), "MCS 8: 9 is in no standard there"


@pytest.mark.parametrize(
    "wrong",
    [("VHT", 10, 1, 80), ("HT", 8, 1, 20), ("HT", 32, 5, 20), ("HE", 0, 0, 20), ("HT", 0, 1, 80), ("x", 0, 1, 20)],
)
def test_rates_that_do_not_exist(wrong):  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match="has no rate"):
        rate(*wrong, 0.8)
