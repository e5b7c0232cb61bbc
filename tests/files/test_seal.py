"""The user's seal: one key a user, kept where nobody else can read it."""

from __future__ import annotations

import os

import pytest

from roomplan.files.seal import is_sealed, seal_of, user_key

posix_only = pytest.mark.skipif(os.name != "posix", reason="owners and modes of POSIX")


@pytest.fixture
def state(tmp_path, monkeypatch):
    """A folder of state without a key."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state"


def key_file(state):
    (found,) = [path for path in state.rglob("*") if path.is_file()]
    return found


# RFC 4231, test case 2: HMAC-SHA-256 of a short key
def test_a_seal_is_the_keyed_digest_of_the_standard():
    expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert seal_of("what do ya want for nothing?", key=b"Jefe") == expected


def test_a_seal_fits_its_own_text_and_key_alone():
    seal = seal_of("text", key=b"one")
    assert is_sealed("text", seal, key=b"one")
    assert not is_sealed("text.", seal, key=b"one")
    assert not is_sealed("text", seal, key=b"two")
    assert not is_sealed("text", "ü\udc80", key=b"one")


def test_the_key_is_made_once_and_found_again(state):
    assert user_key() == user_key()
    assert key_file(state).read_bytes() == user_key()
    assert len(user_key()) == 32


@posix_only
def test_only_the_user_may_read_the_key_and_its_folder(state):
    user_key()
    assert key_file(state).stat().st_mode & 0o777 == 0o600
    assert key_file(state).parent.stat().st_mode & 0o777 == 0o700


@posix_only
@pytest.mark.parametrize("spoil", [lambda file: file.chmod(0o644), lambda file: file.write_bytes(b"short")])
def test_a_key_that_others_may_know_or_that_is_damaged_is_made_anew(state, spoil):
    before = user_key()
    spoil(key_file(state))
    assert user_key() != before
    assert user_key() == user_key()
    assert key_file(state).stat().st_mode & 0o777 == 0o600


@posix_only
@pytest.mark.skipif(os.name == "posix" and os.geteuid() != 0, reason="gives a file away")
def test_a_key_of_another_user_is_not_used(state):
    before = user_key()
    os.chown(key_file(state), 65534, 65534)
    assert user_key() != before
    assert key_file(state).read_bytes() == before


@posix_only
def test_a_key_that_is_a_link_is_not_followed(state, tmp_path):
    user_key()
    planted = tmp_path / "planted"
    planted.write_bytes(bytes(32))
    planted.chmod(0o600)
    place = key_file(state)
    place.unlink()
    place.symlink_to(planted)
    assert user_key() != bytes(32)
    assert planted.read_bytes() == bytes(32)


def test_where_no_key_can_be_kept_there_is_one_for_the_process(tmp_path, monkeypatch):
    (tmp_path / "a file").write_text("")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "a file" / "state"))
    assert user_key() == user_key()
    assert len(user_key()) == 32
