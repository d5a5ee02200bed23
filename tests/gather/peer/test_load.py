"""Load as its receiver counts it, with datagrams made by hand over loopback."""

from __future__ import annotations

import socket
import threading
import time
from contextlib import closing
from typing import Any

import pytest

from verifier.gather.peer import load
from verifier.gather.peer.words import Datagrams, Flow, FourTimes

TOKEN = b"token!"


def received(datagrams: list[bytes], count: int, sent: int | None = None) -> Datagrams:
    with closing(load.datagram_socket("127.0.0.1")) as line, socket.socket(type=socket.SOCK_DGRAM) as sender:
        for datagram in datagrams:
            sender.sendto(datagram, line.getsockname())
        return load.receive_datagrams(line, TOKEN, count, lambda: count if sent is None else sent, 5.0)


def datagram(number: int, stamp: int = 0, token: bytes = TOKEN) -> bytes:
    return load.HEADER.pack(token, number, stamp)


def test_what_is_missing_late_and_double() -> None:
    seen = received([datagram(n) for n in (0, 1, 3, 2, 2, 5)], 8)
    assert (seen.sent, seen.received, seen.lost, seen.late, seen.duplicates) == (8, 5, 3, 1, 1)


def test_what_was_not_sent_is_not_lost() -> None:
    seen = received([datagram(n) for n in range(4)], 100, sent=4)
    assert (seen.sent, seen.lost) == (4, 0)


def test_foreign_and_damaged_datagrams_do_not_count() -> None:
    strangers = [b"", b"x", b"y" * 1400, datagram(1, token=b"other!"), datagram(2**31)]
    seen = received([*strangers, datagram(0)], 3)
    assert (seen.received, seen.duplicates) == (1, 0)


def test_jitter_of_a_known_pattern() -> None:
    """RFC 3550, 6.4.1: J(i) = J(i−1) + (|D(i−1,i)| − J(i−1))/16. All arrive together, so D follows the stamps: a
    step of 16 ms each time gives 16 ms × (1 − (15/16)^n) after n of them."""
    step = 16_000_000
    seen = received([datagram(n, stamp=step * n) for n in range(11)], 11)
    assert seen.jitter == pytest.approx(0.016 * (1 - (15 / 16) ** 10), rel=0.02)


def test_a_full_buffer_of_the_receiver_is_no_loss_of_the_link() -> None:
    with closing(load.datagram_socket("127.0.0.1")) as line, socket.socket(type=socket.SOCK_DGRAM) as sender:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        for number in range(200):
            sender.sendto(datagram(number) + bytes(1000), line.getsockname())
        before = load.drops(line)
        assert before > 100
        seen = load.receive_datagrams(line, TOKEN, 200, lambda: 200, 5.0)
    # What was dropped before it looked is not its own doing; what it got is right.
    assert seen.received == 200 - before and seen.overrun == 0 and seen.lost == before


def test_datagrams_that_came_before_anybody_looked_came_when_they_came() -> None:
    """Else the rate would be that of emptying a buffer, and not of the link."""
    with closing(load.datagram_socket("127.0.0.1")) as line, socket.socket(type=socket.SOCK_DGRAM) as sender:
        time.sleep(0.05)  # the kernel begins to stamp a moment after it is asked to
        for number in range(3):
            sender.sendto(datagram(number), line.getsockname())
            time.sleep(0.05)
        seen = load.receive_datagrams(line, TOKEN, 3, lambda: 3, 5.0)
    assert seen.received == 3 and seen.seconds >= 0.1


def test_who_floods_the_port_does_not_put_off_the_end() -> None:
    done = threading.Event()
    with closing(load.datagram_socket("127.0.0.1")) as line, socket.socket(type=socket.SOCK_DGRAM) as stranger:
        place = line.getsockname()
        stranger.sendto(datagram(0), place)

        def flood() -> None:
            while not done.is_set():
                stranger.sendto(b"never mind what", place)

        thread = threading.Thread(target=flood)
        thread.start()
        until = time.monotonic() + 10
        seen = load.receive_datagrams(line, TOKEN, 5, lambda: 2, 10.0)
        ended = time.monotonic() < until
        done.set()
        thread.join()
    assert ended and (seen.sent, seen.received) == (2, 1)


def test_what_is_still_under_way_when_the_sender_ends_is_not_lost() -> None:
    """As behind a queue that the word of the end did not have to wait in: ten come, each within the pause."""
    with closing(load.datagram_socket("127.0.0.1")) as line, socket.socket(type=socket.SOCK_DGRAM) as sender:
        place = line.getsockname()

        def trickle() -> None:
            for number in range(10):
                time.sleep(load.SETTLE / 5)
                sender.sendto(datagram(number), place)

        thread = threading.Thread(target=trickle)
        thread.start()
        seen = load.receive_datagrams(line, TOKEN, 10, lambda: 10, 30.0)
        thread.join()
    assert seen.lost == 0


def test_a_receiver_that_nobody_sends_to_ends() -> None:
    seen = received([], 10, sent=0)
    assert (seen.received, seen.lost, seen.rate, seen.jitter) == (0, 0, 0.0, 0.0)


def test_datagrams_are_sent_at_the_rate_that_was_asked_for() -> None:
    with closing(load.datagram_socket("127.0.0.1")) as line, closing(load.datagram_socket("127.0.0.1")) as sender:
        sender.connect(line.getsockname())
        began = time.monotonic()
        assert load.send_datagrams(sender, TOKEN, payload=18, count=100, rate=500.0, seconds=60.0) == 100
        assert time.monotonic() - began >= 99 / 500  # never faster; slower is the machine's business


def test_a_stream_is_counted_without_what_came_first() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        sender = socket.create_connection(listener.getsockname())
        receiver, _ = listener.accept()
        sent: list[int] = []
        thread = threading.Thread(target=lambda: sent.append(load.send_stream(sender, 0.2)))
        thread.start()
        flow = load.receive_stream(receiver, 0.2)
        thread.join(10)
        sender.close()
        receiver.close()
    assert flow is not None and 0 < flow.octets < sent[0] and flow.seconds > 0


class _LateReceiver(socket.socket):
    """Not let run for a while when the count begins: what comes meanwhile waits in the kernel's buffer."""

    slept = False

    def recv_into(self, *words: Any) -> int:
        if not self.slept and self.received > 5_000:
            self.slept = True
            time.sleep(0.3)
        count = super().recv_into(*words)
        self.received += count
        return count

    received = 0


def test_what_had_come_before_the_count_began_is_not_counted() -> None:
    """100 kB/s at the most: whatever is said above that did not come in that time. So little that the receiver's
    buffer has room for it: what it has none for waits at the sender, and has to be carried later."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        sender = socket.create_connection(listener.getsockname())
        accepted, _ = listener.accept()
    receiver = _LateReceiver(fileno=accepted.detach())
    block = bytes(1000)

    def send() -> None:
        for _ in range(60):  # 0.6 s: the count begins in the sleep, after 0.1 s
            sender.sendall(block)
            time.sleep(0.01)
        sender.close()

    thread = threading.Thread(target=send)
    thread.start()
    with receiver:
        flow = load.receive_stream(receiver, 1.0)
    thread.join(10)
    assert flow is not None and flow.rate <= 0.8 * 1.05  # Mbit/s; a block more may fall into the time


def test_a_stream_that_stands_still_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(load, "STALLED", 0.1)
    sender, receiver = socket.socketpair()
    with sender, receiver:
        assert load.receive_stream(receiver, 0.1) is None  # nothing is sent
        assert load.send_stream(sender, 30.0) > 0  # nobody reads: ends long before


def test_goodput_is_payload_over_time() -> None:
    assert Flow(octets=125_000_000, seconds=2.0).rate == pytest.approx(500.0)  # Mbit/s


def test_offset_and_delay_of_an_exchange() -> None:
    """RFC 5905, section 8: θ = ((T2 − T1) + (T3 − T4))/2, δ = (T4 − T1) − (T3 − T2). By hand: the far end is 5 s
    ahead, 0.1 s there, 0.3 s back, 1 s between. The offset is off by half the difference of the two ways."""
    times = FourTimes(t1=100.0, t2=105.1, t3=106.1, t4=101.4)
    assert times.delay == pytest.approx(0.4)
    assert times.offset == pytest.approx(5.0 - 0.1)
    assert abs(times.offset - 5.0) <= times.delay / 2


def test_echoes_return_to_who_asked_and_only_with_the_token() -> None:
    with closing(load.datagram_socket("127.0.0.1")) as far, closing(load.datagram_socket("127.0.0.1")) as near:
        thread = threading.Thread(
            target=load.return_echoes,
            args=(far, TOKEN),
            kwargs={"count": 100, "source": "127.0.0.1", "seconds": 30.0},
        )
        thread.start()
        near.connect(far.getsockname())
        near.send(datagram(0, token=b"other!"))
        times = load.ask_echoes(near, TOKEN, payload=64, count=5, interval=0.0, wait=5.0)
        thread.join(5)
        assert not thread.is_alive()  # told that no more will come
    assert len(times) == 5 and all(t is not None and 0 < t < 5 for t in times)
