"""The generator against published vectors, two other implementations, and its own frozen stream."""

import hashlib
import hmac
import itertools
from collections import Counter

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature
from hypothesis import given, settings
from hypothesis import strategies as st

from studylab.allocation.rules.drbg import DRBG_VERSION, MAX_REQUEST_BYTES, SEED_BYTES, Drbg

SEED = bytes(range(SEED_BYTES))


class SecondImplementation:
    """HMAC_DRBG written once more from the steps of NIST SP 800-90A, 10.1.2.2 to 10.1.2.5."""

    def __init__(self, entropy_and_nonce: bytes, personalisation: bytes) -> None:
        self.k, self.v = bytes(32), bytes([1]) * 32
        self.update(entropy_and_nonce + personalisation)

    @staticmethod
    def mac(key: bytes, *parts: bytes) -> bytes:
        state = hmac.new(key, digestmod=hashlib.sha256)
        for part in parts:
            state.update(part)
        return state.digest()

    def update(self, provided: bytes | None) -> None:
        self.k = self.mac(self.k, self.v, b"\x00", provided or b"")
        self.v = self.mac(self.k, self.v)
        if provided:
            self.k = self.mac(self.k, self.v, b"\x01", provided)
            self.v = self.mac(self.k, self.v)

    def generate(self, count: int) -> bytes:
        temp = b""
        while len(temp) < count:
            self.v = self.mac(self.k, self.v)
            temp = temp + self.v
        self.update(None)
        return temp[:count]


def test_primitives_match_their_published_values() -> None:
    # FIPS 180-4 "abc" and RFC 4231 case 2, from memory.
    assert hashlib.sha256(b"abc").hexdigest() == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
    assert hmac.digest(b"Jefe", b"what do ya want for nothing?", "sha256").hex() == (
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    )


def test_published_vector_of_the_validation_program() -> None:
    # NIST validation vectors, HMAC_DRBG SHA-256, no prediction resistance, first case without
    # personalisation: the second request of 1024 bits is compared. From memory.
    entropy = "ca851911349384bffe89de1cbdc46e6831e44d34a4fb935ee285dd14b71a7488"
    nonce = "659ba96c601dc69fc902940805ec0ca8"
    drbg = Drbg(bytes.fromhex(entropy + nonce))
    drbg.bytes(128)
    assert drbg.bytes(128).hex() == (
        "e528e9abf2dece54d47c7e75e5fe302149f817ea9fb4bee6f4199697d04d5b89"
        "d54fbb978a15b5c443c9ec21036d2460b6f73ebad0dc2aba6e624abf07745bc1"
        "07694bb7547bb0995f70de25d6b29e2d3011bb19d27676c07162c8b5ccde0668"
        "961df86803482cb37ed6d5c0bb8d50cf1f50d476aa0458bdaba806f48be9dcb8"
    )


def test_published_vector_of_deterministic_signatures() -> None:
    # RFC 6979 A.2.5, P-256 with SHA-256, message "sample": its k is HMAC_DRBG of (key, hash). From memory.
    key = bytes.fromhex("C9AFA9D845BA75166B5C215767B1D6934E50C3DB36E89B127B8A622B120F6721")
    drbg = Drbg(key + hashlib.sha256(b"sample").digest())
    assert drbg.bytes(32).hex() == (
        "a6e3c57dd01abe90086538398355dd4c3b17aa873382b0f24d6129493d8aad60"
    )


P256_ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551


@settings(max_examples=25)
@given(st.integers(1, P256_ORDER - 1), st.binary(max_size=40))
def test_agrees_with_openssl(secret: int, message: bytes) -> None:
    """OpenSSL draws the k of a deterministic signature from its own HMAC_DRBG (RFC 6979); k = (h+rx)/s."""
    algorithm = ec.ECDSA(hashes.SHA256(), deterministic_signing=True)
    signature = ec.derive_private_key(secret, ec.SECP256R1()).sign(message, algorithm)
    r, s = decode_dss_signature(signature)
    digest = int.from_bytes(hashlib.sha256(message).digest(), "big") % P256_ORDER
    k = (digest + r * secret) * pow(s, -1, P256_ORDER) % P256_ORDER
    drbg = Drbg(secret.to_bytes(32, "big") + digest.to_bytes(32, "big"))
    assert int.from_bytes(drbg.bytes(32), "big") in {k, P256_ORDER - k}


@given(
    st.binary(min_size=32, max_size=80),
    st.binary(max_size=40),
    st.lists(st.integers(0, 200), max_size=6),
)
def test_agrees_with_the_second_implementation(
    seed: bytes, mark: bytes, requests: list[int]
) -> None:
    one, two = Drbg(seed, mark), SecondImplementation(seed, mark)
    for count in requests:
        assert one.bytes(count) == two.generate(count)


@given(st.lists(st.integers(1, 5000), min_size=1, max_size=60))
def test_below_follows_its_written_rule(limits: list[int]) -> None:
    other = SecondImplementation(SEED, b"rule")
    pool = b""

    def draw(limit: int) -> int:
        nonlocal pool
        bits = len(bin(limit - 1)) - 2 if limit > 1 else 0
        if bits == 0:
            return 0
        width = -(-bits // 8)
        while True:
            if len(pool) < width:
                pool = other.generate(1024)
            raw, pool = pool[:width], pool[width:]
            value = int.from_bytes(raw, "big") % 2**bits
            if value < limit:
                return value

    drbg = Drbg(SEED, b"rule")
    assert [drbg.below(limit) for limit in limits] == [draw(limit) for limit in limits]


def test_frozen_stream() -> None:
    """Own vector, frozen: a change here means that sealed lists can no longer be made again."""
    assert DRBG_VERSION == "hmac-drbg-sha256/1"
    drbg = Drbg(SEED, b"frozen")
    assert drbg.bytes(16).hex() == "282f8f8eceb19685f98269fa65ed5d3b"
    assert [drbg.below(n) for n in (2, 3, 6, 10, 31, 256, 257, 1000, 70000)] == [
        1,
        1,
        3,
        2,
        25,
        96,
        67,
        760,
        1783,
    ]
    letters = list("ABCDEFGH")
    drbg.shuffle(letters)
    assert "".join(letters) == "ADHBEFCG"


def test_seed_and_personalisation_both_count() -> None:
    streams = {
        Drbg(seed, mark).bytes(32)
        for seed in (SEED, SEED[:-1] + b"\xff")
        for mark in (b"", b"a", b"b")
    }
    assert len(streams) == 6


@pytest.mark.parametrize("limit", [3, 5, 6, 7, 10, 100])
def test_below_is_uniform(limit: int) -> None:
    drbg = Drbg(SEED, b"uniform")
    draws = 600 * limit
    counts = Counter(drbg.below(limit) for _ in range(draws))
    assert set(counts) == set(range(limit))
    chi_square = sum((n - 600) ** 2 / 600 for n in counts.values())
    degrees = limit - 1
    assert chi_square < degrees + 4.5 * (2 * degrees) ** 0.5


class Scripted(Drbg):
    """A generator whose next indexes are given, to run through all of them."""

    def __init__(self, script: tuple[int, ...]) -> None:
        super().__init__(SEED)
        self.script = list(script)
        self.limits: list[int] = []

    def below(self, limit: int) -> int:
        self.limits.append(limit)
        return self.script.pop(0)


def test_shuffle_gives_each_order_exactly_once() -> None:
    seen: Counter[str] = Counter()
    for script in itertools.product(range(4), range(3), range(2)):
        drbg, letters = Scripted(script), list("ABCD")
        drbg.shuffle(letters)
        assert drbg.limits == [4, 3, 2]
        seen["".join(letters)] += 1
    assert len(seen) == 24
    assert set(seen.values()) == {1}


@pytest.mark.parametrize("limit", [0, -1])
def test_below_nothing_is_refused(limit: int) -> None:
    with pytest.raises(ValueError, match="no integer"):
        Drbg(SEED).below(limit)


def test_short_seed_and_long_request_are_refused() -> None:
    with pytest.raises(ValueError, match="32 are needed"):
        Drbg(b"x" * 31)
    with pytest.raises(ValueError, match="One request"):
        Drbg(SEED).bytes(MAX_REQUEST_BYTES + 1)
    with pytest.raises(ValueError, match="One request"):
        Drbg(SEED).bytes(-1)
