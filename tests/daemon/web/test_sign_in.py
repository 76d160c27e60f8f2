"""Codes that pair a device with its person: good once, for a while, and not to be guessed."""

import stat

import pytest

from daemon.errors import SignInError
from daemon.web.sign_in import CODE_LASTS_MS, DEVICE_LASTS_MS, TRIES_AT_MOST, WITHIN_MS, Devices

NOW_MS = 1_760_000_000_000
HOME, ELSEWHERE = "192.0.2.7", "198.51.100.9"


@pytest.fixture
def devices(tmp_path):
    return Devices(tmp_path / "devices")


def test_a_code_gives_a_device_its_person_until_it_is_forgotten(devices):
    secret = devices.pair(devices.new_code("ada", NOW_MS), NOW_MS, HOME)
    assert devices.device_of(secret, NOW_MS).person == "ada"
    assert devices.device_of(secret, NOW_MS + DEVICE_LASTS_MS) is None
    devices.forget(secret)
    assert devices.device_of(secret, NOW_MS) is None


def test_a_code_may_be_typed_in_groups_and_capitals(devices):
    code = devices.new_code("ada", NOW_MS)
    assert devices.pair(f" {code[:5]} {code[5:].upper()} ", NOW_MS, HOME)


def test_a_code_is_good_once_and_for_a_while(devices):
    code = devices.new_code("ada", NOW_MS)
    devices.pair(code, NOW_MS, HOME)
    with pytest.raises(SignInError, match="used or too old"):
        devices.pair(code, NOW_MS, HOME)
    late = devices.new_code("bo", NOW_MS)
    with pytest.raises(SignInError, match="too old"):
        devices.pair(late, NOW_MS + CODE_LASTS_MS, HOME)


def test_a_new_code_of_somebody_ends_their_older_one(devices):
    older, newer = devices.new_code("ada", NOW_MS), devices.new_code("ada", NOW_MS)
    with pytest.raises(SignInError):
        devices.pair(older, NOW_MS, HOME)
    assert devices.pair(newer, NOW_MS, HOME)


def test_after_some_wrong_codes_from_an_address_it_has_to_wait_and_nobody_else(devices):
    code = devices.new_code("ada", NOW_MS)
    for place in range(TRIES_AT_MOST):
        with pytest.raises(SignInError, match="wrong"):
            devices.pair(f"{place}222222222", NOW_MS, HOME)
    with pytest.raises(SignInError, match="Too many wrong codes from here"):
        devices.pair(code, NOW_MS + 1, HOME)
    assert devices.pair(code, NOW_MS + 1, ELSEWHERE)
    code = devices.new_code("ada", NOW_MS + WITHIN_MS)
    assert devices.pair(code, NOW_MS + WITHIN_MS + 1, HOME)


def test_a_code_is_guessed_at_a_few_times_from_wherever_and_others_are_not_the_worse_for_it(devices):
    ada, bo = devices.new_code("ada", NOW_MS), devices.new_code("bo", NOW_MS)
    for place in range(TRIES_AT_MOST):
        with pytest.raises(SignInError, match="That code is wrong"):
            devices.pair(f"{ada[:4]}222222", NOW_MS, f"192.0.2.{place}")
    with pytest.raises(SignInError, match="Too many wrong codes that begin so; ask for a new one"):
        devices.pair(ada, NOW_MS + 1, ELSEWHERE)
    assert devices.pair(bo, NOW_MS + 1, ELSEWHERE)
    assert devices.pair(devices.new_code("ada", NOW_MS + 2), NOW_MS + 2, ELSEWHERE)


def test_signing_in_well_is_no_wrong_code(devices):
    for minute in range(TRIES_AT_MOST * 2):
        at_ms = NOW_MS + minute
        devices.pair(devices.new_code("ada", at_ms), at_ms, HOME)


def test_its_file_is_for_its_owner_alone_and_holds_no_secret(devices, tmp_path):
    code = devices.new_code("ada", NOW_MS)
    open_code = (tmp_path / "devices").read_bytes()
    secret = devices.pair(code, NOW_MS, HOME)
    assert stat.S_IMODE((tmp_path / "devices").stat().st_mode) == 0o600
    assert code.encode() not in open_code
    assert secret.encode() not in (tmp_path / "devices").read_bytes()


def test_a_file_that_is_none_of_ours_is_told_in_a_line(tmp_path):
    (tmp_path / "devices").write_text("no database " * 20)
    with pytest.raises(SignInError, match=r"devices .*: file is not a database; delete it"):
        Devices(tmp_path / "devices").new_code("ada", NOW_MS)
