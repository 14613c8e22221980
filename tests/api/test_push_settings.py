"""From the settings of people to their channels: every address, files with secrets, and mistakes named without the address."""

import io
from pathlib import Path

import pytest

from api.people import PushSettings
from api.ports import Message
from api.push import channels_of
from api.push.guard import BadAddress

SECRET = "s3cr3t"


def people(**more: object) -> PushSettings:
    """Settings with one person."""
    return PushSettings.model_validate({"people": [{"name": "Ana", **more}]})


def test_every_address_gets_a_channel(tmp_path: Path) -> None:
    """Addresses in the settings and in the file, numbered; comments and empty lines are none."""
    file = tmp_path / "ana.txt"
    file.write_text("# Ana's\n\nterminal:\n  json://127.0.0.1:9/x  \n")
    file.chmod(0o600)
    stream = io.StringIO()
    channels = channels_of(people(urls=["terminal:"], urls_file=str(file)), stream)
    assert list(channels) == ["Ana/1", "Ana/2", "Ana/3"]
    assert all(channel.name == name for name, channel in channels.items())
    channels["Ana/2"].push(Message("Hello", "there", "low", None, None))
    assert stream.getvalue() == "Note: Hello\n    there\n"


@pytest.mark.parametrize("mode", [0o644, 0o666, 0o604, 0o620])
def test_a_file_that_others_can_read_is_refused(tmp_path: Path, mode: int) -> None:
    """A secret that everybody can read is none."""
    file = tmp_path / "ana.txt"
    file.write_text(f"json://user:{SECRET}@h/\n")
    file.chmod(mode)
    with pytest.raises(BadAddress, match="chmod 600") as caught:
        channels_of(people(urls_file=str(file)))
    assert str(file) in str(caught.value)


def test_an_empty_or_missing_file_is_refused(tmp_path: Path) -> None:
    """A person without an address would never be told."""
    file = tmp_path / "ana.txt"
    with pytest.raises(BadAddress, match="readable text file"):
        channels_of(people(urls_file=str(file)))
    file.write_text("# nothing yet\n")
    file.chmod(0o600)
    with pytest.raises(BadAddress, match="at least one address"):
        channels_of(people(urls_file=str(file)))
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadAddress, match="readable text file"):
        channels_of(people(urls_file=str(file)))


def test_a_bad_address_is_named_by_person_and_number() -> None:
    """The mistake is found without showing the secret, in errors and in the settings themselves."""
    settings = people(urls=["terminal:", f"nosuch://{SECRET}@h"])
    with pytest.raises(BadAddress, match=r"people\.Ana, address 2") as caught:
        channels_of(settings)
    assert SECRET not in f"{caught.value} {settings!r} {settings.model_dump()}"
