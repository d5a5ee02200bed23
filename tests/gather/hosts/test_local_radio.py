"""This computer's radios: composed messages through pyroute2's real decoder, and this kernel's own answers."""

from __future__ import annotations

import errno
import struct
import subprocess
import sys
from pathlib import Path

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import Absent, BenchFault, NotPossible, VerifierError
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import generic_netlink, local_radio
from verifier.gather.hosts.local_radio import LocalRadio
from verifier.gather.hosts.radio_messages import Nl80211Message, attributes, network_name, network_of, station_of

sys.path.insert(0, str(Path(__file__).parent))
import radio_kernel as k

pytestmark = pytest.mark.anyio


@pytest.fixture(params=["asyncio", "trio"])
def anyio_backend(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def radio(kernel: k.RadioKernel) -> LocalRadio:
    return LocalRadio(RealClocks(), kernel.line)


def read(*parts: bytes) -> dict[str, object]:
    message = Nl80211Message(k.message(k.NEW_STATION, *parts))
    message.decode()
    return dict(attributes(message))


async def test_an_interface_with_its_network_channel_and_antennas() -> None:
    (found,) = await radio(k.RadioKernel()).interfaces()
    assert (found.name, found.kind, found.network) == ("wlan0", "station", b"bench-reference")
    assert (found.frequency, found.antennas) == (5180, 2)


async def test_levels_of_chains_keep_the_number_of_their_chain() -> None:
    """nl80211_put_signal in net/wireless/nl80211.c numbers chains from 0 and leaves out those without a level."""
    kernel = k.RadioKernel(stations=[[k.station(level=-45, chains={0: -44, 2: -67})]])
    (found,) = await radio(kernel).stations("wlan0")
    assert found.chains == {0: -44, 2: -67}
    assert (found.level, found.level_average, found.address) == (-45, -46, k.AP)
    assert (found.retries, found.failed, found.connected, found.silent) == (10, 1, 60, 20)
    assert found.authorised is True


@pytest.mark.parametrize(
    ("told", "mode", "mcs", "streams", "width", "guard"),
    [
        ({"mcs": 15, "w40": 0, "short": 0}, "HT", 15, 2, 40, 0.4),
        ({"vht_mcs": 9, "vht_nss": 2, "w80": 0}, "VHT", 9, 2, 80, 0.8),
        ({"he_mcs": 11, "he_nss": 2, "he_gi": 2, "w160": 0}, "HE", 11, 2, 160, 3.2),
        ({"he_mcs": 0, "he_nss": 1, "he_gi": 0, "he_ru": 3}, "HE", 0, 1, None, 0.8),
        ({}, "legacy", None, None, 20, None),
    ],
)
def test_a_rate_with_its_modulation(told, mode, mcs, streams, width, guard) -> None:  # type: ignore[no-untyped-def]
    """enum nl80211_rate_info."""
    found = station_of(read(k.station(sent=k.rate(tenths=540, **told))))
    assert found is not None and found.sent is not None and found.received is None
    assert (found.sent.megabits, found.sent.mode, found.sent.mcs) == (54.0, mode, mcs)
    assert (found.sent.streams, found.sent.width, found.sent.guard) == (streams, width, guard)


def test_a_rate_beyond_the_short_form() -> None:
    """NL80211_RATE_INFO_BITRATE is 16 bits: 24019 would fit, 100 kbit/s units of 7 Gbit/s do not."""
    found = station_of(read(k.station(sent=k.rate(tenths=72_059))))
    assert found is not None and found.sent is not None and found.sent.megabits == 7205.9


def test_pyroute2s_own_table_reads_the_composed_message_alike() -> None:
    """The numbers of the composed messages and of our table against an independent copy of nl80211.h."""
    from pyroute2.netlink.nl80211 import nl80211cmd

    sent = k.rate(tenths=8667, vht_mcs=9, vht_nss=2, w80=0, short=0)
    raw = k.message(k.NEW_STATION, k.Interface().told(), k.station(level=-45, chains={0: -44, 1: -52}, sent=sent))
    theirs = nl80211cmd(raw)
    theirs.decode()
    told = theirs.get_attr("NL80211_ATTR_STA_INFO")
    assert theirs.get_attr("NL80211_ATTR_IFNAME") == "wlan0"
    assert theirs.get_attr("NL80211_ATTR_WIPHY_FREQ") == 5180
    assert theirs.get_attr("NL80211_ATTR_SSID") == "bench-reference"
    ours = station_of(read(k.Interface().told(), k.station(level=-45, chains={0: -44, 1: -52}, sent=sent)))
    assert ours is not None and ours.sent is not None
    for name, value in (("SIGNAL", ours.level), ("TX_RETRIES", ours.retries), ("CONNECTED_TIME", ours.connected)):
        assert told.get_attr(f"NL80211_STA_INFO_{name}") == value
    rate = told.get_attr("NL80211_STA_INFO_TX_BITRATE")
    assert rate.get_attr("NL80211_RATE_INFO_VHT_NSS") == ours.sent.streams == 2
    assert rate.get_attr("NL80211_RATE_INFO_80_MHZ_WIDTH") is True


async def test_a_scan_waits_for_its_end_and_tells_all_that_was_heard() -> None:
    kernel = k.RadioKernel(networks=[k.heard(k.AP, b"bench-reference"), k.heard("02:00:5e:10:00:02", b"")])
    first, second = await radio(kernel).scan("wlan0")
    assert (first.address, first.network, first.level, first.frequency) == (k.AP, b"bench-reference", -50.12, 5180)
    assert second.network == b""
    assert kernel.asked[-2:] == [k.TRIGGER_SCAN, k.GET_SCAN]
    # NL80211_ATTR_SCAN_SSIDS with one empty name asks for any network; the split dump is a flag without a payload.
    assert kernel.requests[k.TRIGGER_SCAN] == k.u32(3, 3) + k.tlv(45, k.tlv(1))
    assert (kernel.requests[k.GET_SCAN], kernel.requests[k.GET_WIPHY]) == (k.u32(3, 3), k.tlv(174))
    assert kernel.lines[-1].joined == [k.SCAN] and kernel.lines[-1].closed


@pytest.mark.parametrize(
    ("number", "error", "words"),
    [
        (errno.EPERM, NotPossible, "needs CAP_NET_ADMIN"),
        (errno.ENETDOWN, NotPossible, "switched off"),
        (132, NotPossible, "rfkill"),
        (errno.EOPNOTSUPP, NotPossible, "cannot do this"),
        (errno.ENODEV, Absent, "gone"),
        (errno.EIO, BenchFault, "refused"),
    ],
)
async def test_a_refused_scan_says_why(number: int, error: type[VerifierError], words: str) -> None:
    kernel = k.RadioKernel(refuses={k.TRIGGER_SCAN: number})
    with pytest.raises(error, match=words):
        await radio(kernel).scan("wlan0")
    assert kernel.lines[-1].closed


async def test_a_scan_of_another_program_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(local_radio, "_AGAIN", 0.01)
    kernel = k.RadioKernel(refuses={k.TRIGGER_SCAN: errno.EBUSY})

    async def let_go() -> None:
        await anyio.sleep(0.05)
        kernel.refuses.clear()

    async with anyio.create_task_group() as group:
        group.start_soon(let_go)
        assert await radio(kernel).scan("wlan0") == []
    assert kernel.asked.count(k.TRIGGER_SCAN) > 2


async def test_events_of_this_interface_in_their_order() -> None:
    kernel = k.RadioKernel()
    async with radio(kernel).watch("wlan0") as watch:
        assert kernel.lines[-1].joined == [k.MLME]
        kernel.event(k.DISCONNECT, k.tlv(71), k.u16(54, 7))
        kernel.event(k.DISCONNECT, index=9)  # another interface's
        kernel.event(k.CONNECT, k.u16(72, 17))  # an attempt that was refused (status code 17)
        kernel.event(k.CONNECT, k.u16(72, 0))
        kernel.event(k.ROAM)
        told = [await watch.next(1.0) for _ in range(3)]
        assert [(e.kind, e.by_far_end) for e in told if e] == [
            ("lost", True),
            ("connected", False),
            ("moved", False),
        ]
        assert await watch.next(0.01) is None


async def test_a_kernel_that_does_not_tell_its_interfaces() -> None:
    with pytest.raises(NotPossible, match="does not tell its wireless interfaces"):
        await radio(k.RadioKernel(refuses={k.GET_WIPHY: errno.EPERM})).interfaces()


async def test_a_kernel_without_wireless_networking() -> None:
    kernel = k.RadioKernel(has_family=False)
    assert await radio(kernel).interfaces() == []
    with pytest.raises(Absent, match="no wireless interface: this kernel has no nl80211"):
        await radio(kernel).stations("wlan0")


async def test_this_machines_own_kernel_is_asked_and_answers() -> None:
    """Real: whatever this machine has. Where it has no radio, that is said in words."""
    real = LocalRadio(RealClocks())
    names = {interface.name for interface in await real.interfaces()}
    if "wlan77" not in names:
        with pytest.raises(Absent):
            await real.stations("wlan77")
    with pytest.raises((Absent, NotPossible)):
        await real.advertisements("hci77", 1.0)


async def test_a_kernel_that_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(generic_netlink, "ANSWER_SECONDS", 0.05)
    with pytest.raises(BenchFault, match="did not answer"):
        await radio(k.RadioKernel(silent=True)).interfaces()


async def test_words_of_other_processes_are_not_the_kernels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Any root process may send to a netlink socket; the kernel's port is 0 (netlink(7))."""
    monkeypatch.setattr(generic_netlink, "ANSWER_SECONDS", 0.05)
    kernel = k.RadioKernel()

    def line() -> k.Line:
        made = kernel.line()
        made.sender = (4711, 0)
        return made

    with pytest.raises(BenchFault, match="did not answer"):
        await LocalRadio(RealClocks(), line).interfaces()


async def test_dropped_events_are_a_bench_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = k.RadioKernel()
    async with radio(kernel).watch("wlan0") as watch:

        def full(octets: int) -> None:
            raise OSError(errno.ENOBUFS, "")

        monkeypatch.setattr(kernel.lines[-1], "recvmsg", full)
        with pytest.raises(BenchFault, match="dropped"):
            await watch.next(1.0)


def test_only_what_asks_a_radio_loads_netlink() -> None:
    """A sixth of a second that no other check's worker has to wait for."""
    code = (
        "import sys, verifier.gather.workers.worker, verifier.gather.hosts.local_radio\n"
        "from verifier.gather.catalogue import load_catalogue\nload_catalogue()\n"
        "from verifier.gather.clocks import RealClocks\nfrom verifier.gather.hosts import open_host\n"
        "open_host('local', RealClocks()).radio\nprint('pyroute2' in sys.modules)"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout == "False\n"


# ---- hostile ------------------------------------------------------------------------------------------


@given(st.binary(max_size=400))
def test_elements_from_the_air_never_break(elements: bytes) -> None:
    assert len(network_name(elements)) <= 32


@given(
    st.binary(max_size=32).filter(any),
    st.lists(st.tuples(st.integers(1, 255), st.binary(max_size=40)), max_size=5),
)
def test_the_name_is_found_whole_among_others(name: bytes, others: list[tuple[int, bytes]]) -> None:
    """IEEE 802.11, 9.4.2.1: identifier, length, octets."""
    before = b"".join(bytes([kind, len(data)]) + data for kind, data in others)
    assert network_name(before + bytes([0, len(name)]) + name) == name
    assert network_name(before + bytes([0, len(name)]) + name[:-1]) == b"", "cut short"


@given(st.binary(max_size=32), st.binary(max_size=120))
def test_what_strangers_send_leaves_the_rest_of_a_scan_readable(name: bytes, rest: bytes) -> None:
    """pyroute2's own table takes such elements apart and breaks on some."""
    found = network_of(read(k.heard(k.AP, name, rest=bytes([48, len(rest)]) + rest)))
    assert found is not None and found.address == k.AP and found.level == -50.12
    assert found.network == (name if any(name) else b"")


ATTRIBUTES = st.recursive(
    st.tuples(st.integers(0, 200), st.binary(max_size=12)).map(lambda a: k.tlv(*a)),
    lambda inner: st.tuples(st.integers(0, 200), st.lists(inner, max_size=6)).map(lambda a: k.nest(a[0], *a[1])),
    max_leaves=20,
)


@given(st.lists(ATTRIBUTES, max_size=8), st.sampled_from([k.u32(1, 0), k.tlv(6, k.mac(k.AP)), b""]))
def test_any_tree_of_attributes_is_read_or_refused(parts: list[bytes], first: bytes) -> None:
    found = read(first, *parts)
    for made in (station_of(found), network_of(found)):
        assert made is None or len(made.address) == 17


@given(st.binary(max_size=200))
def test_any_datagram_is_read_or_refused(data: bytes) -> None:
    try:
        for _, octets in generic_netlink.messages_in(data):
            generic_netlink.decoded(Nl80211Message, octets)
    except BenchFault:
        pass


@given(st.integers(0, 2**32 - 1))
def test_a_length_that_is_none_ends_it(length: int) -> None:
    data = struct.pack("=IHHII", length, k.FAMILY, 0, 0, 0) + bytes(8)
    try:
        assert [len(octets) for _, octets in generic_netlink.messages_in(data)][:1] == [length]
        assert 16 <= length <= 24
    except BenchFault:
        assert not 16 <= length <= 24
