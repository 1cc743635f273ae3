"""How this server is configured: TRIALOG_… environment variables, and what overrides them."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from trialog.errors import InvalidValueError
from trialog.languages import LANGUAGES
from trialog.notices.settings import NAMES as NOTICE_NAMES
from trialog.notices.settings import NoticeSettings, read_notice_settings
from trialog.records.database import Limits, data_folder, database_url, embedded_url
from trialog.web.journal.forms import FORMS, LEVELS
from trialog.web.tls.hostnames import read_name

DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 8765
LAST_PORT = 65535
DEFAULT_API_LIMIT = 600
MOST_API_LIMIT = 1_000_000
MOST_OF_A_LIMIT = 10_000
DEFAULT_PHOTOS = 500
MOST_PHOTOS = 1_000_000
STOP_SECONDS = 20
MOST_SECONDS = 600
MOST_PROCESSES = 64
SETTINGS = (
    "DATABASE_URL", "DATA_FOLDER", "SECRET_KEY", "TIME_ZONE", "HOST", "PORT", "SECURE_COOKIES",
    "LANGUAGE", "TLS", "TLS_NAMES", "TRUST_PORT", "API_LIMIT", "PHOTOS_A_DAY", "LOG_FORMAT",
    "LOG_LEVEL", "STOP_SECONDS", "POOL_SIZE", "POOL_OVERFLOW", "POOL_SECONDS",
    "STATEMENT_SECONDS", "LOCK_SECONDS", "IDLE_SECONDS", "REPLICA_URL", "REPLICA_SECONDS",
    "PROCESSES", *NOTICE_NAMES,
)  # fmt: skip
"""Every setting; the environment variable has TRIALOG_ before its name."""

Default = TypeVar("Default", int, None)

_YES, _NO = frozenset({"1", "yes", "true", "on"}), frozenset({"", "0", "no", "false", "off"})


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The settings of one server."""

    database_url: str
    data_folder: Path
    secret_key: str
    time_zone: ZoneInfo
    language: str
    """That of reports, where nobody asks for another."""
    host: str
    port: int
    secure_cookies: bool
    tls: bool
    tls_names: tuple[str, ...]
    trust_port: int | None
    """The plain port of the page of trust; 0: none; None: the one after the server's own."""
    processes: int
    """How many of them serve together."""
    api_limit: int
    """How many requests a minute a client's token may make, in each process."""
    photos_a_day: int
    """From each tablet."""

    log_format: str
    log_level: str
    stop_seconds: int
    """How long the end of the server waits for the requests under way."""

    limits: Limits
    """Of the connections to PostgreSQL."""

    replica_url: str | None
    replica_seconds: int
    """By how much the replica may be behind for a report that is read from it."""

    notices: NoticeSettings


def load_settings(overrides: Mapping[str, Any]) -> Settings:
    """Read the settings from the environment; `overrides` (names without TRIALOG_) win.

    Raises
    ------
    InvalidValueError
        If a setting breaks its rule.
    """
    given = {name: os.environ.get(f"TRIALOG_{name}") for name in SETTINGS}
    given |= {name: overrides[name] for name in SETTINGS if overrides.get(name) is not None}
    folder = Path(given["DATA_FOLDER"] or data_folder())
    tls = _switch("TRIALOG_TLS", given["TLS"])
    return Settings(
        database_url=given["DATABASE_URL"] or _default_database(given["DATA_FOLDER"], folder),
        data_folder=folder,
        secret_key=given["SECRET_KEY"] or _kept_key(folder / "secret_key"),
        time_zone=read_zone(given["TIME_ZONE"] or "UTC"),
        language=read_language(given["LANGUAGE"] or "en"),
        host=given["HOST"] or DEFAULT_HOST,
        port=_number(given, "PORT", DEFAULT_PORT, 0, LAST_PORT),
        secure_cookies=tls or _switch("TRIALOG_SECURE_COOKIES", given["SECURE_COOKIES"]),
        tls=tls,
        tls_names=_names(given["TLS_NAMES"]),
        trust_port=_number(given, "TRUST_PORT", None, 0, LAST_PORT),
        processes=_number(given, "PROCESSES", 1, 1, MOST_PROCESSES),
        api_limit=_number(given, "API_LIMIT", DEFAULT_API_LIMIT, 1, MOST_API_LIMIT),
        photos_a_day=_number(given, "PHOTOS_A_DAY", DEFAULT_PHOTOS, 0, MOST_PHOTOS),
        log_format=_word("TRIALOG_LOG_FORMAT", given["LOG_FORMAT"] or "text", FORMS),
        log_level=_word("TRIALOG_LOG_LEVEL", given["LOG_LEVEL"] or "info", LEVELS),
        stop_seconds=_number(given, "STOP_SECONDS", STOP_SECONDS, 1, MOST_SECONDS),
        limits=_limits(given),
        replica_url=_replica(given["REPLICA_URL"]),
        replica_seconds=_number(given, "REPLICA_SECONDS", 5, 1, MOST_SECONDS),
        notices=read_notice_settings(given),
    )


def _default_database(given_folder: object, folder: Path) -> str:
    return embedded_url(folder) if given_folder else database_url()


def _kept_key(path: Path) -> str:
    """Return the key that signs sessions; made once, readable by its owner only."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        key = path.read_text().strip()
        if not key:
            raise InvalidValueError("secret key", f"not be empty in {path}", key) from None
        return key
    with os.fdopen(handle, "w") as file:
        file.write(key := secrets.token_hex(32))
    return key


def read_zone(name: str) -> ZoneInfo:
    """Return the time zone of a name, or raise InvalidValueError."""
    try:
        return ZoneInfo(str(name))
    except (KeyError, ValueError, OSError) as error:
        raise InvalidValueError(
            "TRIALOG_TIME_ZONE", "be the name of a time zone such as Europe/Berlin", name
        ) from error


def read_language(code: str) -> str:
    """Return the code of a language that reports are written in, or raise InvalidValueError."""
    if code not in LANGUAGES:
        raise InvalidValueError("TRIALOG_LANGUAGE", f"be one of {', '.join(LANGUAGES)}", code)
    return code


def _word(name: str, value: object, words: Iterable[str]) -> str:
    """Return a value that is one of a few words, in whatever case it was given."""
    word = str(value).strip().lower()
    if word not in words:
        raise InvalidValueError(name, f"be one of {', '.join(words)}", value)
    return word


def _limits(given: Mapping[str, Any]) -> Limits:
    found = {}
    for limit in fields(Limits):
        least = 0 if limit.name in ("pool_overflow", "statement_seconds") else 1
        usual = getattr(Limits, limit.name)
        found[limit.name] = _number(given, limit.name.upper(), usual, least, MOST_OF_A_LIMIT)
    return Limits(**found)


def _replica(value: object) -> str | None:
    """Return the replica's URL; a password in one that is wrong is not shown."""
    if value in (None, ""):
        return None
    url = str(value)
    kind = url.partition(":")[0]
    if kind.partition("+")[0] not in ("postgres", "postgresql"):
        raise InvalidValueError("TRIALOG_REPLICA_URL", "start with postgresql://", kind)
    return url


def _number(
    given: Mapping[str, Any], name: str, default: Default, least: int, most: int
) -> int | Default:
    """Return a setting that is a whole number, or the default where it is not given."""
    value = given[name]
    if value in (None, ""):
        return default
    text = str(value)
    if not text.isascii() or not text.isdigit() or not least <= int(text) <= most:
        rule = f"be a whole number from {least} to {most}"
        raise InvalidValueError(f"TRIALOG_{name}", rule, value)
    return int(text)


def _names(value: object) -> tuple[str, ...]:
    """Return the names of a list, or of a text with commas or blanks between them."""
    words = value.replace(",", " ").split() if isinstance(value, str) else value
    names = tuple(words) if isinstance(words, Iterable) else ()
    for name in names:
        read_name(name)  # refuses what is none, before anything is opened or cleared away
    return names


def _switch(name: str, value: object) -> bool:
    word = "" if value is None else str(value).strip().lower()
    if word not in _YES | _NO:
        raise InvalidValueError(name, "be yes or no", value)
    return word in _YES
