"""Credentials of switches: what a file may hold, who may read it, and the reason where one cannot be used."""

from __future__ import annotations

from pathlib import Path

import pytest

from slotwatch.edge.front.switch_credentials import Credentials, read_credentials
from slotwatch.edge.shared.secret_file import SecretFileError


def written(tmp_path: Path, text: str, mode: int = 0o640) -> Path:
    path = tmp_path / "foh.snmp"
    path.write_text(text)
    path.chmod(mode)
    return path


@pytest.mark.parametrize("text", ["watcher\n", 'community = "watcher"\n'])
def test_a_community_is_written_alone_or_with_its_name(tmp_path: Path, text: str) -> None:
    assert read_credentials(written(tmp_path, text), "2c") == Credentials(community="watcher")


def test_a_user_has_two_passphrases_and_may_name_their_protocols(tmp_path: Path) -> None:
    text = 'user = "slotwatch"\nauthentication = "eight or more"\nprivacy = "eight or more too"\n'
    found = read_credentials(written(tmp_path, text), "3")
    assert (found.user, found.authentication_protocol, found.privacy_protocol) == ("slotwatch", "SHA", "AES")
    more = 'authentication_protocol = "SHA-256"\nprivacy_protocol = "AES-256"\n'
    found = read_credentials(written(tmp_path, text + more), "3")
    assert (found.authentication_protocol, found.privacy_protocol) == ("SHA-256", "AES-256")


@pytest.mark.parametrize(
    ("text", "version", "says"),
    [
        ("", "2c", "is empty"),
        ("one\ntwo\n", "2c", "is not understood"),
        ('user = "x"\n', "2c", "must hold one line"),
        ('authentication = "eight or more"\n', "3", "names no user"),
        ('user = "x"\nprivacy = "eight or more"\n', "3", "privacy needs authentication"),
        ('user = "x"\nauthentication = "short"\n', "3", "at least 8 characters"),
        (
            'user = "x"\nauthentication = "eight or more"\nauthentication_protocol = "ROT13"\n',
            "3",
            "must be one of SHA",
        ),
        ('user = "x"\npassword = "y"\n', "3", "password is not a known key"),
        ("user = 3\n", "3", "is not understood"),
        ("watcher\n", "3", "is not understood"),
    ],
)
def test_what_cannot_be_used_is_reported_without_the_secret(tmp_path: Path, text: str, version: str, says: str) -> None:
    with pytest.raises(SecretFileError, match=says) as refused:
        read_credentials(written(tmp_path, text), version)
    assert "eight or more" not in str(refused.value)


def test_a_file_that_everybody_may_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SecretFileError, match="may be read by everybody"):
        read_credentials(written(tmp_path, "watcher", 0o644), "2c")
