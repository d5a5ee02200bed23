"""Who a far end lets in: hostile clients over loopback, each bounded."""

from __future__ import annotations

import json
import secrets
import socket
import stat
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import BenchFault, InputError, NotPossible
from verifier.gather.peer import doorman as doors
from verifier.gather.peer import load
from verifier.gather.peer import protocol as rules
from verifier.gather.peer.client import Asking, pair
from verifier.gather.peer.key_files import own_key
from verifier.gather.peer.pairings import PairedWith
from verifier.gather.peer.protocol import Line, Refused
from verifier.gather.peer.server import Peer
from verifier.gather.peer.stations import MOST, Stations

HERE = "127.0.0.1"
OURS = secrets.token_bytes(32)
"""The lasting private key of the station that asks."""


class Running:
    def __init__(self, folder: Path, pairings: int) -> None:
        self.said: list[str] = []
        self.folder, self.stations = folder, Stations(folder)
        self.peer = Peer(HERE, 0, stations=self.stations, pairings=pairings, say=self.said.append)
        self.port = self.peer.open()
        self.thread = threading.Thread(target=self.peer.serve, args=(60.0,), daemon=True)
        self.thread.start()

    def pair(self, code: str | None = None, *, own: bytes = OURS, station: str = "bench-1") -> PairedWith:
        return pair(HERE, self.port, code or self.peer.code, name="bench", own=own, station=station)

    def end(self) -> None:
        self.peer.close()
        self.thread.join(5)

    def connect(self, source: str = HERE) -> socket.socket:
        return socket.create_connection((HERE, self.port), 5, source_address=(source, 0))


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Running]]:
    running: list[Running] = []

    def begin(pairings: int = 1, folder: str = "far-end") -> Running:
        running.append(Running(tmp_path / folder, pairings))
        return running[-1]

    yield begin
    for one in running:
        one.end()


def other_code(code: str) -> str:
    return next(c for c in (rules.new_code() for _ in range(9)) if c != code)


def test_a_code_serves_once(start: Callable[..., Running]) -> None:
    far = start()
    code = far.peer.code
    first = far.pair()
    assert far.peer.code == ""
    with pytest.raises(InputError, match="refused"):
        far.pair(code)
    with closing(Asking.open(first)) as asking:
        assert asking.look()["interface"] == "lo"


def test_each_pairing_has_a_code_and_a_key_of_its_own(start: Callable[..., Running]) -> None:
    far = start(pairings=2)
    first_code = far.peer.code
    first, second = far.pair(), far.pair(own=secrets.token_bytes(32), station="bench-2")
    assert f"New pairing code: {first_code}" not in far.said
    assert [one.name for one in far.stations.all()] in (["bench-1", "bench-2"], ["bench-2", "bench-1"])
    for pairing in (first, second):
        Asking.open(pairing).close()


def test_who_is_paired_is_let_in_again_after_the_far_end_has_ended(start: Callable[..., Running]) -> None:
    known = start().pair()
    for _ in range(2):
        far = start(pairings=0)
        assert far.peer.code == ""
        with closing(Asking.open(replace(known, port=far.port))) as asking:
            assert asking.look()["interface"] == "lo"
        far.end()


def test_what_each_side_keeps_is_for_its_owner_alone(start: Callable[..., Running]) -> None:
    far = start()
    far.pair()
    files = sorted(far.folder.iterdir())
    assert {path.name for path in files} == {"key", f"{rules.public_key(OURS)}.json"}
    assert {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o600}
    assert stat.S_IMODE(far.folder.stat().st_mode) == 0o700
    kept = b"".join(path.read_bytes() for path in files)
    assert OURS.hex().encode() not in kept, "the far end has the public half only"


@pytest.mark.parametrize("by", ["name", "key"])
def test_a_station_that_is_revoked_is_let_in_no_more(start: Callable[..., Running], by: str) -> None:
    far = start(pairings=2)
    theirs = secrets.token_bytes(32)
    known, other = far.pair(), far.pair(own=theirs, station="bench-2")
    with closing(Asking.open(known)) as asking:
        assert asking.look()
        (gone,) = far.stations.revoke("bench-1" if by == "name" else rules.public_key(OURS)[:16])
        assert gone.key == rules.public_key(OURS)
        with pytest.raises(BenchFault, match="not paired"):
            asking.look()
    with pytest.raises(NotPossible, match="does not know this station") as told:
        Asking.open(known)
    assert "verifier peer pair" in told.value.to_do
    Asking.open(other).close()
    far.end()
    with pytest.raises(NotPossible, match="does not know this station"):
        Asking.open(replace(known, port=start(pairings=0).port))


@pytest.mark.parametrize("spoil", ["damaged", "readable", "no-name"])
def test_a_station_whose_file_is_spoiled_is_not_let_in_and_the_others_are(
    start: Callable[..., Running], spoil: str
) -> None:
    far = start(pairings=3)
    known, other = far.pair(), far.pair(own=secrets.token_bytes(32), station="bench-2")
    path = far.folder / f"{rules.public_key(OURS)}.json"
    if spoil == "readable":
        path.chmod(0o644)
    else:
        path.write_text("{" if spoil == "damaged" else '{"name": "bench\\n1", "since": ""}')
    with pytest.raises(NotPossible, match="does not know this station"):
        Asking.open(known)
    assert any(str(path) in text for text in far.said), "the far end's screen says which file"
    Asking.open(other).close()
    Asking.open(far.pair()).close()  # paired again, the file is good


@pytest.mark.parametrize(
    ("content", "mode", "told"),
    [
        ("", 0o600, "cannot be used"),
        ('{"private": "zz"}', 0o600, "cannot be used"),
        ('{"private": "00"}', 0o600, "cannot be used"),
        ("[]", 0o600, "cannot be used"),
        (json.dumps({"private": "11" * 32}), 0o640, "others may read"),
    ],
)
def test_a_spoiled_key_is_not_replaced_in_silence(tmp_path: Path, content: str, mode: int, told: str) -> None:
    path = tmp_path / "key"
    path.write_text(content)
    path.chmod(mode)
    with pytest.raises(InputError, match=told) as error:
        Peer(HERE, 0, stations=Stations(tmp_path), pairings=1, say=lambda _: None)
    assert str(path) in str(error.value) and path.read_text() == content


def test_a_folder_that_others_may_write_to_proves_nothing(start: Callable[..., Running]) -> None:
    far = start()
    known = far.pair()
    far.folder.chmod(0o777)
    with pytest.raises(NotPossible, match="does not know this station"):
        Asking.open(known)


def test_two_who_start_at_once_have_one_key(tmp_path: Path) -> None:
    made: list[bytes] = []
    threads = [threading.Thread(target=lambda: made.append(own_key(tmp_path / "far-end"))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 8 and len(set(made)) == 1


def test_the_number_of_known_stations_is_bounded(start: Callable[..., Running]) -> None:
    far = start(pairings=2)
    for n in range(MOST):
        far.stations.keep(f"{n:064x}", "bench")
    with pytest.raises(InputError, match="refused"):
        far.pair()
    assert any("revoke some" in text for text in far.said)
    assert len(far.stations.revoke("bench")) == MOST
    Asking.open(far.pair()).close()


@pytest.mark.parametrize("name", ["", "a" * 65, "b\n1", "\x1b[2J", "\u00fc", 1, None])
def test_a_name_that_cannot_be_shown_is_not_kept(start: Callable[..., Running], name: Any) -> None:
    far = start()
    with pytest.raises(InputError, match="refused"):
        far.pair(station=name)
    assert far.stations.all() == []


def test_the_code_may_be_typed_without_hyphens_and_in_capitals(start: Callable[..., Running]) -> None:
    far = start()
    assert far.pair(far.peer.code.replace("-", " ").upper()).key


def test_after_some_wrong_codes_it_is_void(start: Callable[..., Running]) -> None:
    far = start()
    code = far.peer.code
    for _ in range(rules.WRONG_CODES):
        with pytest.raises(InputError, match="does not know this code"):
            far.pair(other_code(code))
    assert far.peer.code != code and f"New pairing code: {far.peer.code}" in far.said


def test_who_guesses_is_shut_out_even_with_the_right_code(start: Callable[..., Running]) -> None:
    far = start()
    for _ in range(doors.FAILURES):
        with pytest.raises(InputError):
            far.pair(other_code(far.peer.code))
    with pytest.raises(InputError):
        far.pair()
    assert sum("has to wait" in line for line in far.said) == 1
    # Others are not: on Linux all of 127.0.0.0/8 is loopback.
    with closing(far.connect("127.0.0.2")) as other:
        line = Line(other)
        ours = rules.Handshake(OURS, "asking")
        line.send({"version": rules.VERSION, "want": "pair", "name": "bench-2", **ours.said})
        assert "share" in line.receive(seconds=5)


@pytest.mark.parametrize(
    "code", ["", "aaaa-bbbb-cccc", "1111-1111-1111-1111", "aaaa-bbbb-cccc-dddd-eeee", "ö" * 16]
)
def test_what_is_no_code_is_not_even_sent(code: str) -> None:
    with pytest.raises(InputError, match="four groups of four"):
        pair(HERE, 1, code, name="bench", own=OURS, station="bench-1")


@given(st.binary(min_size=10, max_size=10))
def test_every_code_can_be_typed(octets: bytes) -> None:
    import base64

    assert rules.code_octets(base64.b32encode(octets).decode().lower()) == octets


def test_a_new_code_has_80_bits_and_four_groups() -> None:
    code = rules.new_code()
    assert len(rules.code_octets(code)) * 8 == 80 and [len(g) for g in code.split("-")] == [4, 4, 4, 4]


def test_a_stranger_has_no_session(start: Callable[..., Running]) -> None:
    far = start()
    known = far.pair()
    with pytest.raises(NotPossible, match="does not know this station"):
        Asking.open(replace(known, own=secrets.token_bytes(32)))
    assert "Refused 127.0.0.1: not paired." in far.said


def test_who_knows_a_stations_public_key_alone_has_no_session(start: Callable[..., Running]) -> None:
    far = start()
    known = far.pair()
    for sealed in (b"", secrets.token_bytes(32)):
        with closing(far.connect()) as connection:
            line = Line(connection)
            own = rules.Handshake(secrets.token_bytes(32), "asking")
            said = {**own.said, "key": rules.public_key(OURS)}
            line.send({"version": rules.VERSION, "want": "session", **said})
            theirs = line.receive(seconds=5)
            assert theirs["key"] == known.key
            if sealed:
                own.seal(line, theirs)
            line.send({"ready": True})
            if not sealed:
                connection.shutdown(socket.SHUT_WR)
            with suppress(ConnectionResetError):
                answers = b""
                while data := connection.recv(4096):
                    answers += data
                assert answers == b"" or json.loads(answers[4:]) == {"refused": True}
    assert "Refused 127.0.0.1: the wrong key." in far.said


@pytest.mark.parametrize("knows_the_key", [False, True])
def test_a_far_end_that_is_another_one_is_not_believed(
    start: Callable[..., Running], *, knows_the_key: bool
) -> None:
    """With a key of its own it gets nothing that we sealed; with the right public key alone, no session."""
    far = start()
    known = far.pair()
    with closing(socket.create_server((HERE, 0))) as listener:
        heard: list[dict[str, Any]] = []

        def impostor() -> None:
            connection, _ = listener.accept()
            with closing(connection):
                line = Line(connection)
                heard.append(line.receive(seconds=5))
                theirs = rules.Handshake(secrets.token_bytes(32), "far")
                line.send({**theirs.said, "key": known.key} if knows_the_key else theirs.said)
                theirs.seal(line, heard[0])
                with suppress(EOFError, Refused, OSError):
                    heard.append(line.receive(seconds=5))
                with suppress(OSError):
                    line.send({"ready": True})

        thread = threading.Thread(target=impostor)
        thread.start()
        with pytest.raises(NotPossible, match="does not prove" if knows_the_key else "is not the one"):
            Asking.open(replace(known, port=listener.getsockname()[1]))
        thread.join(10)
    assert len(heard) == 1


def test_another_far_end_with_the_same_code_is_told_apart(start: Callable[..., Running]) -> None:
    """The bench computer was replaced, or its folder emptied: its key is another one."""
    known, other = start().pair(), start(folder="another")
    theirs = other.pair()
    with pytest.raises(NotPossible, match="is not the one this station is paired with") as told:
        Asking.open(replace(known, port=other.port))
    assert "verifier peer pair" in told.value.to_do
    until = time.monotonic() + 10
    while not nobody_inside(other):  # who has just been turned away still counts as one who tries
        assert time.monotonic() < until
        time.sleep(0.01)
    Asking.open(theirs).close()


def nobody_inside(far: Running) -> bool:
    return not far.peer._doorman._inside


class Wire:
    """Stands between: keeps what goes by in each direction and can change it."""

    def __init__(self, port: int, change: Callable[[bytes, int], bytes] = lambda data, n: data) -> None:
        self.listener = socket.create_server((HERE, 0))
        self.port = self.listener.getsockname()[1]
        self.up = bytearray()
        self._change, self._to = change, port
        threading.Thread(target=self._work, daemon=True).start()

    def _work(self) -> None:
        ours, _ = self.listener.accept()
        theirs = socket.create_connection((HERE, self._to))

        def pump(source: socket.socket, sink: socket.socket, *, keep: bool) -> None:
            count = 0
            while True:
                try:
                    data = source.recv(65_536)
                    if not data:
                        break
                    if keep:
                        self.up += data
                        data = self._change(data, count)
                    sink.sendall(data)
                except OSError:
                    break
                count += 1
            for end in (source, sink):
                with suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

        threading.Thread(target=pump, args=(theirs, ours), kwargs={"keep": False}, daemon=True).start()
        pump(ours, theirs, keep=True)
        ours.close()
        theirs.close()
        self.listener.close()


def test_a_session_that_was_recorded_cannot_be_played_again(start: Callable[..., Running]) -> None:
    far = start()
    wire = Wire(far.port)
    with closing(Asking.open(replace(far.pair(), port=wire.port))) as asking:
        asking.look()
    with closing(far.connect()) as again:
        again.sendall(bytes(wire.up))
        answers = bytearray()
        again.settimeout(5)
        try:
            while data := again.recv(65_536):
                answers += data
        except ConnectionResetError:
            pass
    assert b"refused" in answers and b"interface" not in answers


def test_a_request_that_is_altered_on_its_way_ends_the_session(start: Callable[..., Running]) -> None:
    far = start()

    def alter(data: bytes, count: int) -> bytes:
        return data.replace(b'"look"', b'"time"') if count else data

    wire = Wire(far.port, alter)
    asking = Asking.open(replace(far.pair(), port=wire.port))
    # Had it been answered, the answer would be another one's: "it says nothing of its interface".
    with closing(asking), pytest.raises(BenchFault, match=r"it has gone|is lost"):
        asking.look()


def test_a_pairing_that_is_listened_to_holds_neither_code_nor_key(start: Callable[..., Running]) -> None:
    far = start()
    wire, code = Wire(far.port), far.peer.code
    made = pair(HERE, wire.port, code, name="bench", own=OURS, station="bench-1")
    said = bytes(wire.up)
    assert OURS not in said and OURS.hex().encode() not in said and made.own == OURS
    assert code.encode() not in said and code.replace("-", "").encode() not in said
    assert rules.code_octets(code) not in said


@pytest.mark.parametrize("what", ["key", "name"])
def test_who_stands_between_cannot_have_another_key_or_name_kept(start: Callable[..., Running], what: str) -> None:
    far = start()
    theirs = rules.public_key(secrets.token_bytes(32)).encode()
    old, new = (b"bench-1", b"bench-2") if what == "name" else (rules.public_key(OURS).encode(), theirs)
    wire = Wire(far.port, lambda data, _: data.replace(old, new))
    with pytest.raises(InputError, match="refused"):
        pair(HERE, wire.port, far.peer.code, name="bench", own=OURS, station="bench-1")
    assert far.stations.all() == []


@pytest.mark.parametrize("low", ["key", "share"])
def test_keys_and_shares_of_low_order_are_refused(start: Callable[..., Running], low: str) -> None:
    """RFC 7748, 6.1: an all-zero shared secret must be refused. 0 and 1 are points of low order."""
    far = start()
    for share in (bytes(32), b"\x01" + bytes(31)):
        with closing(far.connect()) as line_:
            line = Line(line_)
            said = {"key": rules.public_key(OURS), "share": rules.public_key(OURS), low: share.hex()}
            line.send({"version": rules.VERSION, "want": "pair", "name": "bench-1", **said})
            line.receive(seconds=5)
            assert line.receive(seconds=5) == {"refused": True}


@pytest.mark.parametrize(
    "sent",
    [
        b"GET / HTTP/1.1\r\nHost: bench\r\n\r\n",
        struct.pack("!I", 2**31) + b"x",
        struct.pack("!I", 5) + b"nope!",
        struct.pack("!I", 2) + b"[]",
        struct.pack("!I", 600) + b"[" * 600,
        struct.pack("!I", 2) + b"{}",
        secrets.token_bytes(2000),
    ],
)
def test_nonsense_is_refused_and_the_next_is_served(start: Callable[..., Running], sent: bytes) -> None:
    far = start()
    with closing(far.connect("127.0.0.3")) as stranger:
        stranger.sendall(sent)
        stranger.settimeout(10)
        try:
            answer = stranger.recv(4096)
        except ConnectionResetError:
            answer = b""
    assert answer == b"" or json.loads(answer[4:]) == {"refused": True}
    far.pair()


def test_who_dribbles_is_cut_off_and_keeps_nobody_out(
    start: Callable[..., Running], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rules, "HANDSHAKE_SECONDS", 1.0)
    far = start()
    slow = [far.connect("127.0.0.4") for _ in range(10)]
    began = time.monotonic()
    for connection in slow:
        with suppress(OSError):
            connection.sendall(struct.pack("!I", 1000))
    far.pair()
    dribbling = slow[0]
    dribbling.settimeout(0.2)
    ended = False
    while not ended and time.monotonic() - began < 20:  # 1000 characters would take 200 s
        try:
            dribbling.sendall(b" ")
            ended = dribbling.recv(1) == b""
        except TimeoutError:
            continue
        except OSError:
            ended = True
    assert ended
    for connection in slow:
        connection.close()


def test_a_flood_of_connections_leaves_no_threads_behind(start: Callable[..., Running]) -> None:
    far = start()
    before = threading.active_count()
    flood = [far.connect(f"127.0.1.{n % 100 + 1}") for n in range(200)]
    assert threading.active_count() <= before + doors.AT_ONCE
    for connection in flood:
        connection.close()
    until = time.monotonic() + 10
    while threading.active_count() > before and time.monotonic() < until:
        time.sleep(0.02)
    assert threading.active_count() <= before
    far.pair()  # the flood came from other addresses


def test_a_data_connection_needs_the_token_and_the_address(start: Callable[..., Running]) -> None:
    far = start()
    asking = Asking.open(far.pair())
    with closing(asking):
        asking._line.send({"do": "stream", "way": "up", "seconds": 0.1})
        token = asking._line.receive(seconds=5)["token"]
        for source, shown in ((HERE, secrets.token_hex(32)), ("127.0.0.5", token)):
            with closing(far.connect(source)) as thief:
                line = Line(thief)
                line.send({"want": "stream", "token": shown})
                assert line.receive(seconds=5) == {"refused": True}


@pytest.mark.parametrize(
    ("request_", "named"),
    [
        ({"do": "stream", "seconds": 1e9}, "seconds"),
        ({"do": "stream", "seconds": "1"}, "seconds"),
        ({"do": "datagrams", "payload": 18, "count": 10**9, "rate": 0}, "count"),
        ({"do": "datagrams", "payload": 18, "count": 1000, "rate": 0.001}, "longer than"),
        ({"do": "datagrams", "payload": 70_000, "count": 1, "rate": 0}, "payload"),
        ({"do": "requests", "seconds": float("inf")}, "seconds"),
        ({"do": "echoes", "count": True}, "count"),
        ({"do": "run", "command": "id"}, "no such request"),
    ],
)
def test_whoever_is_paired_is_bounded_too(
    start: Callable[..., Running], request_: dict[str, Any], named: str
) -> None:
    asking = Asking.open(start().pair())
    with closing(asking), pytest.raises(Refused, match=named):
        asking._ask(request_)


def test_datagrams_as_fast_as_they_go_end_in_time_too(
    start: Callable[..., Running], monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a slow line as many may take hours, and nobody else had the far end meanwhile."""
    monkeypatch.setattr(rules, "LONGEST_LOAD", 0.2)
    asking = Asking.open(start().pair())
    with closing(asking), socket.socket(type=socket.SOCK_DGRAM) as sink:
        sink.bind((HERE, 0))
        most, port = rules.MOST_DATAGRAMS, sink.getsockname()[1]
        asking._ask({"do": "datagrams", "way": "down", "payload": 60_000, "count": most, "rate": 0, "port": port})
        assert 0 < asking._answer(60.0)["sent"] < most


def test_a_terminal_that_is_held_up_holds_up_nobody(start: Callable[..., Running]) -> None:
    far = start(pairings=2)
    held, let_go = threading.Event(), threading.Event()

    def say(text: str) -> None:
        held.set()
        let_go.wait(30)

    far.peer._say = say
    try:
        far.pair()
        assert held.wait(10)
        far.pair(own=secrets.token_bytes(32))
    finally:
        let_go.set()


def test_what_a_stranger_sends_to_the_port_pushes_out_nothing(start: Callable[..., Running]) -> None:
    """Else it would count as `overrun`, and what the link has lost as not lost."""
    asking = Asking.open(start().pair())
    own = load.datagram_socket(HERE)
    with closing(asking), own, socket.socket(type=socket.SOCK_DGRAM) as stranger:
        place = {"port": own.getsockname()[1]}
        opened = asking._ask({"do": "datagrams", "way": "up", "payload": 18, "count": 10, "rate": 0, **place})
        stranger.settimeout(5)
        stranger.connect((HERE, opened["port"]))
        stranger.send(b"let me in")
        with pytest.raises(ConnectionRefusedError):  # nobody there, for a stranger
            stranger.recv(100)
        assert asking._ask({"sent": 0})["datagrams"]["received"] == 0


def test_one_load_at_a_time(start: Callable[..., Running]) -> None:
    far = start(pairings=2)
    first, second = Asking.open(far.pair()), Asking.open(far.pair(own=secrets.token_bytes(32)))
    with closing(first), closing(second):
        first._ask({"do": "datagrams", "way": "up", "payload": 18, "count": 1, "rate": 0, "port": 9})
        with pytest.raises(NotPossible, match="busy"):
            second.datagrams("up", payload=18, count=1, rate=0)
        first._ask({"sent": 0})
        assert second.datagrams("up", payload=18, count=5, rate=0).sent == 5


def test_it_ends_by_itself(tmp_path: Path) -> None:
    peer = Peer(HERE, 0, stations=Stations(tmp_path), pairings=1, say=lambda _: None)
    port = peer.open()
    peer.serve(0.05)
    with pytest.raises(OSError):
        socket.create_connection((HERE, port), 1)


def test_an_address_of_somebody_else_cannot_be_listened_on(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot listen"):
        Peer("192.0.2.200", 0, stations=Stations(tmp_path), pairings=1, say=lambda _: None).open()
