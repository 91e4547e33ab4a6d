"""Claiming an address: SAE J1939-81, as RV-C uses it (rv-c.com); times from memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin_drivers.can import rvc_frames as rvc
from tocsin_drivers.can.claim import ADDRESSES, SETTLE_S, Claim, name_of

STRONGER, WEAKER = (0).to_bytes(8, "little"), b"\xff" * 8


def begun(text: str = "hut") -> tuple[Claim, int]:
    claim = Claim(name_of(text))
    (frame,) = claim.begin(0.0)
    return claim, rvc.source_of(frame.can_id)


def test_a_claim_says_its_name_to_all_at_priority_6() -> None:
    claim = Claim(name_of("hut"))
    (frame,) = claim.begin(0.0)
    address = rvc.source_of(frame.can_id)
    assert address in ADDRESSES
    assert frame.can_id == 0x18EEFF00 | address
    assert int.from_bytes(frame.data, "little") == claim.name
    assert claim.name >> 63 == 1, "it can take another address"


def test_a_name_is_the_same_at_every_start_and_another_for_another_node() -> None:
    assert name_of("hut") == name_of("hut") != name_of("shed")


@pytest.mark.parametrize(("at_s", "is_ours"), [(0.2, False), (0.25, True), (0.3, True)])
def test_an_address_may_be_used_when_nobody_objected_for_250_ms(
    at_s: float,
    is_ours: bool,  # noqa: FBT001 a row of a table
) -> None:
    assert SETTLE_S == 0.25
    claim, address = begun()
    assert claim.address(at_s) == (address if is_ours else None)


def test_the_smaller_name_wins_and_the_loser_takes_another_address() -> None:
    claim, address = begun()
    (frame,) = claim.claimed(address, STRONGER, 1.0)
    other = rvc.source_of(frame.can_id)
    assert other != address
    assert other in ADDRESSES
    assert claim.address(1.2) is None, "the wait begins anew"
    assert claim.address(1.25) == other


def test_the_larger_name_is_answered_and_the_address_kept() -> None:
    claim, address = begun()
    (frame,) = claim.claimed(address, WEAKER, 1.0)
    assert rvc.source_of(frame.can_id) == address
    assert claim.address(1.0) == address


def test_others_that_claim_other_addresses_are_left_alone_and_remembered() -> None:
    claim, address = begun()
    following = ADDRESSES[(ADDRESSES.index(address) + 1) % len(ADDRESSES)]
    assert claim.claimed(following, STRONGER, 0.1) == ()
    (frame,) = claim.claimed(address, STRONGER, 0.2)
    assert rvc.source_of(frame.can_id) not in {address, following}


def test_an_echo_of_our_own_claim_is_no_objection() -> None:
    claim, address = begun()
    assert claim.claimed(address, claim.name.to_bytes(8, "little"), 0.1) == ()
    assert claim.claimed(address, b"\0" * 7, 0.1) == (), "nor is half a claim"


def test_a_node_that_finds_no_address_says_so_and_is_silent() -> None:
    claim, address = begun()
    for taken in ADDRESSES:
        if taken != address:
            claim.claimed(taken, STRONGER, 1.0)
    (frame,) = claim.claimed(address, STRONGER, 1.0)
    assert frame.can_id == 0x18EEFFFE
    assert claim.address(100.0) is None
    assert claim.asked() == (frame,), "a request is answered likewise"
    assert claim.is_for_us(0xFF)


@given(st.lists(st.tuples(st.integers(0, 255), st.binary(max_size=9)), max_size=300))
def test_whatever_others_claim_an_address_in_use_is_not_theirs(
    claims: list[tuple[int, bytes]],
) -> None:
    claim, _ = begun()
    stronger = set[int]()
    for source, data in claims:
        claim.claimed(source, data, 1.0)
        if len(data) >= 8 and int.from_bytes(data[:8], "little") < claim.name:
            stronger.add(source)
    address = claim.address(10.0)
    assert address is None or (address in ADDRESSES and address not in stronger)
