"""Checks that a site runs on the spot: known questions with known answers, worked out anew by the program as it stands. Pure.

Values of FIPS 180-4, RFC 4231 and the NIST validation program are from memory and agree with other implementations in
the tests of this program; the others are worked by hand, the proposals named beside them.
"""

import hashlib
import hmac
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from screening.rules.ecg import corrected_qt
from screening.rules.vitals import Reading, VitalDecision, decide
from studylab.allocation.rules.drbg import Drbg
from studylab.allocation.rules.sealing import KEY_BYTES, SealDamaged, seal, unseal
from studylab.codes import check_character
from studylab.studies.rules.protocol import Measuring


@dataclass(frozen=True, slots=True)
class Tested:
    """One check: what was asked, what should have come out and from where, and what did."""

    key: str
    title: str
    expected: str
    found: str
    source: str

    @property
    def passed(self) -> bool:
        """Whether exactly what should came out."""
        return self.expected == self.found


@dataclass(frozen=True, slots=True)
class Vector:
    """A question with its known answer."""

    key: str
    title: str
    ask: Callable[[], str]
    expected: str
    source: str


def _readings(*values: tuple[float, float, float]) -> str:
    start = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
    taken = [
        Reading(*value, at=start + timedelta(seconds=60 * turn))
        for turn, value in enumerate(values)
    ]
    found = decide(taken, rest_seconds=300, measuring=Measuring())
    if not isinstance(found, VitalDecision):
        return "undecided"
    return f"{found.systolic:g}/{found.diastolic:g}, pulse {found.pulse:g}"


def _drawn() -> str:
    entropy = "ca851911349384bffe89de1cbdc46e6831e44d34a4fb935ee285dd14b71a7488"
    stream = Drbg(bytes.fromhex(f"{entropy}659ba96c601dc69fc902940805ec0ca8"))
    stream.bytes(128)
    return stream.bytes(128).hex()


def _sealed() -> str:
    """Seal a word, open it in its own place, and try it in another place and changed."""
    key, said = bytes(range(KEY_BYTES)), []
    box = seal(b"word", key=key, context="place 1")
    said.append("opens" if unseal(box, key=key, context="place 1") == b"word" else "differs")
    for changed, where in ((box, "place 2"), (box[:-1] + bytes([box[-1] ^ 1]), "place 1")):
        try:
            unseal(changed, key=key, context=where)
        except SealDamaged:
            said.append("refused")
        else:
            said.append("opened")
    return ", ".join(said)


def _hours(zone: str, first: datetime, second: datetime) -> str:
    """Return the elapsed hours between two local times of a zone."""
    there = ZoneInfo(zone)
    spans = second.replace(tzinfo=there).astimezone(UTC) - first.replace(tzinfo=there).astimezone(
        UTC
    )
    return f"{spans.total_seconds() / 3600:g} hours"


_HAND = "worked by hand; proposal of this project to the supervising physician"
VECTORS = (
    Vector(
        "sha256", "Fingerprint (SHA-256) of “abc”", lambda: hashlib.sha256(b"abc").hexdigest(),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", "FIPS 180-4",
    ),
    Vector(
        "hmac", "Keyed fingerprint (HMAC-SHA-256)",
        lambda: hmac.digest(b"Jefe", b"what do ya want for nothing?", "sha256").hex(),
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843", "RFC 4231, case 2",
    ),
    Vector(
        "drbg", "Generator of the allocation list, 128 bytes of its second request", _drawn,
        "e528e9abf2dece54d47c7e75e5fe302149f817ea9fb4bee6f4199697d04d5b89"
        "d54fbb978a15b5c443c9ec21036d2460b6f73ebad0dc2aba6e624abf07745bc1"
        "07694bb7547bb0995f70de25d6b29e2d3011bb19d27676c07162c8b5ccde0668"
        "961df86803482cb37ed6d5c0bb8d50cf1f50d476aa0458bdaba806f48be9dcb8",
        "NIST validation program, HMAC_DRBG SHA-256, first case",
    ),
    Vector(
        "seal", "A sealed word: in its place, in another place, changed", _sealed,
        "opens, refused, refused", "NIST SP 800-38D: authenticated encryption",
    ),
    Vector(
        "code", "Check characters of G123489654321 and A999914123456",
        lambda: check_character("G123489654321") + check_character("A999914123456"), "YN",
        "ISO/IEC 7064, MOD 37-2",
    ),
    Vector(
        "vitals-1", "Three readings: the mean of the second and third",
        lambda: _readings((118, 76, 70), (112, 72, 66), (110, 70, 64)), "111/71, pulse 65", _HAND,
    ),
    Vector(
        "vitals-3", "Readings beside a limit: 89.5 is not rounded up to 90",
        lambda: _readings((118, 76, 70), (89, 60, 62), (90, 60, 62)), "89.5/60, pulse 62", _HAND,
    ),
    Vector(
        "vitals-5", "Readings that differ by more than 10: nothing is decided from three",
        lambda: _readings((118, 76, 70), (120, 70, 60), (132, 72, 62)), "undecided", _HAND,
    ),
    Vector(
        "qtc", "Corrected QT interval at 60 beats a minute, by both formulas",
        lambda: f"{corrected_qt(400, 60, 'fridericia'):g}, {corrected_qt(400, 60, 'bazett'):g}",
        "400, 400", "at 60 beats a minute the interval between beats is 1 s, and nothing is corrected",
    ),
    Vector(
        "zone", "Noon to noon over the night in which clocks go forward (Halifax, 8 March 2026)",
        lambda: _hours("America/Halifax", datetime(2026, 3, 7, 12), datetime(2026, 3, 8, 12)),  # noqa: DTZ001
        "23 hours", "IANA time zone database",
    ),
)  # fmt: skip


def self_tests() -> list[Tested]:
    """Ask every question anew; what breaks says so in place of an answer."""
    return [Tested(one.key, one.title, one.expected, _asked(one), one.source) for one in VECTORS]


def _asked(vector: Vector) -> str:
    try:
        return vector.ask()
    except Exception as problem:  # noqa: BLE001  (whatever it is, the check failed)
        return f"{type(problem).__name__}: {problem}"
