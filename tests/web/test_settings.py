"""Settings: from the environment, and what overrides them."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from trialog.errors import InvalidValueError, SchemaBehindError
from trialog.web import create_app
from trialog.web.settings import SETTINGS, load_settings


def test_the_defaults_keep_to_this_computer(tmp_path):
    settings = load_settings({"DATA_FOLDER": str(tmp_path)})
    assert (settings.host, settings.port) == ("127.0.0.1", 8765)
    assert settings.time_zone.key == "UTC"
    assert settings.database_url == f"sqlite:///{tmp_path / 'trialog.db'}"
    assert not settings.secure_cookies


def test_the_environment_sets_and_an_override_wins(monkeypatch, tmp_path):
    monkeypatch.setenv("TRIALOG_DATA_FOLDER", str(tmp_path))
    monkeypatch.setenv("TRIALOG_PORT", "9000")
    monkeypatch.setenv("TRIALOG_TIME_ZONE", "Europe/Berlin")
    monkeypatch.setenv("TRIALOG_SECURE_COOKIES", "yes")
    settings = load_settings({"PORT": 9001})
    assert settings.port == 9001
    assert settings.time_zone.key == "Europe/Berlin"
    assert settings.secure_cookies


def test_the_key_is_made_once_and_kept_for_its_owner_only(tmp_path):
    first = load_settings({"DATA_FOLDER": str(tmp_path)}).secret_key
    assert load_settings({"DATA_FOLDER": str(tmp_path)}).secret_key == first
    assert len(first) == 64
    assert stat.S_IMODE((tmp_path / "secret_key").stat().st_mode) == 0o600


def test_an_emptied_key_file_is_refused(tmp_path):
    (tmp_path / "secret_key").write_text("\n")
    with pytest.raises(InvalidValueError, match="secret key must not be empty"):
        load_settings({"DATA_FOLDER": str(tmp_path)})


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("PORT", "80a"), ("PORT", "65536"), ("PORT", "-1"), ("TIME_ZONE", "Mars/Olympus"),
        ("TIME_ZONE", "../etc"), ("SECURE_COOKIES", "perhaps"),
    ],
)  # fmt: skip
def test_a_setting_that_breaks_its_rule_is_named(tmp_path, name, value):
    with pytest.raises(InvalidValueError, match=f"TRIALOG_{name} must"):
        load_settings({"DATA_FOLDER": str(tmp_path), "SECRET_KEY": "k", name: value})


def test_secure_cookies_reach_the_cookie(database, tmp_path):
    app = create_app({"DATABASE_URL": database, "SECRET_KEY": "k", "SECURE_COOKIES": "yes"})
    assert app.config["SESSION_COOKIE_SECURE"] is True
    app.extensions["trialog"].engine.dispose()


def test_a_database_whose_schema_is_behind_stops_the_start(empty_database):
    with pytest.raises(SchemaBehindError, match="trialog database upgrade"):
        create_app({"DATABASE_URL": empty_database, "SECRET_KEY": "k"})


def test_every_setting_is_in_the_help():
    pages = (Path(__file__).parents[2] / "trialog" / "docs").glob("*.md")
    words = "\n".join(page.read_text(encoding="utf-8") for page in pages)
    assert [name for name in SETTINGS if f"TRIALOG_{name}" not in words] == []
