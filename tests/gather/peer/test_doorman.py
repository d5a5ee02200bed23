"""Who may still try to prove itself."""

from verifier.gather.peer.doorman import AT_ONCE, AT_ONCE_EACH, FAILURES, REMEMBERED, SHUT_OUT, Doorman


class Watch:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def failed(doorman: Doorman, address: str, times: int) -> None:
    for _ in range(times):
        assert doorman.admit(address)
        doorman.leave(address, failed=True)


def test_who_fails_often_waits_and_others_do_not() -> None:
    watch = Watch()
    doorman = Doorman(watch)
    failed(doorman, "192.0.2.66", FAILURES - 1)
    assert doorman.admit("192.0.2.66") and doorman.leave("192.0.2.66", failed=True)  # said once
    assert not doorman.admit("192.0.2.66") and doorman.admit("192.0.2.2")
    watch.now = SHUT_OUT - 1
    assert not doorman.admit("192.0.2.66")
    watch.now = SHUT_OUT
    assert doorman.admit("192.0.2.66")


def test_success_forgives() -> None:
    doorman = Doorman(Watch())
    failed(doorman, "192.0.2.2", FAILURES - 1)
    assert doorman.admit("192.0.2.2")
    doorman.leave("192.0.2.2", failed=False)
    failed(doorman, "192.0.2.2", FAILURES - 1)
    assert doorman.admit("192.0.2.2")


def test_one_address_cannot_take_every_place() -> None:
    doorman = Doorman(Watch())
    assert all(doorman.admit("192.0.2.66") for _ in range(AT_ONCE_EACH))
    assert not doorman.admit("192.0.2.66") and doorman.admit("192.0.2.2")


def test_places_are_limited_in_all() -> None:
    doorman = Doorman(Watch())
    assert sum(doorman.admit(f"198.51.100.{n}") for n in range(200)) == AT_ONCE


def test_a_stranger_on_the_same_ipv6_network_shuts_out_nobody_else() -> None:
    """All of a bench are neighbours in one /64 (RFC 4291, 2.5.1), link-local ones above all."""
    doorman = Doorman(Watch())
    failed(doorman, "fe80::66%lan0", FAILURES)
    assert not doorman.admit("fe80::66%lan0") and doorman.admit("fe80::2%lan0")
    assert all(doorman.admit("2001:db8::66") for _ in range(AT_ONCE_EACH)) and doorman.admit("2001:db8::2")


def test_a_flood_of_addresses_is_not_remembered_without_end() -> None:
    doorman = Doorman(Watch())
    for n in range(REMEMBERED + 50):
        failed(doorman, f"10.{n >> 8}.{n & 255}.1", 1)
    assert len(doorman._failed) == REMEMBERED
