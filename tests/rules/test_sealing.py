"""Sealing: nothing changed, moved or opened with another key ever opens; lengths and fingerprints tell nothing."""

import base64

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from hypothesis import given
from hypothesis import strategies as st

from studylab.allocation.rules.sealing import (
    KeyUnusable,
    SealDamaged,
    SealedWithAnotherKey,
    key_id,
    pad,
    parse_key,
    seal,
    seal_text,
    unpad,
    unseal,
    unseal_text,
)

KEY = bytes(range(32))
OTHER = bytes(range(1, 33))
PLACE = "study demo, stratum all, position 1"


@given(st.binary(max_size=300), st.text(max_size=40))
def test_what_is_sealed_opens_again(plaintext: bytes, context: str) -> None:
    sealed = seal(plaintext, key=KEY, context=context)
    assert unseal(sealed, key=KEY, context=context) == plaintext
    assert sealed != seal(plaintext, key=KEY, context=context)
    assert len(sealed) == len(plaintext) + 33


def test_layout_opens_with_the_library_alone() -> None:
    """Version, 4 bytes of key id, 96-bit nonce, ciphertext and tag; header and context authenticated."""
    sealed = seal(b"arm", key=KEY, context=PLACE)
    header, nonce, rest = sealed[:5], sealed[5:17], sealed[17:]
    associated = header + b"|studylab seal|" + PLACE.encode()
    assert AESGCM(KEY).decrypt(nonce, rest, associated) == b"arm"


def test_every_single_flipped_bit_is_noticed() -> None:
    sealed = seal_text("propranolol", key=KEY, context=PLACE)
    for place in range(len(sealed)):
        for bit in range(8):
            damaged = bytearray(sealed)
            damaged[place] ^= 1 << bit
            with pytest.raises(SealDamaged):
                unseal_text(bytes(damaged), key=KEY, context=PLACE)


def test_cut_lengthened_and_empty_values_are_noticed() -> None:
    sealed = seal(b"arm", key=KEY, context=PLACE)
    for wrong in [*(sealed[:n] for n in range(len(sealed))), sealed + b"\x00"]:
        with pytest.raises(SealDamaged):
            unseal(wrong, key=KEY, context=PLACE)


def test_a_value_moved_to_another_place_does_not_open() -> None:
    sealed = seal(b"arm", key=KEY, context=PLACE)
    with pytest.raises(SealDamaged, match="another place"):
        unseal(sealed, key=KEY, context=PLACE.replace("1", "2"))


def test_another_key_is_named_as_such() -> None:
    sealed = seal(b"arm", key=KEY, context=PLACE)
    with pytest.raises(SealedWithAnotherKey, match=key_id(KEY)) as caught:
        unseal(sealed, key=OTHER, context=PLACE)
    assert key_id(OTHER) in str(caught.value)
    # The key itself decides, not only the name of it that stands in front.
    forged = sealed[:1] + bytes.fromhex(key_id(OTHER)) + sealed[5:]
    with pytest.raises(SealDamaged, match="changed"):
        unseal(forged, key=OTHER, context=PLACE)


def test_both_arms_are_equally_long_and_not_readable() -> None:
    sealed = {arm: seal_text(arm, key=KEY, context=PLACE) for arm in ("propranolol", "placebo", "")}
    assert len({len(value) for value in sealed.values()}) == 1
    assert all(arm.encode() not in value for arm, value in sealed.items() if arm)
    assert unseal_text(sealed["placebo"], key=KEY, context=PLACE) == "placebo"


@given(st.text(max_size=15))
def test_padding_comes_off_again(text: str) -> None:
    assert len(pad(text)) == 64
    assert unpad(pad(text)) == text


def test_padding_refuses_what_does_not_fit_or_is_none() -> None:
    assert unpad(pad("x" * 62)) == "x" * 62
    with pytest.raises(ValueError, match="does not fit"):
        pad("x" * 63)
    for wrong in (b"", b"\x00", b"\x00\x05ab", b"\x00\x01ab", b"\x00\x01\xff"):
        with pytest.raises(SealDamaged, match="not padded"):
            unpad(wrong)


def test_keys_are_read_with_and_without_padding() -> None:
    text = base64.urlsafe_b64encode(KEY).decode()
    assert parse_key(text) == KEY
    assert parse_key(f"  {text.rstrip('=')}\n") == KEY
    tricky = bytes([0xFB, 0xFF, 0xBE] * 10) + bytes(range(2))
    with pytest.raises(KeyUnusable, match="not random"):
        parse_key(base64.urlsafe_b64encode(tricky).decode())


@given(st.binary(min_size=32, max_size=32).filter(lambda key: len(set(key)) >= 8))
def test_any_key_survives_being_written_down(key: bytes) -> None:
    assert parse_key(base64.urlsafe_b64encode(key).decode()) == key


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "is empty"),
        ("   ", "is empty"),
        ("===", "bytes"),
        ("change-me", "bytes|not base64url"),
        ("not a key!", "not base64url"),
        ("ключ", "not base64url"),
        (base64.urlsafe_b64encode(KEY[:31]).decode(), "31 bytes"),
        (base64.urlsafe_b64encode(KEY + b"x").decode(), "33 bytes"),
        (base64.urlsafe_b64encode(bytes(32)).decode(), "not random"),
        (KEY.hex(), "bytes"),
    ],
)
def test_bad_keys_are_refused_with_the_way_to_make_one(text: str, part: str) -> None:
    with pytest.raises(KeyUnusable, match=part) as caught:
        parse_key(text)
    assert "Make one with" in str(caught.value)
    if text.strip(" ="):
        assert text not in str(caught.value)


@pytest.mark.parametrize("key", [b"", KEY[:16], KEY + b"x"])
def test_sealing_needs_a_whole_key(key: bytes) -> None:
    with pytest.raises(KeyUnusable, match="32 bytes"):
        seal(b"arm", key=key, context=PLACE)
    with pytest.raises(KeyUnusable, match="32 bytes"):
        unseal(b"x" * 60, key=key, context=PLACE)
