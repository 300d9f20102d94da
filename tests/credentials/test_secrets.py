"""Hashes of PINs and passwords, and the pepper: checked against the standard's vector and against a thief."""

import stat

import pytest
from argon2.low_level import Type, core, ffi, lib

from testbench.credentials.secrets import Argon2Secrets
from testbench.errors import PepperMissingError
from testbench.run.signature import Method


@pytest.fixture
def secrets(tmp_path):
    made = Argon2Secrets(tmp_path / "keys", cheap=True)
    made.make_pepper()
    return made


def test_the_vector_of_the_standard():
    """RFC 9106, section 5.3: Argon2id, 32 KiB, 3 passes, 4 lanes, with secret and associated data."""
    out, parts = ffi.new("uint8_t[]", 32), {"pwd": (1, 32), "salt": (2, 16), "secret": (3, 8), "ad": (4, 12)}
    held = {name: ffi.new("uint8_t[]", bytes([value]) * size) for name, (value, size) in parts.items()}
    context = ffi.new("argon2_context *", {
        "out": out, "outlen": 32, **held, **{f"{name}len": size for name, (_, size) in parts.items()},
        "t_cost": 3, "m_cost": 32, "lanes": 4, "threads": 1, "version": 0x13, "allocate_cbk": ffi.NULL,
        "free_cbk": ffi.NULL, "flags": lib.ARGON2_DEFAULT_FLAGS,
    })  # fmt: skip
    assert core(context, Type.ID.value) == lib.ARGON2_OK
    assert bytes(out).hex() == "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"


def test_the_parameters_are_the_low_memory_profile_of_the_standard(tmp_path):
    """RFC 9106, section 4, second recommendation: t = 3, 64 MiB, p = 4."""
    stored = Argon2Secrets(tmp_path).hash(Method.PASSWORD, "the tide at Port Ellery")
    assert stored.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert Argon2Secrets(tmp_path).matches(Method.PASSWORD, stored, "the tide at Port Ellery")
    assert not Argon2Secrets(tmp_path).matches(Method.PASSWORD, stored, "the tide at Port Eller")


def test_a_secret_is_salted(secrets):
    """Two persons with one PIN do not show it."""
    assert secrets.hash(Method.PIN, "7394") != secrets.hash(Method.PIN, "7394")


def test_a_pin_is_worth_nothing_without_the_pepper(secrets, tmp_path):
    """Whoever has the database alone cannot try the PINs."""
    stored = secrets.hash(Method.PIN, "7394")
    assert secrets.matches(Method.PIN, stored, "7394")
    assert not secrets.matches(Method.PASSWORD, stored, "7394"), "the hash is not that of the bare PIN"
    other = Argon2Secrets(tmp_path / "other", cheap=True)
    other.make_pepper()
    assert not other.matches(Method.PIN, stored, "7394")
    assert secrets.pepper_id() != other.pepper_id()


def test_the_pepper_is_32_bytes_that_only_its_owner_reads_and_is_made_once(secrets, tmp_path):
    """A second making leaves the first."""
    path = tmp_path / "keys" / "pepper"
    before = path.read_bytes()
    assert (len(before), stat.S_IMODE(path.stat().st_mode)) == (32, 0o600)
    secrets.make_pepper()
    assert path.read_bytes() == before
    assert [found.name for found in path.parent.iterdir()] == ["pepper"]


@pytest.mark.parametrize(
    ("spoil", "found"),
    [(lambda path: path.unlink(), "No such file or directory"),
     (lambda path: path.chmod(0o644), "others may read it, its mode must be 0600"),
     (lambda path: path.write_bytes(b"short"), "it has 5 bytes, not 32")],
)  # fmt: skip
def test_without_a_sound_pepper_no_pin_is_looked_at(secrets, tmp_path, spoil, found):
    """One sentence; nothing is made anew."""
    stored, path = secrets.hash(Method.PIN, "7394"), tmp_path / "keys" / "pepper"
    spoil(path)
    there = path.exists()
    with pytest.raises(PepperMissingError) as refusal:
        secrets.matches(Method.PIN, stored, "7394")
    assert str(refusal.value) == f"No PIN can be checked: {path}: {found}."
    assert path.exists() == there


def test_a_hash_of_other_parameters_is_stale(secrets, tmp_path):
    """It is renewed at the next right try."""
    stored = secrets.hash(Method.PASSWORD, "the tide at Port Ellery")
    assert not secrets.stale(stored)
    assert Argon2Secrets(tmp_path).stale(stored)


def test_a_hash_that_is_none_matches_nothing(secrets):
    """Damage is a refusal, not a crash."""
    assert not secrets.matches(Method.PASSWORD, "$argon2id$", "the tide at Port Ellery")
