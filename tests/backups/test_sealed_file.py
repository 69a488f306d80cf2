"""The file of a backup: what went in comes out, and whatever is done to it is found."""

import io
import json
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studylab.backups.rules import sealed_file
from studylab.backups.rules.problems import BackupDamaged, BackupProblem
from studylab.backups.rules.sealed_file import CHUNK, MAGIC, Sealer, open_content

KEY, OTHER = bytes(range(32)), bytes(range(1, 33))
NOISE = random.Random(7).randbytes(3 * CHUNK + 5)  # cannot be pressed smaller: four chunks


def sealed(content: bytes, key: bytes = KEY) -> bytes:
    target = io.BytesIO()
    sealer = Sealer(target, key, "k1", {"made_at": "2026-11-25"})
    for start in range(0, len(content), 70_001):
        sealer.write(content[start : start + 70_001])
    sealer.finish()
    return target.getvalue()


def opened(raw: bytes, key: bytes = KEY) -> bytes:
    return open_content(io.BytesIO(raw), key, "k1")[1].read()


def parts(raw: bytes) -> tuple[bytes, list[bytes]]:
    """The head with its magic, and each chunk with its length."""
    at = len(MAGIC)
    at += 4 + int.from_bytes(raw[at : at + 4], "big")
    head, chunks = raw[:at], []
    while at < len(raw):
        end = at + 4 + int.from_bytes(raw[at : at + 4], "big")
        chunks.append(raw[at:end])
        at = end
    return head, chunks


WHOLE = sealed(NOISE)
HEAD, CHUNKS = parts(WHOLE)


@settings(max_examples=30)
@given(st.binary(max_size=200), st.sampled_from([0, 1, CHUNK - 1, CHUNK, CHUNK + 1]))
def test_what_went_in_comes_out(some: bytes, length: int) -> None:
    for content in (some, NOISE[:length], some * (length // 200)):
        assert opened(sealed(content)) == content


def test_the_same_content_is_never_the_same_file() -> None:
    assert sealed(b"a") != sealed(b"a")
    assert b"a volunteer" not in sealed(b"a volunteer" * 500)


@settings(max_examples=60)
@given(st.integers(0, len(WHOLE) - 1), st.integers(1, 255))
def test_one_changed_byte_anywhere_is_found(at: int, by: int) -> None:
    raw = bytearray(WHOLE)
    raw[at] ^= by
    with pytest.raises(BackupProblem):
        opened(bytes(raw))


@settings(max_examples=30)
@given(st.integers(0, len(WHOLE) - 1))
def test_a_file_that_was_cut_anywhere_is_found(at: int) -> None:
    with pytest.raises(BackupProblem):
        opened(WHOLE[:at])


def test_parts_that_were_moved_repeated_left_out_or_added_are_found() -> None:
    first, second, third, last = CHUNKS
    for order in (
        [second, first, third, last],
        [first, second, second, third, last],
        [first, third, last],
        [first, second, third],  # the last one only: cut between two parts
        [first, second, third, last, last],
        [last],
        [],
    ):
        with pytest.raises(BackupDamaged):
            opened(HEAD + b"".join(order))
    assert opened(HEAD + b"".join(CHUNKS)) == NOISE


def test_parts_of_another_backup_with_the_same_key_do_not_fit() -> None:
    _, other = parts(sealed(NOISE))
    with pytest.raises(BackupDamaged):
        opened(HEAD + CHUNKS[0] + b"".join(other[1:]))


def test_another_key_is_named_before_anything_is_opened() -> None:
    with pytest.raises(
        BackupProblem, match="sealed with the key k1; STUDYLAB_BACKUP_KEY is the key k2"
    ):
        open_content(io.BytesIO(WHOLE), OTHER, "k2")
    with pytest.raises(BackupDamaged):
        opened(WHOLE, OTHER)


def test_what_is_no_backup_says_so() -> None:
    for raw in (
        b"",
        b"PGDMP",
        MAGIC,
        MAGIC + b"\xff\xff\xff\xff",
        MAGIC + b"\x00\x00\x00\x02{}" + b"x" * 99,
    ):
        with pytest.raises(BackupProblem):
            opened(raw)


def test_the_head_says_when_and_by_which_key_and_nothing_else() -> None:
    said = json.loads(HEAD[len(MAGIC) + 4 :])
    assert said.keys() == {"key", "salt", "made_at"}
    assert sealed_file.CHUNK == 1 << 18
