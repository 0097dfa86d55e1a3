"""Settings: where they come from, what is wrong with them, and that each is in the README."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drainledger.settings import BadSettings, Settings, load, unknown_variables
from drainledger.store.engine import database_url
from drainledger.store.errors import BadDatabaseUrl
from tests.house.repository import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.fixture(autouse=True)
def _nothing_set(monkeypatch: pytest.MonkeyPatch) -> None:
    import os

    for name in [name for name in os.environ if name.startswith("DRAINLEDGER_")]:
        monkeypatch.delenv(name)


@pytest.mark.parametrize("name", Settings.model_fields)
def test_every_setting_is_in_the_readme(name: str) -> None:
    field = Settings.model_fields[name]
    row = re.search(rf"^\| `DRAINLEDGER_{name.upper()}` \| (.*) \| (.*) \|$", README, re.MULTILINE)
    assert row, f"the README's table of settings has no row for {name}"
    assert row[2] == field.description


def test_the_readme_names_no_setting_that_is_not() -> None:
    named = set(re.findall(r"^\| `DRAINLEDGER_(\w+)` \|", README, re.MULTILINE))
    assert named - {"SETTINGS", "SECRETS_DIR"} == {name.upper() for name in Settings.model_fields}


@pytest.mark.parametrize("scheme", ["postgresql", "postgresql+psycopg"])
def test_both_ways_to_write_postgresql_are_taken(scheme: str) -> None:
    url = f"{scheme}://u:p@h/d"
    assert load({"database": url}).database.get_secret_value() == url
    assert database_url(url).drivername == "postgresql+psycopg"


def test_what_to_write_is_said_in_one_way() -> None:
    with pytest.raises(BadSettings) as refused:
        load({"database": "mysql://h/d"})
    said = re.findall(r"write (sqlite:///FILE or .*)", str(refused.value))
    assert said == re.findall(r"Write (.*)\.", str(BadDatabaseUrl("it is no URL")))


def test_the_nearer_wins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "settings.toml"
    file.write_text('port = 1\nhost = "localhost"\nmax_records = 5\n')
    monkeypatch.setenv("DRAINLEDGER_SETTINGS", str(file))
    monkeypatch.setenv("DRAINLEDGER_PORT", "2")
    found = load({"port": None})
    assert (found.port, found.host, found.max_records) == (2, "localhost", 5)
    assert load({"port": 3}).port == 3


def test_secrets_come_from_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "drainledger_patient_secret").write_text("0123456789abcdef\n")
    (tmp_path / "postgres_password").write_text("none of ours")
    monkeypatch.setenv("DRAINLEDGER_SECRETS_DIR", str(tmp_path))
    secret = load({}).patient_secret
    assert secret is not None
    assert secret.get_secret_value() == "0123456789abcdef"
    monkeypatch.setenv("DRAINLEDGER_PATIENT_SECRET", "another-one-of-16-characters")
    with pytest.raises(BadSettings, match="patient_secret: set both"):
        load({})
    monkeypatch.setenv("DRAINLEDGER_SECRETS_DIR", str(tmp_path / "nowhere"))
    with pytest.raises(BadSettings, match="no folder"):
        load({})


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("prot = 1", "prot: there is no such setting"),
        ("port = 70000", "port: Input should be less than or equal to 65535"),
        ('database = "mysql://u:s3cret@h/d"', "database: write sqlite:///FILE"),
        ('patient_secret = "short"', "patient_secret: write at least 16"),
        ('base = "ftp://x"', "base: write an http or https URL"),
        ('jwt_keys_url = "http://login.example/keys"', "jwt_keys_url: write an https URL"),
        ('jwt_issuer = "https://login.example"', "jwt_issuer needs jwt_audience"),
        ('jwt_issuer = "i"\njwt_audience = "a"', "one of jwt_keys_url and jwt_keys_file"),
        ('jwt_audience = "a"', "of no use without jwt_issuer"),
        ("port = ", "settings.toml"),
    ],
)
def test_a_fault_is_told_by_name_and_without_the_value(tmp_path: Path, text: str, fault: str) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(text)
    with pytest.raises(BadSettings) as told:
        load({}, file=file)
    assert fault in str(told.value)
    assert "s3cret" not in str(told.value)
    assert "short" not in str(told.value)


def test_a_misspelt_variable_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRAINLEDGER_PROT", "1")
    monkeypatch.setenv("DRAINLEDGER_PORT", "1")
    assert unknown_variables() == ["DRAINLEDGER_PROT"]
